"""What in the register a person should look at again: open questions, by den, crew and day."""

from densite.review.finding import KINDS, Finding
from densite.review.whole import Held, Review, look_again

__all__ = ["KINDS", "Finding", "Held", "Review", "look_again"]
