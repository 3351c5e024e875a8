"""The page on which a person marks frames by hand, and what the marks say, as pictures."""

from .page import MarkedFrame, MarkingSheet, write_marking_page

__all__ = ["MarkedFrame", "MarkingSheet", "write_marking_page"]
