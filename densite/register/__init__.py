"""The store of records: one schema, one small interface, a GeoPackage file or PostGIS behind it."""

from densite.register.opening import create_register, open_register
from densite.register.store import Register

__all__ = ["Register", "create_register", "open_register"]
