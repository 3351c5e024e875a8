"""Every word that poolwatch writes, with its meaning: read out of the code, shown by `poolwatch explain`."""

from .entries import ReferenceEntry, Section
from .page import markdown_page
from .sections import sections

__all__ = ["ReferenceEntry", "Section", "markdown_page", "sections"]
