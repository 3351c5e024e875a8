"""What every page that opens from disk needs: a template environment, its own files, pictures inside it."""

from __future__ import annotations

import base64
from importlib import resources

import jinja2
from markupsafe import Markup


def template_environment(package: str) -> jinja2.Environment:
    """Templates of a package, with everything escaped that is not explicitly markup."""
    return jinja2.Environment(
        loader=jinja2.PackageLoader(package, "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def template_file(package: str, name: str) -> Markup:
    """A style sheet or script among the templates of a package."""
    return Markup(resources.files(package).joinpath("templates", name).read_text(encoding="utf-8"))


def data_url(data: bytes, kind: str) -> str:
    """Address of a picture inside a page (RFC 2397); `kind` is ``png`` or ``jpeg``."""
    return f"data:image/{kind};base64," + base64.b64encode(data).decode("ascii")
