"""The outline's frame around the fit: what is cut out of the picture to be looked at must not show in the figures."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from poolwatch.model.errors import MeasurementError
from poolwatch.pool import PoolSettings, find_pools, learn_pool

RIGHT = (1.0, 0.0)
SETTINGS = PoolSettings()
HALF_LENGTH, HALF_WIDTH = 30.0, 18.0


def pictures(places, dtype=np.uint8, blur=1.2, shape=(110, 240)):
    """Ellipses about places (x, y), drawn four times as finely; noise of one grey value."""
    rng = np.random.default_rng(7)
    # Light blurs into the picture from beyond its border too.
    h, w = shape[0] + 32, shape[1] + 32
    yy, xx = np.mgrid[: 4 * h, : 4 * w] / 4 - 16.375
    out = []
    for x, y in places:
        inside = ((xx - x) / HALF_LENGTH) ** 2 + ((yy - y) / HALF_WIDTH) ** 2 <= 1
        light = inside.reshape(h, 4, w, 4).mean(axis=(1, 3))
        out.append(gaussian_filter(20 + 120 * light, blur)[16:-16, 16:-16] + rng.normal(0, 1, shape))
    return np.round(out).astype(dtype)


@pytest.fixture(scope="module")
def look():
    rng = np.random.default_rng(2)
    sample = pictures(np.array((110.0, 55.0)) + rng.normal(0, 0.5, (12, 2)))
    found = learn_pool(sample, 255.0, forward=RIGHT, settings=SETTINGS)
    assert not found.moves
    return found


@pytest.mark.parametrize("gap", [0.5, 1.5, 3.0, 6.0, 12.0])
def test_a_pool_that_comes_to_the_border_of_the_crop_is_seen_whole(look, gap):
    """As far as the crop reaches, and a little less: the picture goes on beyond it."""
    top, bottom, left, right = look.box
    assert 0 < top < bottom < 110
    assert 0 < left < right < 240
    ends = {
        "front": (right - 1 - gap - HALF_LENGTH, 55.0),
        "rear": (left + gap + HALF_LENGTH, 55.0),
        "right": (110.0, bottom - 1 - gap - HALF_WIDTH),
        "left": (110.0, top + gap + HALF_WIDTH),
    }
    frames = pictures(ends.values())
    pools = find_pools(frames, look, forward=RIGHT, settings=SETTINGS)
    whole = find_pools(frames, replace(look, box=(0, 110, 0, 240)), forward=RIGHT, settings=SETTINGS)
    for pool, due, (x, y) in zip(pools, whole, ends.values(), strict=True):
        assert pool.status == due.status == "ok"
        # The level of the coarse contour is told by every other pixel, from the crop's corner on.
        for name in ("front", "rear", "left", "right"):
            assert getattr(pool, name) == pytest.approx(getattr(due, name), abs=0.02), name
        assert (pool.front, pool.rear) == pytest.approx((x + HALF_LENGTH, x - HALF_LENGTH), abs=0.15)
        assert (pool.left, pool.right) == pytest.approx((-y + HALF_WIDTH, -y - HALF_WIDTH), abs=0.15)


@pytest.mark.slow
@pytest.mark.parametrize("blur", [0.7, 1.2, 2.0, 3.0])
@pytest.mark.parametrize("direction", range(4))
def test_an_outline_beside_the_border_is_cut_off_or_right(blur, direction):
    """An edge whose foot lies beyond the border is found too far inside: up to two pixels in a blurred picture."""
    rng = np.random.default_rng(5)
    x, y = 60.0, 50.0
    usual = np.array((x, y)) + rng.normal(0, 0.5, (12, 2))
    gaps = np.array((0.1, 0.3, 0.6, 0.9, 1.2, 1.6, 2.0, 2.5, 3.0, 4.0, 5.0, 7.0, 9.0))
    # The left end comes to the border; then the picture is turned.
    places = np.column_stack(
        (np.append(usual[:, 0], gaps + HALF_LENGTH), np.append(usual[:, 1], np.full(13, y)))
    )
    frames = np.ascontiguousarray(np.rot90(pictures(places, blur=blur, shape=(100, 130)), direction, (1, 2)))
    forward = ((-1.0, 0.0), (0.0, 1.0), (1.0, 0.0), (0.0, -1.0))[direction]
    look = learn_pool(frames[:12], 255.0, forward=forward, settings=SETTINGS)
    pools = find_pools(frames[12:], look, forward=forward, settings=SETTINGS)
    origin = {0: 0.0, 1: 129.0, 2: 129.0, 3: 0.0}[direction]
    for gap, pool in zip(gaps, pools, strict=True):
        assert pool.status == (
            "cut_off" if gap < 1.3 * look.sigma else "ok" if gap > 1.8 * look.sigma else pool.status
        )
        if pool.status == "ok":
            assert pool.front == pytest.approx(origin - gap, abs=max(0.15, 0.1 * look.sigma))


def test_8_bits_kept_in_16_give_the_same_figures(look):
    places = np.array((110.0, 55.0)) + np.random.default_rng(3).normal(0, 4, (9, 2))
    frames = pictures(places)
    frames[2] = frames[2] // 3
    frames[4] = 0
    frames[5] = 255
    narrow, wide = (
        find_pools(kind, look, forward=RIGHT, settings=SETTINGS)
        for kind in (frames, frames.astype(np.uint16))
    )
    assert narrow.status == wide.status
    assert {"ok", "dark", "blown"} <= set(narrow.status)
    assert narrow.figures.tobytes() == wide.figures.tobytes()
    assert all((a == b).all() for a, b in zip(narrow.outlines, wide.outlines, strict=True))


def test_a_frame_is_measured_by_itself(look):
    frames = pictures(np.array((110.0, 55.0)) + np.random.default_rng(4).normal(0, 4, (6, 2)))
    frames[3] //= 4
    together = find_pools(frames, look, forward=RIGHT, settings=SETTINGS)
    wanted = np.array([True, False, True, True, False, True])
    some = find_pools(frames, look, forward=RIGHT, settings=SETTINGS, wanted=wanted)
    for i, frame in enumerate(frames):
        alone = find_pools(frame[None], look, forward=RIGHT, settings=SETTINGS)
        assert alone.status[0] == together.status[i]
        assert alone.figures[0].tobytes() == together.figures[i].tobytes()
        if wanted[i]:
            assert some.figures[i].tobytes() == together.figures[i].tobytes()
        else:
            assert some.status[i] == "dark"
            assert np.isnan(some.figures[i]).all()
            assert len(some.outlines[i]) == 0


@pytest.mark.parametrize("shape", [(1, 240), (240, 1), (2, 240), (1, 1), (0, 30), (4, 20)])
def test_frames_too_small_for_any_pool_are_refused(shape):
    sample = np.random.default_rng(1).integers(0, 200, (12, *shape)).astype(np.uint8)
    with pytest.raises(MeasurementError, match=f"frames of {shape[1]} x {shape[0]} px are too small"):
        learn_pool(sample, 255.0, forward=RIGHT, settings=SETTINGS)


def test_a_single_frame_is_no_sample():
    with pytest.raises(ValueError, match=r"shape \(n, h, w\), got \(110, 240\)"):
        learn_pool(pictures([(110.0, 55.0)])[0], 255.0, forward=RIGHT, settings=SETTINGS)
