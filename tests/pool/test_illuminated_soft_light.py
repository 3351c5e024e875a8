"""Soft light between two frames against its definition, put together from OpenCV's filters."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from poolwatch.pool.illuminated.soft_light import _medians, add_soft_light


@pytest.mark.parametrize("shape", [(1, 1), (3, 20), (17, 1), (40, 33)])
@pytest.mark.parametrize("spread", [1.0, 300.0])
def test_the_running_median_is_that_of_opencv(shape: tuple[int, int], spread: float) -> None:
    rng = np.random.default_rng(shape[0])
    levels = np.clip(rng.normal(128, spread, size=shape), 0, 255).astype(np.uint8)
    np.testing.assert_array_equal(_medians(np.pad(levels, 4, mode="edge")), cv2.medianBlur(levels, 9))


def defined(value: np.ndarray, read: np.ndarray, gain: float, variance: float) -> np.ndarray:
    """What `add_soft_light` gives where sides are multiples of 4 and all of the box is covered."""
    h, w = value.shape
    unit = 0.25 * np.sqrt(variance)
    small = cv2.resize(value - np.float32(gain) * read, (w // 4, h // 4), interpolation=cv2.INTER_AREA)
    median = cv2.medianBlur(np.clip(small / unit + 128.5, 0, 255).astype(np.uint8), 9)
    soft = (median.astype(np.float32) - 128) * np.float32(unit)
    soft = cv2.GaussianBlur(soft, (3, 3), 0, borderType=cv2.BORDER_REPLICATE)
    return np.float32(gain) * read + cv2.resize(soft, (w, h), interpolation=cv2.INTER_LINEAR)


@pytest.mark.parametrize("seed", range(3))
def test_light_is_added_as_it_is_defined(seed: int) -> None:
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[:80, :120]
    value = rng.normal(90, 6, size=(80, 120)).astype(np.float32) + (30 * np.sin(x / 20 + y / 30)).astype(
        np.float32
    )
    read = rng.normal(80, 6, size=(80, 120)).astype(np.float32)
    lit = read.copy()
    add_soft_light(value, lit, (0, 80, 0, 120), 1.1, 36.0)
    # A mean beside the rim between two steps may be rounded to either.
    off = np.abs(lit - defined(value, read, 1.1, 36.0))
    assert np.percentile(off, 99) < 1e-3
    assert off.max() < 1.5


def test_only_what_is_covered_takes_part() -> None:
    rng = np.random.default_rng(4)
    value = rng.normal(90, 6, size=(83, 121)).astype(np.float32)
    read = rng.normal(80, 6, size=(80, 110)).astype(np.float32)
    lit, again = read.copy(), read.copy()
    add_soft_light(value, lit, (3, 83, 6, 116), 1.0, 36.0)
    assert abs(float((value[3:83, 6:116] - lit).mean())) < 0.3
    value[:3], value[:, :6], value[:, 116:] = np.nan, np.nan, np.nan
    add_soft_light(value, again, (3, 83, 6, 116), 1.0, 36.0)
    np.testing.assert_array_equal(lit, again)


def test_nothing_covered_is_nothing_done() -> None:
    add_soft_light(np.ones((8, 8), np.float32), np.zeros((0, 0), np.float32), (0, 0, 0, 0), 1.0, 4.0)
