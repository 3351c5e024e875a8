"""Compression with loss is said, and compression without is not."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

import poolwatch
from poolwatch.clips import open_clip
from poolwatch.footage import FORMATS, write_frames
from poolwatch.measure import MeasureSettings
from poolwatch.measure.inspection import inspect_clip
from poolwatch.simulate import Scene, write_simulation

SEALED = [
    name for name, form in FORMATS.items() if form.kind in ("video", "tiff", "stills") and 8 in form.depths
]


def noise() -> list[np.ndarray]:
    return list(np.random.default_rng(3).integers(20, 200, (4, 64, 80), dtype=np.uint8))


@pytest.mark.parametrize("name", SEALED)
def test_every_format_that_throws_detail_away_is_flagged(tmp_path: Path, name: str) -> None:
    path = write_frames(tmp_path / f"clip{FORMATS[name].ending}", noise(), format=name, depth_bits=8)
    with open_clip(path) as clip:
        assert ("lossy_video" in clip.facts.flags) is not FORMATS[name].lossless


@pytest.mark.parametrize(("ending", "lossy"), [(".jpg", True), (".png", False)])
def test_stills(tmp_path: Path, ending: str, lossy: bool) -> None:
    for number, frame in enumerate(noise()):
        cv2.imwrite(str(tmp_path / f"f{number}{ending}"), frame)
    with open_clip(tmp_path) as clip:
        assert ("lossy_video" in clip.facts.flags) is lossy


def test_tiff_that_holds_jpeg(tmp_path: Path) -> None:
    cv2.imwrite(str(tmp_path / "clip.tif"), noise()[0], [cv2.IMWRITE_TIFF_COMPRESSION, 7])
    with open_clip(tmp_path / "clip.tif") as clip:
        assert "lossy_video" in clip.facts.flags


@pytest.mark.long
@pytest.mark.slow
def test_a_measured_and_an_inspected_clip_say_so(tmp_path: Path) -> None:
    """Particles of one true size: in lossless video they are sized rightly, in hard-pressed video too large."""
    scene = {
        "frames": 400,
        "seed": 77,
        "camera": {"width": 200, "height": 160, "mm_per_px": 0.03, "rate_hz": 10_000.0},
        "spatter": {"rate_per_s": 600.0, "diameters_mm": [0.075]},
    }
    sizes, unsure = {}, {}
    for name in ("mkv-ffv1", "mkv-h264"):
        clip = write_simulation(Scene.checked(scene, where="test"), tmp_path / name, format=name)
        found = poolwatch.measure_clip(clip, record_rate_hz=10_000.0, mm_per_px=0.03, exposure_s=4e-5)
        lossy = name == "mkv-h264"
        if not lossy:
            spread = found.run["look"]["psf_sigma_px"]
        assert ("lossy_video" in found.flags) is lossy
        told = [f.value for f in inspect_clip(clip, quick=True).findings if f.name == "compression"]
        assert told == (["with loss"] if lossy else [])
        sizes[name] = found.score["spatter_d50_mm"].iloc[0]
        # A spread learned from bent pictures is not as sure as they agree.
        unsure[name] = (found.spatter["diameter_u_mm"] / found.spatter["diameter_mm"]).median()
    assert sizes["mkv-ffv1"] == pytest.approx(0.075, rel=0.05)
    # What the flag says: a tenth to a third, and what helps. Where sizing learns better, so must its words.
    assert 1.05 < sizes["mkv-h264"] / sizes["mkv-ffv1"] < 1.4
    assert unsure["mkv-ffv1"] < 0.02
    assert (sizes["mkv-h264"] / 0.075 - 1) / unsure["mkv-h264"] < 3
    given = MeasureSettings.checked({"spatter": {"psf_sigma_px": spread}}, where="test")
    mended = poolwatch.measure_clip(
        tmp_path / "mkv-h264" / "clip.mkv",
        record_rate_hz=10_000.0,
        mm_per_px=0.03,
        exposure_s=4e-5,
        settings=given,
    )
    assert mended.score["spatter_d50_mm"].iloc[0] == pytest.approx(0.075, rel=0.05)
