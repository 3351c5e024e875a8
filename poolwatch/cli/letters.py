"""Letters that a terminal does not know: written with those that it does, never an error."""

from __future__ import annotations

import codecs
import sys
import unicodedata

_SPELT = {
    "±": "+-",
    "–": "-",
    "—": "-",
    "−": "-",
    "×": "x",
    "…": "...",
    "°": " deg",
    "µ": "u",
    "μ": "u",
    "ß": "ss",
}


def spell(error: UnicodeError) -> tuple[str, int]:
    """Handler for encoders: the nearest plain letters, or a question mark.

    Examples
    --------
    >>> codecs.register_error("spell", spell)
    >>> "6 mm² ± 2 °".encode("ascii", "spell")
    b'6 mm2 +- 2  deg'
    """
    if not isinstance(error, UnicodeEncodeError):
        raise error
    plain = []
    for letter in error.object[error.start : error.end]:
        text = _SPELT.get(letter) or unicodedata.normalize("NFKD", letter).encode("ascii", "ignore").decode()
        plain.append(text or "?")
    return "".join(plain), error.end


def tolerant_streams() -> None:
    """Let standard output and standard error spell what their encoding does not hold."""
    codecs.register_error("spell", spell)
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="spell")
