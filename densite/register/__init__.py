"""The store of records: one schema, one small interface, a GeoPackage file behind it."""

from densite.register.store import Register, create_register, open_register

__all__ = ["Register", "create_register", "open_register"]
