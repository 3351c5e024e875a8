"""The edge fit against closed forms and the limit that noise sets."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest

from poolwatch.pool.coarse import _may_have_necks, cut_necks, largest_region, polygon_mean
from poolwatch.pool.curve import normals_curvature, resample
from poolwatch.pool.matching import match_place, match_slopes, step_tables
from poolwatch.pool.step import StepTop, StepWindow, fit_step

REACH = 12

# Nothing is clipped.
WHOLE = StepTop(0, 100.0, 0.0)


def profile(place, sigma, height=100.0, base=20.0, inner=0.0, outer=0.0):
    s = np.arange(-REACH, REACH + 1) - place
    z = s / sigma
    tail = np.array([0.5 * math.erfc(v / math.sqrt(2)) for v in z])
    density = np.exp(-0.5 * z**2) / math.sqrt(2 * math.pi)
    ramp = s * tail - sigma * density
    return base + height * tail + inner * ramp + outer * (s - ramp)


@pytest.mark.slow
@pytest.mark.parametrize("place", [-1.3, -0.5, 0.0, 0.21, 0.77])
@pytest.mark.parametrize("sigma", [0.8, 1.2, 2.5])
@pytest.mark.parametrize(("inner", "outer"), [(0.0, 0.0), (-2.0, 0.0), (-1.0, -1.5)])
def test_noiseless_step_is_found_exactly(place, sigma, inner, outer):
    window = StepWindow(float(round(place)), REACH, 2.5 * sigma + 1.5, sigma)
    fit = fit_step(profile(place, sigma, inner=inner, outer=outer), window, WHOLE, (0.0, 0.0), True)
    assert fit.held
    assert fit.place == pytest.approx(place, abs=2e-3)
    assert fit.height == pytest.approx(100.0, rel=5e-3)
    assert (fit.inner, fit.outer) == pytest.approx((inner, outer), abs=0.05)


@pytest.mark.parametrize("place", [-1.3, -0.6, 0.0, 0.21, 0.77])
@pytest.mark.parametrize("sigma", [0.6, 1.1, 2.5])
@pytest.mark.parametrize(("inner", "outer"), [(0.0, 0.0), (-2.0, 0.0), (-1.0, -1.5)])
def test_tables_find_a_noiseless_step_exactly(place, sigma, inner, outer):
    tables = step_tables(sigma, 60.0)
    values = profile(place, sigma, inner=inner, outer=outer)
    found, height, ok = match_place(values, place + 0.4, REACH, tables[0], inner, outer)
    assert ok
    # What is left out of a step from the nearest place of the grid.
    assert found == pytest.approx(place, abs=4e-4 / min(sigma, 1.0))
    assert height == pytest.approx(100.0, rel=1e-4)
    tall, ok, found_inner, found_outer = match_slopes(values, place - 0.3, REACH, tables[1], np.empty((7, 5)))
    assert ok
    assert tall == pytest.approx(100.0, rel=2e-3)
    assert (found_inner, found_outer) == pytest.approx((inner, outer), abs=0.02)


def test_fit_by_tables_equals_the_general_one():
    """In noise, over the same samples: what both find differs by far less than either errs."""
    rng = np.random.default_rng(3)
    differences, errors = [], []
    for _ in range(200):
        place = rng.uniform(-0.5, 0.5)
        values = profile(place, 1.1, inner=-1.5, outer=-0.5) + rng.normal(0, 1, 2 * REACH + 1)
        table = step_tables(1.1, 60.0)[0]
        found, _, ok = match_place(values, 0.0, REACH, table, -1.5, -0.5)
        due = fit_step(values, StepWindow(0.0, REACH, float(table.half), 1.1), WHOLE, (-1.5, -0.5), False)
        assert ok
        assert due.held
        differences.append(found - due.place)
        errors.append(found - place)
    assert np.std(differences) < 0.02 * np.std(errors)


@pytest.mark.parametrize("place", [-0.7, 0.0, 0.4])
@pytest.mark.parametrize("height", [260.0, 340.0, 500.0])
def test_clipped_step_is_found_from_its_foot(place, height):
    # What is clipped is a lower limit; the foot alone tells place and height, an expectation 40 % off notwithstanding.
    values = profile(place, 1.2, height=height)
    seen = int(np.flatnonzero(values < 255.0)[0])
    clipped = np.minimum(values, 255.0)
    expected = StepTop(seen, 1.4 * height, 1e-6)
    fit = fit_step(clipped, StepWindow(0.5, REACH, 5.0, 1.2), expected, (0.0, 0.0), False)
    assert fit.held
    assert fit.place == pytest.approx(place, abs=0.02)
    assert fit.height == pytest.approx(height, rel=0.03)


def test_a_clipped_sample_is_no_less_than_full_scale():
    # Without what is clipped, a step that starts inside the clipped part would do; the lower limits refuse it.
    values = np.minimum(profile(1.0, 1.2, height=300.0), 255.0)
    seen = int(np.flatnonzero(values < 255.0)[0])
    expected = StepTop(seen, 100.0, 1e-3)
    fit = fit_step(values, StepWindow(1.0, REACH, 5.0, 1.2), expected, (0.0, 0.0), False)
    assert fit.held
    assert fit.place == pytest.approx(1.0, abs=0.2)
    assert fit.height > 200


def test_scatter_is_near_the_limit_of_noise():
    # One row, erf edge of height A and blur s: sd >= (noise / A) sqrt(2 sqrt(pi) s), 0.037656 px at A/noise = 50,
    # s = 1 (Cramer-Rao bound, closed form). Height and level are fitted as well, from few samples, which costs a part
    # of it.
    rng = np.random.default_rng(11)
    clean = profile(0.3, 1.0)
    window = StepWindow(0.0, REACH, 4.0, 1.0)
    found = [
        fit_step(clean + rng.normal(0, 2.0, clean.size), window, WHOLE, (0.0, 0.0), False).place
        for _ in range(3000)
    ]
    assert np.mean(found) == pytest.approx(0.3, abs=0.005)
    assert 0.0370 < np.std(found) < 1.3 * 0.037656


def test_no_step_is_no_edge():
    flat = np.full(2 * REACH + 1, 50.0)
    rising = np.linspace(10, 90, 2 * REACH + 1)
    for values in (flat, rising):
        assert not fit_step(values, StepWindow(0.0, REACH, 4.0, 1.0), WHOLE, (0.0, 0.0), True).held


@pytest.mark.slow
@pytest.mark.parametrize("sigma", [0.6, 1.1, 2.5])
@pytest.mark.parametrize(
    "values",
    [
        np.full(2 * REACH + 1, 50.0),
        np.zeros(2 * REACH + 1),
        np.linspace(10, 90, 2 * REACH + 1),
        profile(0.0, 1.1)[::-1],
        np.where(np.arange(2 * REACH + 1) == REACH, 60000.0, 0.0),
    ],
    ids=["flat", "black", "rising", "turned", "spike"],
)
def test_tables_find_no_edge_where_there_is_none(values, sigma):
    tables = step_tables(sigma, 60.0)
    for start in (-2.5, -0.4, 0.0, 1.5):
        found, height, ok = match_place(values, start, REACH, tables[0], 0.0, 0.0)
        assert not ok
        assert abs(found - start) <= 2.5
        assert height >= 0.0
        tall, ok, *slopes = match_slopes(values, start, REACH, tables[1], np.empty((7, 5)))
        assert not ok or values.max() == 60000.0
        assert np.isfinite([tall, *slopes]).all()


def test_tables_on_noise_give_a_place_nearby_or_none():
    """Nothing but noise of any size: never NaN, never further off than an edge may be."""
    rng = np.random.default_rng(12)
    room = np.empty((7, 5))
    for k in range(600):
        sigma = (0.6, 1.1, 2.5)[k % 3]
        tables = step_tables(sigma, 60.0)
        values = 10.0 ** rng.uniform(-9, 5) * rng.normal(size=2 * REACH + 1) + rng.uniform(0, 60000)
        start = float(rng.uniform(-2.5, 2.5))
        found, height, ok = match_place(values, start, REACH, tables[0], *rng.normal(size=2))
        assert abs(found - start) <= 3.2 if ok else math.isfinite(found)
        assert height > 0.0 if ok else height >= 0.0
        tall, ok, *slopes = match_slopes(values, start, REACH, tables[1], room)
        assert np.isfinite([tall, *slopes]).all()
        assert tall > 0.0 or not ok


def test_curvature_of_a_circle():
    t = np.linspace(0, 2 * np.pi, 400, endpoint=False)
    x, y = resample(50 + 20 * np.cos(t), 60 + 20 * np.sin(t), 192)
    _, _, nx, ny, curvature = normals_curvature(x, y, 1.0)
    assert curvature == pytest.approx(1 / 20, rel=0.01)
    assert nx == pytest.approx((x - 50) / 20, abs=0.01)
    assert ny == pytest.approx((y - 60) / 20, abs=0.01)


def _disc_and_neck(neck):
    yy, xx = np.mgrid[:120, :160]
    picture = ((xx - 60) / 40.0) ** 2 + ((yy - 60) / 25.0) ** 2 <= 1
    picture |= (xx - 112) ** 2 + (yy - 60) ** 2 <= 8**2
    picture |= (np.abs(yy - 60) <= neck / 2) & (xx > 90) & (xx < 110)
    return (picture * 200).astype(np.uint8)


def test_a_particle_on_a_neck_is_cut_off_and_a_pointed_tail_is_not():
    contour, _ = largest_region(_disc_and_neck(3), 100.0, 10)
    assert contour[:, 0].max() <= 108
    yy, xx = np.mgrid[:120, :200]
    wedge = (np.abs(yy - 60) <= np.clip((150 - xx) / 6.0, 0, 25)) & (xx > 20) & (xx < 150)
    picture = (wedge * 200).astype(np.uint8)
    contour, _ = largest_region(picture, 100.0, 10)
    assert contour[:, 0].max() == largest_region(picture, 100.0, 0)[0][:, 0].max() >= 145


def test_cutting_leaves_a_plain_contour_alone():
    t = np.linspace(0, 2 * np.pi, 300, endpoint=False)
    contour = np.round(np.column_stack((60 + 40 * np.cos(t), 60 + 20 * np.sin(t))))
    assert cut_necks(contour, 10.0).shape == contour.shape


def test_contours_passed_over_have_no_necks():
    """The quick look never passes over what the search would cut: ragged blobs, and two discs that touch or do not."""
    rng = np.random.default_rng(8)
    yy, xx = np.indices((70, 110))
    passed = cut = 0
    for k in range(120):
        if k % 3:
            y, r = 35 + rng.uniform(-9, 9), rng.uniform(8, 24)
            picture = (np.hypot(xx - 40, yy - 35) < 22) | (np.hypot(xx - 50 - rng.uniform(0, 28), yy - y) < r)
        else:
            picture = cv2.GaussianBlur(rng.normal(size=(70, 110)), (0, 0), float(rng.uniform(2, 7))) > 0
        contour, area = largest_region(np.uint8(200 * picture), 100.0, 0)
        neck = float(rng.uniform(4, 20))
        if area < 20:
            continue
        found = cut_by_search(contour, neck)
        if not _may_have_necks(contour, neck):
            passed += 1
            assert not found
        assert (len(cut_necks(contour, neck)) < len(contour)) == found
        cut += found
    assert passed > 20
    assert cut > 20


@pytest.mark.parametrize("wide", [4, 7, 12])
def test_a_neck_a_hair_narrower_than_the_limit_is_cut(wide):
    yy, xx = np.indices((70, 130))
    picture = (np.hypot(xx - 34, yy - 34) < 26) | (np.hypot(xx - 84, yy - 34) < 13)
    picture |= (yy >= 34 - wide // 2) & (yy <= 34 - wide // 2 + wide) & (xx > 34) & (xx < 84)
    contour, _ = largest_region(np.uint8(200 * picture), 100.0, 0)
    assert len(cut_necks(contour, wide * (1 + 1e-9))) < len(contour)
    assert len(cut_necks(contour, float(wide))) == len(contour)


def cut_by_search(contour, neck):
    """Whether any pair of places bounds a neck, by the rule of `cut_necks`, over all pairs."""
    m = len(contour)
    x, y = contour.T
    for i in range(0, m, 2):
        for k in range(6, m // 3 + 1):
            d = math.hypot(x[(i + k) % m] - x[i], y[(i + k) % m] - y[i])
            if 0.5 < d < min(neck, 0.5 * k):
                t = np.arange(1, k // 2)
                p, q = (i + t) % m, (i + k - t) % m
                if np.hypot(x[p] - x[q], y[p] - y[q]).max(initial=0.0) > 1.3 * d + 1.0:
                    return True
    return False


def test_mean_inside_a_polygon_counts_pixel_centres():
    # Gauss circle: 317 pixel centres lie within radius 10 (OEIS A000328).
    picture = np.zeros((64, 64), dtype=np.uint16)
    yy, xx = np.mgrid[:64, :64]
    inside = (xx - 30) ** 2 + (yy - 30) ** 2 <= 100
    assert inside.sum() == 317
    picture[inside] = 1000
    t = np.linspace(0, 2 * np.pi, 2000, endpoint=False)
    assert polygon_mean(picture, 30 + 10.02 * np.cos(t), 30 + 10.02 * np.sin(t)) == pytest.approx(
        1000, rel=1e-6
    )
    assert math.isnan(polygon_mean(picture, np.array([1.2, 1.4, 1.3]), np.array([1.2, 1.2, 1.4])))


def test_mean_inside_an_outline_that_crosses_each_row_many_times():
    # A comb of 15 teeth with its back below: 30 crossings a row.
    tooth = np.array([[0, 90.0], [0, 10.5], [3.1, 10.5], [3.1, 90.0]])
    teeth = [tooth + (5.3 + 6 * k, 0) for k in range(15)]
    comb = np.vstack([*teeth, [[95.5, 95.5], [2.5, 95.5]]])
    picture = np.random.default_rng(3).integers(0, 1000, (100, 100)).astype(np.uint16)
    picture[:, :50] += 20_000
    rows, cols = np.indices(picture.shape)
    inside = np.zeros(picture.shape, dtype=bool)
    for (x0, y0), (x1, y1) in zip(comb, np.roll(comb, -1, axis=0), strict=True):
        if y0 != y1:
            inside ^= ((y0 <= rows) != (y1 <= rows)) & (cols > x0 + (rows - y0) / (y1 - y0) * (x1 - x0))
    mean = polygon_mean(picture, comb[:, 0].copy(), comb[:, 1].copy())
    assert mean == pytest.approx(float(picture[inside].mean()), rel=1e-12)
