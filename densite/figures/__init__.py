"""Figures of a comparison for a report: SVG and PNG, 160 mm wide, readable in grey, with alternative text."""

from densite.figures.drawing import Drawn, draw

__all__ = ["Drawn", "draw"]
