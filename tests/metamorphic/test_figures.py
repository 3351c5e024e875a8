"""What must not change does not: one simulated weld, its frames changed in ways that leave the weld the same."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

import poolwatch
from poolwatch.measure import Measurement, MeasureSettings
from poolwatch.simulate import Scene, write_simulation

SCENE = {
    "frames": 600,
    "seed": 404,
    "camera": {"width": 160, "height": 96, "mm_per_px": 0.04, "exposure_s": 2e-5},
    "pool": {
        "length": {"tones": [{"frequency_hz": 410, "amplitude": 0.04}], "noise_sd": 0.02},
        "width": {"tones": [{"frequency_hz": 700, "amplitude": 0.03}], "noise_sd": 0.01},
    },
    "keyhole": {"brightness": 0.6, "motion": {"noise_sd": 0.03}},
    "spatter": {"rate_per_s": 300, "diameter_mm": 0.16},
}
FACTS = {"record_rate_hz": 10_000.0, "mm_per_px": 0.04, "travel_speed_mm_s": 100.0, "exposure_s": 2e-5}
SIGNALS = ("pool_length", "pool_width", "pool_area", "keyhole_brightness")
Frames = NDArray[np.uint8]


@pytest.fixture(scope="module")
def frames(tmp_path_factory: pytest.TempPathFactory) -> Frames:
    path = write_simulation(Scene.checked(SCENE, where="test"), tmp_path_factory.mktemp("weld"), format="npy")
    return np.load(path)


def measure(
    folder: Path, frames: Frames, settings: dict[str, Any] | None = None, **facts: Any
) -> Measurement:
    np.save(folder / "clip.npy", frames)
    chosen = MeasureSettings.checked(settings or {}, where="test")
    return poolwatch.measure_clip(folder / "clip.npy", settings=chosen, **{**FACTS, **facts})


@pytest.fixture(scope="module")
def plain(frames: Frames, tmp_path_factory: pytest.TempPathFactory) -> Measurement:
    found = measure(tmp_path_factory.mktemp("plain"), frames)
    assert (found.frames["status"] == "ok").mean() > 0.98
    return found


def sizes_of(frame: Any) -> Any:
    return frame[["pool_length_mm", "pool_width_mm"]].to_numpy()


def row(one: Measurement) -> Any:
    return one.score.iloc[0]


def same_weld(
    one: Measurement, other: Measurement, *, px: float = 0.1, share: float = 0.25, index: bool = True
) -> None:
    """The same outline in the mean within `px`, and figures that differ by a `share` of their intervals."""
    a, b = row(one), row(other)
    for name in ("pool_length_mean_mm", "pool_width_mean_mm"):
        assert b[name] == pytest.approx(a[name], abs=px * 0.04), name
    for name in SIGNALS:
        half = (a[f"{name}_cv_high"] - a[f"{name}_cv_low"]) / 2
        assert abs(b[f"{name}_cv"] - a[f"{name}_cv"]) <= share * half, name
    half = (a["stability_index_high"] - a["stability_index_low"]) / 2
    assert not index or abs(b["stability_index"] - a["stability_index"]) <= share * half


TURNS = {
    "mirrored left to right": (lambda f: f[:, :, ::-1], 180.0),
    "mirrored top to bottom": (lambda f: f[:, ::-1], 0.0),
    "a quarter turn counter-clockwise": (lambda f: np.rot90(f, 1, (1, 2)), 90.0),
    "half a turn": (lambda f: f[:, ::-1, ::-1], 180.0),
}


@pytest.mark.often("half a turn")
@pytest.mark.parametrize("how", sorted(TURNS))
def test_turned_with_its_direction(how: str, frames: Frames, plain: Measurement, tmp_path: Path) -> None:
    turn, direction = TURNS[how]
    found = measure(tmp_path, np.ascontiguousarray(turn(frames)), travel_direction_deg=direction)
    same_weld(plain, found)
    both = (plain.frames["status"] == "ok") & (found.frames["status"] == "ok")
    assert both.mean() > 0.97
    difference = (sizes_of(found.frames) - sizes_of(plain.frames))[both] / 0.04
    assert np.sqrt((difference**2).mean()) < 0.1  # px
    assert len(found.spatter) == pytest.approx(len(plain.spatter), abs=max(1, 0.1 * len(plain.spatter)))


@pytest.mark.long
def test_played_backwards(frames: Frames, plain: Measurement, tmp_path: Path) -> None:
    found = measure(tmp_path, frames[::-1])
    # What flies into the pool has not left it, so that the parts of the index that count particles differ.
    same_weld(plain, found, index=False)
    assert len(plain.spatter) >= 8
    assert len(found.spatter) <= 1
    for signal in ("pool_length", "pool_width"):
        spectra = [one.spectra[one.spectra["signal"] == signal] for one in (plain, found)]
        power = [np.interp(np.arange(100, 2000, 20), s["frequency_hz"], s["psd"]) for s in spectra]
        strong = power[0] > 0.02 * power[0].max()
        assert np.abs(np.log(power[1][strong] / power[0][strong])).max() < 0.35, signal
        assert row(found)[f"{signal}_peak_hz"] == pytest.approx(row(plain)[f"{signal}_peak_hz"], abs=10)


@pytest.mark.long
def test_gain_halved(frames: Frames, plain: Measurement, tmp_path: Path) -> None:
    found = measure(tmp_path, np.rint(frames / 2).astype(np.uint8))
    same_weld(plain, found)
    mean = row(plain)["keyhole_brightness_mean"]
    assert row(found)["keyhole_brightness_mean"] == pytest.approx(mean / 2, rel=0.02)


@pytest.mark.long
def test_offset_added(frames: Frames, plain: Measurement, tmp_path: Path) -> None:
    # A black level raises brightness, so that its share of fluctuation falls; the outline stays where it is.
    halved = np.rint(frames / 2).astype(np.uint8)
    one, other = tmp_path / "one", tmp_path / "other"
    one.mkdir()
    other.mkdir()
    a, b = row(measure(one, halved)), row(measure(other, halved + 20))
    for name in ("pool_length_mean_mm", "pool_width_mean_mm"):
        assert b[name] == pytest.approx(a[name], abs=0.1 * 0.04), name
    for name in ("pool_length", "pool_width", "pool_area"):
        half = (a[f"{name}_cv_high"] - a[f"{name}_cv_low"]) / 2
        assert abs(b[f"{name}_cv"] - a[f"{name}_cv"]) <= 0.25 * half, name
    assert b["keyhole_brightness_mean"] == pytest.approx(a["keyhole_brightness_mean"] + 20 / 255, abs=0.004)


@pytest.mark.long
def test_cropped(frames: Frames, plain: Measurement, tmp_path: Path) -> None:
    region = (8, 8, 152, 88)
    found = measure(tmp_path, frames, {"view": {"region": region}})
    same_weld(plain, found)
    left, top, right, bottom = region
    (tmp_path / "cut").mkdir()
    cut = measure(tmp_path / "cut", frames[:, top:bottom, left:right])
    # The region only says where to look: the same pixels give the same figures.
    np.testing.assert_allclose(sizes_of(cut.frames), sizes_of(found.frames), rtol=1e-6)


@pytest.mark.long
def test_cut_in_two_and_joined(frames: Frames, plain: Measurement, tmp_path: Path) -> None:
    parts = []
    for n, piece in enumerate((frames[:300], frames[300:])):
        (tmp_path / str(n)).mkdir()
        parts.append(measure(tmp_path / str(n), piece))
    joined = np.concatenate([sizes_of(part.frames) for part in parts])
    ok = np.isfinite(joined).all(axis=1) & np.isfinite(sizes_of(plain.frames)).all(axis=1)
    assert ok.mean() > 0.97
    difference = (joined - sizes_of(plain.frames))[ok] / 0.04
    assert np.sqrt((difference**2).mean()) < 0.1  # px: each half learns its own background
    for name in ("pool_length", "pool_width"):
        for part in parts:
            a, b = row(plain), row(part)
            assert b[f"{name}_cv_low"] < a[f"{name}_cv_high"]
            assert b[f"{name}_cv_high"] > a[f"{name}_cv_low"]


@pytest.mark.long
def test_doubled_in_length(frames: Frames, plain: Measurement, tmp_path: Path) -> None:
    # Forwards and backwards, so that nothing jumps where the two meet.
    found = measure(tmp_path, np.concatenate([frames, frames[::-1][1:]]))
    same_weld(plain, found, share=1.0)
    for name in ("pool_length", "pool_width"):
        a, b = row(plain), row(found)
        assert b[f"{name}_cv_high"] - b[f"{name}_cv_low"] < 1.05 * (
            a[f"{name}_cv_high"] - a[f"{name}_cv_low"]
        )


@pytest.mark.long
def test_repeated_frames_are_flagged_and_left_out(frames: Frames, plain: Measurement, tmp_path: Path) -> None:
    doubled = frames.copy()
    doubled[100:500:40] = doubled[99:499:40]
    found = measure(tmp_path, doubled)
    assert "repeated_frames" in found.flags
    assert found.frames.index[found.frames["status"] == "repeated"].tolist() == list(range(100, 500, 40))
    same_weld(plain, found, share=0.5)


@pytest.mark.long
def test_a_wrong_record_rate_moves_every_frequency_alike(
    frames: Frames, plain: Measurement, tmp_path: Path
) -> None:
    found = measure(tmp_path, frames, record_rate_hz=5_000.0)
    peak = row(plain)["pool_length_peak_hz"]
    assert row(found)["pool_length_peak_hz"] == pytest.approx(peak / 2, rel=0.02)
    assert row(found)["pool_length_mean_mm"] == pytest.approx(row(plain)["pool_length_mean_mm"], rel=1e-3)


@pytest.fixture(scope="module")
def lit(tmp_path_factory: pytest.TempPathFactory) -> Path:
    scene = {
        "kind": "illuminated",
        "frames": 120,
        "seed": 72,
        "travel_speed_mm_s": 120.0,
        "camera": {
            "width": 200,
            "height": 130,
            "mm_per_px": 0.03,
            "exposure_s": 2e-5,
            "direction_deg": 180.0,
        },
        "pool": {"length": {"noise_sd": 0.02}, "width": {"noise_sd": 0.01}},
    }
    return write_simulation(Scene.checked(scene, where="test"), tmp_path_factory.mktemp("lit"), format="npy")


@pytest.mark.often("said2")
@pytest.mark.parametrize(
    ("said", "flagged"),
    [
        ({}, False),
        ({"record_rate_hz": 5_000.0}, True),
        ({"record_rate_hz": 11_000.0}, True),
        ({"mm_per_px": 0.033}, True),
        # Both twice as large: the metal moves as said, so nothing in the clip contradicts it.
        ({"record_rate_hz": 20_000.0, "travel_speed_mm_s": 240.0}, False),
    ],
)
def test_a_record_rate_that_the_moving_metal_contradicts_is_flagged(
    said: dict[str, float], flagged: bool, lit: Path
) -> None:
    facts = {"record_rate_hz": 10_000.0, "mm_per_px": 0.03, "travel_speed_mm_s": 120.0} | said
    found = poolwatch.measure_clip(lit, travel_direction_deg=180.0, **facts)
    assert ("scale_disagrees" in found.flags) is flagged
