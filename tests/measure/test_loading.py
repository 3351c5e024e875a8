"""What the first look does on threads: Numba made ready beside the opening of a clip, several frames at a time."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import asdict
from pathlib import Path

import numpy as np
import pytest

from poolwatch.clips import open_clip
from poolwatch.measure.look import look_at
from poolwatch.measure.settings import MeasureSettings, recording_of
from poolwatch.model import together
from poolwatch.simulate import Scene, write_simulation

_CODE = """
import sys
from poolwatch.measure.loading import numba_loading
with numba_loading():
    pass
print("scipy.linalg" in sys.modules, "numba.np.arraymath" in sys.modules)
import numpy as np
from numba import njit
from numba.np import arraymath, linalg

@njit
def product(a, b):
    return np.dot(a, b)

b = np.array([[2.0, 0.0], [1.0, 4.0]])
print(np.allclose(product(b, b), b @ b), arraymath._HAVE_BLAS, linalg.ensure_blas.__module__)
"""


@pytest.mark.slow
def test_scipy_waits_until_it_is_needed_and_numba_lacks_nothing() -> None:
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", _CODE], capture_output=True, text=True, check=True
    )
    assert done.stdout.split() == ["False", "True", "True", "True", "numba.np.linalg"]


@pytest.mark.slow
def test_what_an_older_release_left_compiled_is_compiled_anew(tmp_path: Path) -> None:
    (tmp_path / "kernels.py").write_text(
        "from numba import njit\n\n@njit(cache=True)\ndef kernel(given):\n    return given.value\n"
    )
    for taken in ("Before", "After"):
        (tmp_path / "taken.py").write_text(
            f"from typing import NamedTuple\nclass {taken}(NamedTuple):\n    value: float\n"
        )
        code = (
            "from poolwatch.measure.loading import numba_loading\nwith numba_loading():\n    pass\n"
            f"from taken import {taken}\nfrom kernels import kernel\nprint(kernel({taken}(2.5)))"
        )
        done = subprocess.run(
            [sys.executable, "-c", code], cwd=tmp_path, capture_output=True, text=True, check=False
        )
        assert done.stdout == "2.5\n", done.stderr


@pytest.mark.long
@pytest.mark.slow
def test_the_first_look_does_not_hang_on_its_threads(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    scene = {
        "frames": 60,
        "seed": 12,
        "camera": {"width": 192, "height": 128},
        "spatter": {"rate_per_s": 3000},
    }
    clip = write_simulation(Scene.checked(scene, where="test"), tmp_path, format="npy")
    settings = MeasureSettings()
    recording = recording_of(settings, {"record_rate_hz": 1e4, "travel_speed_mm_s": 100.0}, where="test")
    looks = []
    for threads in (1, 4):
        monkeypatch.setattr(together, "_threads", lambda threads=threads: threads)
        with open_clip(clip) as reader:
            looks.append(look_at(reader, recording, settings))
    one, four = looks
    assert one.spatter is not None
    assert four.spatter is not None
    assert one.spatter.psf_source == "found"
    assert one.smallest.value() == four.smallest.value()
    assert one.kind_reason == four.kind_reason
    np.testing.assert_equal(asdict(one.pool), asdict(four.pool))
    np.testing.assert_equal(asdict(one.spatter), asdict(four.spatter))
