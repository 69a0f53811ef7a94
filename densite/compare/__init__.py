"""Statistics on arrays and frames; this room knows no files, layers or maps."""
