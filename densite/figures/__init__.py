"""Figures of a comparison for a report: SVG and PNG, 160 mm wide, readable in grey, with alternative text."""

from densite.figures.agreements import agreement, bearing_agreement
from densite.figures.aspects import aspects_by_class
from densite.figures.dentypes import shares_by_class, types_along_gradient
from densite.figures.drawing import Drawn, draw
from densite.figures.files import save
from densite.figures.gradient import Gradient
from densite.figures.quantities import quantity_by_class

__all__ = [
    "Drawn",
    "Gradient",
    "agreement",
    "aspects_by_class",
    "bearing_agreement",
    "draw",
    "quantity_by_class",
    "save",
    "shares_by_class",
    "types_along_gradient",
]
