"""The reference as a page in Markdown: `reference.md` beside this file is what the code gives."""

from __future__ import annotations

from collections.abc import Sequence

from .entries import Section

_HEAD = """# Reference

Made from the code by `poolwatch explain --out`; a test holds it equal. In a terminal: `poolwatch explain WORD`.
"""


def markdown_page(sections: Sequence[Section]) -> str:
    """All sections, each as a table under its heading, with a list of links before them."""
    links = "\n".join(f"- [{section.title}](#{section.name})" for section in sections)
    return "\n\n".join([_HEAD, links, *(markdown_section(section) for section in sections)]) + "\n"


def markdown_section(section: Section) -> str:
    """Heading with an anchor, what to know, and the table."""
    lines = [
        f'<a id="{section.name}"></a>',
        "",
        f"## {section.title}",
        "",
        *([section.about, ""] if section.about else []),
        _row(section.heads),
        _row(["---"] * len(section.heads)),
        *(_row([f"`{word}`", *cells]) for word, *cells in section.rows()),
    ]
    return "\n".join(lines)


def _row(cells: Sequence[str]) -> str:
    return "| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |"
