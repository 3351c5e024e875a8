"""Makes the scenes of this room importable by its tests."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import pytest

_SPEC = importlib.util.spec_from_file_location("scale_scenes", Path(__file__).with_name("scenes.py"))
assert _SPEC is not None
assert _SPEC.loader is not None
_MODULE = importlib.util.module_from_spec(_SPEC)
sys.modules["scale_scenes"] = _MODULE
_SPEC.loader.exec_module(_MODULE)


@pytest.fixture(scope="session")
def checkerboard_photos() -> list[Path]:
    """The thirteen chessboard photos of OpenCV's samples, where they lie beside the checkout."""
    folder = Path(__file__).resolve().parents[3] / "shared" / "real" / "checkerboard"
    photos = sorted(folder.glob("left*.jpg"))
    if len(photos) != 13:
        pytest.skip("needs the OpenCV sample photos left01.jpg … left14.jpg in ../shared/real/checkerboard")
    return photos
