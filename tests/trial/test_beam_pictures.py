"""Profiles of beams that a manifest names, for the report."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pandas as pd
import pytest

from poolwatch.show.beam_profile import SIDE
from poolwatch.trial.beam_pictures import beam_pictures

pytestmark = pytest.mark.slow


def test_pictures_by_clip_and_shape_and_what_is_missing_is_said(tmp_path: Path) -> None:
    spot = np.zeros((40, 50), np.uint8)
    spot[15:25, 20:30] = 200
    (tmp_path / "beams").mkdir()
    cv2.imwrite(str(tmp_path / "beams" / "a.png"), spot)
    scores = pd.DataFrame(
        {
            "clip": ["1", "2", "3", "4"],
            "beam_shape": ["a", "a", "b", "c"],
            "beam_picture": ["beams/a.png", "beams\\a.png", "gone.png", None],
            "beam_picture_mm_per_px": [0.01, 0.01, np.nan, np.nan],
        }
    )
    found = beam_pictures(scores, tmp_path)
    assert set(found.by_clip) == {"1", "2"}
    assert set(found.by_shape) == {"a"}
    assert found.by_shape["a"].shape[1:] == (SIDE, 3)
    assert len(found.notes) == 1
    assert "gone.png: no such file" in found.notes[0]
    assert beam_pictures(scores.drop(columns="beam_picture"), tmp_path) == ({}, {}, ())
