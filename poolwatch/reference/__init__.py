"""Every word that poolwatch writes, with its meaning: read out of the code, shown by `poolwatch explain`."""

from .config_files import config_files
from .entries import ReferenceEntry, Section
from .page import markdown_page
from .sections import sections

__all__ = ["ReferenceEntry", "Section", "config_files", "markdown_page", "sections"]
