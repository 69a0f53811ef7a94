"""Samples on their way to the laboratory and back: labels, the laboratory's list, custody, results."""

from densite.samples.chain import whereabouts
from densite.samples.laboratory import joined, returned
from densite.samples.review import findings
from densite.samples.vials import manifest

__all__ = ["findings", "joined", "manifest", "returned", "whereabouts"]
