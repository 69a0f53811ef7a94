"""Maps for the browser: one HTML file each, with everything they need inside."""

from densite.webmap.crew import crew_map, write_map
from densite.webmap.markers import PopupField

__all__ = ["PopupField", "crew_map", "write_map"]
