"""One thing that an inspection found about a clip."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Verdict = Literal["good", "fair", "poor", "fact"]


@dataclass(frozen=True)
class Finding:
    """One thing found about a clip.

    Attributes
    ----------
    name
        What was looked at.
    value
        What was found, in words and numbers.
    verdict
        ``good``, ``fair``, ``poor``, or ``fact`` where there is nothing to judge.
    why
        Why it matters.
    change
        What to change at the next recording; empty where nothing needs to.
    source
        Where a limit or a usual value in `why` comes from; empty where it holds none.
    """

    name: str
    value: str
    verdict: Verdict
    why: str = ""
    change: str = ""
    source: str = ""
