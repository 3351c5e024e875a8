"""What the settings hide is as if it were not in the picture."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

import poolwatch
from poolwatch.measure import MeasureSettings, read_settings
from poolwatch.measure.inspection import inspect_clip
from poolwatch.measure.settings import settings_id
from poolwatch.model.errors import MeasurementError, UsageError
from poolwatch.model.recording import Recording
from poolwatch.simulate import Scene, Simulation

pytestmark = pytest.mark.slow

SCENE = {
    "frames": 240,
    "seed": 61,
    "camera": {"width": 240, "height": 130, "mm_per_px": 0.025, "exposure_s": 2e-5},
    "pool": {"length": {"noise_sd": 0.03}, "width": {"noise_sd": 0.02}},
    "spatter": {"rate_per_s": 900, "diameter_mm": 0.12},
}
FACTS = {"record_rate_hz": 10_000.0, "mm_per_px": 0.025, "travel_speed_mm_s": 100.0, "exposure_s": 2e-5}
BARS = [[0, 0, 16, 130], [224, 0, 240, 130]]
CLAMP = (slice(106, 130), slice(60, 150))


def write(folder, name, frames):
    path = folder / name
    np.save(path, frames)
    return path


@pytest.fixture(scope="module")
def clips(tmp_path_factory):
    """The clip as it is, and with bright bars and a clamp that glows in the keyhole's flicker."""
    folder = tmp_path_factory.mktemp("view")
    frames = Simulation(Scene.checked(SCENE, where="test")).frames(0, 240).astype(np.uint8)
    spoiled = frames.copy()
    for left, top, right, bottom in BARS:
        spoiled[:, top:bottom, left:right] = 230
    flicker = np.random.default_rng(5).normal(1, 0.2, 240).clip(0.4, 1.4)
    yy, xx = np.mgrid[:24, :90]
    glow = 170 * np.exp(-(((xx - 45) / 30) ** 2) - ((yy - 14) / 9) ** 2) + 60
    spoiled[:, *CLAMP] = np.clip(flicker[:, None, None] * glow, 0, 255)
    mask = np.zeros((130, 240, 3), dtype=np.uint8)
    mask[(*CLAMP, 1)] = 255
    cv2.imwrite(str(folder / "clamp.png"), mask)
    (folder / "view.toml").write_text(f'[view]\nmask = "clamp.png"\nhide = {BARS}\n', encoding="utf-8")
    return folder, write(folder, "plain.npy", frames), write(folder, "spoiled.npy", spoiled)


def test_bars_and_a_glowing_clamp_are_as_if_they_were_not_there(clips):
    folder, plain, spoiled = clips
    settings = read_settings(folder / "view.toml")
    # The particles that fly behind the clamp are lost: the plain clip is measured with the same part hidden too.
    whole, hidden, bare = (
        poolwatch.measure_clip(plain, **FACTS),
        poolwatch.measure_clip(spoiled, settings=settings, **FACTS),
        poolwatch.measure_clip(plain, settings=settings, **FACTS),
    )
    both = (whole.frames["status"] == "ok") & (hidden.frames["status"] == "ok")
    assert both.mean() > 0.97
    for name in ("pool_length_mm", "pool_width_mm"):
        difference = (hidden.frames[name] - whole.frames[name])[both] / 0.025
        assert abs(difference.mean()) < 0.02, name
        assert difference.std() < 0.1, name
    count = [int(m.score["spatter_count"].iloc[0]) for m in (whole, bare, hidden)]
    assert count[0] > 10
    assert abs(count[2] - count[1]) <= 0.15 * count[1]
    assert hidden.score["settings_id"].iloc[0] != whole.score["settings_id"].iloc[0]


@pytest.mark.long
def test_without_the_mask_they_do_harm(clips):
    _, _, spoiled = clips
    try:
        found = poolwatch.measure_clip(spoiled, **FACTS)
    except MeasurementError:
        return
    length = found.frames["pool_length_mm"].median() / 0.025
    assert (found.frames["status"] == "ok").mean() < 0.9 or abs(length - 96) > 1


def test_an_outline_along_what_is_hidden_is_cut_off(clips):
    _, plain, _ = clips
    short = write(plain.parent, "short.npy", np.load(plain)[:60])
    values = {"view": {"hide": [[30, 30, 80, 100]]}, "spatter_on": False}
    with pytest.raises(MeasurementError, match=r"only 0 of 60 frames could be measured \(60 .*view.region"):
        poolwatch.measure_clip(short, settings=MeasureSettings.checked(values, where="test"), **FACTS)


def test_the_mask_counts_by_its_content(clips, tmp_path):
    folder, _, _ = clips
    recording = Recording(record_rate_hz=10_000)
    for place in (tmp_path / "a", tmp_path / "b"):
        place.mkdir()
        (place / "view.toml").write_text('[view]\nmask = "m.png"\n', encoding="utf-8")
        (place / "m.png").write_bytes((folder / "clamp.png").read_bytes())
    a, b = (read_settings(tmp_path / name / "view.toml") for name in "ab")
    assert a.fingerprint() == b.fingerprint()
    assert settings_id(a, recording) == settings_id(b, recording)
    cv2.imwrite(str(tmp_path / "b" / "m.png"), np.ones((130, 240), dtype=np.uint8))
    assert a.fingerprint() != b.fingerprint()
    assert settings_id(a, recording) != settings_id(b, recording)


@pytest.mark.parametrize(
    ("view", "message"),
    [
        ({"mask": "none.png"}, r"none\.png: cannot be read \(No such file"),
        ({"mask": "view.toml"}, r"view\.toml: is no picture"),
        ({"mask": "small.png"}, r"is 20 x 10 px, the picture 240 x 130 px"),
        ({"hide": [[0, 0, 241, 5]]}, r"\[0, 0, 241, 5\] reaches out of the picture of 240 x 130"),
        ({"hide": [[0, 0, 240, 125]]}, r"hide 96% of the region"),
    ],
)
def test_what_does_not_fit_is_refused(clips, view, message):
    folder, plain, _ = clips
    cv2.imwrite(str(folder / "small.png"), np.ones((10, 20), dtype=np.uint8))
    view = {key: str(folder / value) if key == "mask" else value for key, value in view.items()}
    settings = MeasureSettings.checked({"view": view}, where="test")
    with pytest.raises(UsageError, match=message):
        poolwatch.measure_clip(plain, settings=settings, **FACTS)


def test_a_rectangle_turned_over_is_refused():
    with pytest.raises(UsageError, match="each rectangle of hide must be left, top, right, bottom"):
        MeasureSettings.checked({"view": {"hide": [[5, 0, 5, 9]]}}, where="test")


@pytest.mark.parametrize(("height", "width"), [(1, 1), (3, 3), (30, 1), (15, 200)])
def test_pictures_too_small_for_a_pool_are_refused(tmp_path, height, width):
    frames = np.random.default_rng(3).integers(0, 255, (60, height, width)).astype(np.uint8)
    path = write(tmp_path, "small.npy", frames)
    with pytest.raises(MeasurementError, match=f"of {width} x {height} px are too small to hold a pool"):
        poolwatch.measure_clip(path, **FACTS)
    with pytest.raises(MeasurementError, match="Record at least 16 px each way"):
        inspect_clip(path)
