from __future__ import annotations

from pathlib import Path

import pytest


@pytest.fixture(autouse=True)
def _workers_find_the_tests(monkeypatch: pytest.MonkeyPatch) -> None:
    """Worker processes import the measurer of these tests by name."""
    monkeypatch.syspath_prepend(str(Path(__file__).parents[2]))
