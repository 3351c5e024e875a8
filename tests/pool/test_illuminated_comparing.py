"""What comparing frames leaves of each pixel, masks and weights: kernels against OpenCV and plain NumPy."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from poolwatch.pool.illuminated.comparing import KEPT, WINDOW, agreed, judge, nothing_compared, prepared
from poolwatch.pool.illuminated.discs import closed_by, disc, opened_by
from poolwatch.pool.illuminated.evidence import BINS, BRIGHTEST, SOFT, MetalLight, weigh
from poolwatch.pool.illuminated.metal_tone import plain_lighting
from poolwatch.pool.illuminated.region import liquid_in

RNG = np.random.default_rng(41)
BOX = (5, 42, 3, 54)
H, W = 37, 51


def test_the_best_comparisons_of_each_pixel_are_kept_in_order():
    frame = RNG.integers(20, 200, (60, 70)).astype(np.uint8)
    value, weight = prepared(frame, BOX, 30.0, 0.2)
    np.testing.assert_array_equal(value, frame[5:42, 3:54])
    np.testing.assert_allclose(weight, 1 / np.sqrt(30 + 0.2 * value), rtol=1e-6)
    kept = nothing_compared(H, W)
    windows, singles = [], []
    # The second and third cover a part of the box only.
    for gain, valid in (
        (1.0, (0, H, 0, W)),
        (0.9, (4, H, 0, W - 7)),
        (1.1, (0, H - 3, 9, W)),
        (1.02, (0, H, 0, W)),
    ):
        a, b, c, d = valid
        read = (value[a:b, c:d] + RNG.normal(0, 8, (b - a, d - c))).astype(np.float32)
        judge(value, weight, read, valid, gain, kept)
        share = np.full((H, W), 2.0, dtype=np.float32)
        e = ((value[a:b, c:d] - gain * read) * weight[a:b, c:d]) ** 2
        share[a:b, c:d] = e / (e + SOFT)
        windows.append(cv2.blur(share, (WINDOW, WINDOW), borderType=cv2.BORDER_REPLICATE))
        singles.append(np.where(share > 1.0, 0.0, share))
    order = np.argsort(windows, axis=0)
    for k in range(1, KEPT + 1):
        window, single = agreed(kept, k)
        nth = order[k - 1 : k]
        np.testing.assert_allclose(window, np.take_along_axis(np.array(windows), nth, 0)[0], atol=1e-5)
        np.testing.assert_allclose(single, np.take_along_axis(np.array(singles), nth, 0)[0], atol=1e-5)


def test_nothing_is_known_before_the_first_comparison():
    window, single = agreed(nothing_compared(4, 6), KEPT)
    assert (window == 2.0).all()
    assert (single == 0.0).all()


@pytest.mark.parametrize("width", [1, 3, 7, 11, 17])
@pytest.mark.parametrize("shape", [(60, 90), (91, 64), (5, 40), (3, 3), (1, 30)])
def test_masks_are_closed_and_opened_as_opencv_does(width, shape):
    ellipse = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (width, width))
    assert (2 * disc(width) + 1).tolist() == ellipse.sum(axis=1).tolist()
    for spread in (0.8, 2.0, 4.0):
        field = cv2.GaussianBlur(RNG.standard_normal(shape), (0, 0), spread)
        mask = (field > np.median(field)).astype(np.uint8)
        before = mask.copy()
        padded = cv2.copyMakeBorder(mask, width, width, width, width, cv2.BORDER_CONSTANT, value=0)
        due = cv2.morphologyEx(padded, cv2.MORPH_CLOSE, ellipse)[width:-width, width:-width]
        np.testing.assert_array_equal(closed_by(mask, disc(width)), due)
        np.testing.assert_array_equal(
            opened_by(mask, disc(width)), cv2.morphologyEx(mask, cv2.MORPH_OPEN, ellipse)
        )
        np.testing.assert_array_equal(mask, before)


@pytest.mark.parametrize("shape", [(40, 60), (2, 9), (9, 2), (1, 5), (5, 1)])
def test_liquid_is_where_the_evidence_around_a_pixel_says_so(shape):
    weight = RNG.standard_normal(shape).astype(np.float32)
    mean = cv2.blur(weight, (3, 3), borderType=cv2.BORDER_REFLECT_101)
    clear = np.abs(mean) > 1e-6
    np.testing.assert_array_equal((liquid_in(weight) == 1)[clear], (mean > 0)[clear])


@pytest.mark.parametrize(
    "lighting", [(16000.0, 20.0, -35.0), (-4000.0, 900.0, 300.0), (60000.0, -700.0, -900.0)]
)
def test_evidence_is_looked_up_by_share_and_brightness(lighting):
    """Also where a plane through uneven light falls below 0 in a corner."""
    frame = RNG.integers(0, 65536, (60, 70)).astype(np.uint16)
    share = RNG.random((H, W)).astype(np.float32)
    share[:3, :4] = 2.0
    share[5, 5] = 1.0
    by_both = RNG.standard_normal((2, BINS + 1, BINS)).astype(np.float32)
    weight, bright = weigh(frame, BOX, share, 1.1, plain_lighting(lighting, frame.shape), by_both)
    row, column = np.mgrid[5:42, 3:54]
    middle = lighting[0] + lighting[1] * 34.5 + lighting[2] * 29.5
    light = np.maximum(lighting[0] + lighting[1] * column + lighting[2] * row, 0.2 * middle)
    np.testing.assert_allclose(bright, frame[5:42, 3:54] / (1.1 * BRIGHTEST * light), rtol=1e-5)
    # What is brighter than the last bin counts as the last; an unknown share has a row of its own.
    tone = np.minimum((bright * np.float32(BINS)).astype(int), BINS - 1)
    unexplained = np.where(share <= 1.0, np.minimum((share * BINS).astype(int), BINS - 1), BINS)
    np.testing.assert_array_equal(weight, np.clip(by_both[0] - by_both[1], -4.0, 4.0)[unexplained, tone])
    # Metal counts by what it shows at its place, liquid does not.
    places = RNG.uniform(-0.3, 0.3, frame.shape).astype(np.float32)
    placed, same = weigh(frame, BOX, share, 1.1, MetalLight(lighting, places), by_both)
    np.testing.assert_array_equal(same, bright)
    against = np.maximum(bright - places[5:42, 3:54] * np.float32(1 / BRIGHTEST), 0)
    other = np.minimum((against * np.float32(BINS)).astype(int), BINS - 1)
    expected = np.clip(by_both[0][unexplained, tone] - by_both[1][unexplained, other], -4.0, 4.0)
    # But for roundings of a bin's border.
    assert np.mean(placed == expected) > 0.995
