"""The parts: model, fit, assignment, paths; against integrals, published limits and SciPy."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment
from scipy.stats import ncx2

from poolwatch.spatter.assignment import cheapest_pairs
from poolwatch.spatter.filtering import pool_spans
from poolwatch.spatter.fitting import blur_of, fit_sighting
from poolwatch.spatter.lights import BY_M, BY_N, BY_T, BY_X, BY_Y, LIGHT, LIGHTS, lights
from poolwatch.spatter.ordering import middle_of, rising
from poolwatch.spatter.parameters import PARAMETERS, SPREAD, STREAK_M, STREAK_N, Imaging, Pixels, X
from poolwatch.spatter.paths import PATH, Places, distance_outside, fly, trace_back
from poolwatch.spatter.profile import SHAPE, STEP, density, disc_table, shape_of, slopes_of
from tests.spatter.rendered import stamp


@pytest.mark.parametrize(
    ("diameter", "streak", "sigma"),
    [(3.0, (0.0, 0.0), 0.8), (6.0, (3.0, 1.0), 1.0), (8.0, (20.0, 10.0), 1.2), (29.0, (8.0, -3.0), 1.0)],
)
def test_model_is_the_supersampled_picture(
    diameter: float, streak: tuple[float, float], sigma: float
) -> None:
    x0, y0, cover = stamp(40.3, 39.8, diameter, streak, sigma)
    length2, angle = streak[0] ** 2 + streak[1] ** 2, np.arctan2(streak[1], streak[0])
    shape = np.zeros(SHAPE)
    shape_of(
        disc_table(),
        diameter**2 / 16 + length2 / 24,
        length2 * np.cos(2 * angle),
        length2 * np.sin(2 * angle),
        blur_of(sigma),
        shape,
    )
    rows, cols = np.indices(cover.shape)
    light = np.pi / 4 * diameter**2
    model = [[light * density(c + x0 - 40.3, r + y0 - 39.8, shape) for c in cols[0]] for r in rows[:, 0]]
    assert np.abs(np.array(model) - cover).max() < 0.012 * cover.max()


def test_fit_reaches_the_limit_of_spot_position() -> None:
    # Position limit of a Gaussian spot under additive noise: sd >= (noise/A) sqrt(2/pi), whatever its size.
    rng = np.random.default_rng(2)
    rows, cols = np.mgrid[0:25, 0:25].astype(float)
    sigma, top, noise = 1.5, 100.0, 2.0
    errors = []
    for _ in range(150):
        x, y = 12 + rng.uniform(-0.5, 0.5, 2)
        picture = top * np.exp(
            -((cols - x) ** 2 + (rows - y) ** 2) / 2 / sigma**2
        ) + noise * rng.standard_normal((25, 25))
        p = np.array([12.0, 12.0, top * 2 * np.pi * sigma**2, 0.0, 0.1, 0.0, 0.0])
        covariance = np.zeros((PARAMETERS, PARAMETERS))
        pixels = Pixels(cols.ravel(), rows.ravel(), picture.ravel(), np.full(625, 100.0), np.full(625, 1e9))
        fit_sighting(Imaging(disc_table(), sigma, noise**2, 0.0), pixels, noise, p, covariance)
        errors.append((p[X] - x, np.sqrt(covariance[X, X])))
    spread, claimed = np.std([e for e, _ in errors]), np.mean([u for _, u in errors])
    limit = noise / top * np.sqrt(2 / np.pi)
    assert limit * 0.85 < spread < limit * 1.3
    assert claimed == pytest.approx(spread, rel=0.2)


def test_assignment_is_as_cheap_as_scipy() -> None:
    rng = np.random.default_rng(4)
    for _ in range(60):
        n, m = rng.integers(1, 9, 2)
        cost = rng.uniform(0, 60, (n, m))
        dear = 36.0
        pairs = cheapest_pairs(cost, dear)
        own = sum(cost[i, j] if j >= 0 else dear for i, j in enumerate(pairs))
        table = np.hstack([np.minimum(cost, 4 * dear), np.full((n, n), dear)])
        rows, cols = linear_sum_assignment(table)
        assert own == pytest.approx(table[rows, cols].sum())
        assert len({j for j in pairs if j >= 0}) == (pairs >= 0).sum()


def test_sorting_keeps_the_order_of_equals() -> None:
    keys = np.random.default_rng(3).integers(0, 20, 200).astype(float)
    assert (rising(keys) == np.argsort(keys, kind="stable")).all()


def test_middle_is_the_median() -> None:
    rng = np.random.default_rng(5)
    for k in range(400):
        n = int(rng.integers(1, 40))
        values = (
            rng.normal(size=n),
            rng.integers(0, 4, n).astype(float),
            np.full(n, 0.1),
            np.where(rng.random(n) < 0.5, 1.0, np.nextafter(1.0, 2.0)),
        )[k % 4]
        assert middle_of(values) == np.median(values)


def test_spans_reach_as_far_as_the_margin() -> None:
    """Of a circle, whose widening is a circle too: never less, at most a rounded pixel and the discs' excess more."""
    turn = np.linspace(0, 2 * np.pi, 192, endpoint=False)
    x, y, radius, margin = 60.3, 50.7, 30.0, 5.0
    left, right = np.zeros(100, dtype=np.int64), np.zeros(100, dtype=np.int64)
    pool_spans(np.column_stack([x + radius * np.cos(turn), y + radius * np.sin(turn)]), margin, left, right)
    rows = np.arange(100)
    half = np.sqrt(np.maximum((radius + margin) ** 2 - (rows - y) ** 2, 0.0))
    hidden = np.abs(rows - y) < radius + margin - 0.2
    assert (left[hidden] <= x - half[hidden] + 0.02).all()
    assert (right[hidden] >= x + half[hidden] - 0.02).all()
    wide = np.abs(rows - y) < radius
    assert (left[wide] >= x - half[wide] - 1.4).all()
    assert (right[wide] <= x + half[wide] + 1.4).all()
    assert (left <= right).sum() <= 2 * (radius + margin) + 2


def test_speed_uncertainty_is_that_of_a_straight_line() -> None:
    # u(v) = u(x) sqrt(12/(N(N²-1))): 8 frames, 0.1 px at 10 kHz give 154.3 px/s (straight-line regression).
    t = np.arange(8.0)
    out = np.zeros(1, dtype=PATH)
    u = np.full(8, 0.1)
    fly(Places(t, 5 * t, 2 * t, u, u, np.zeros(8)), np.array([0, 8]), out)
    assert (out["vx"][0], out["vy"][0]) == pytest.approx((5, 2))
    assert out["u_vx"][0] * 10_000 == pytest.approx(154.30, rel=2e-3)


def test_paths_and_outlines() -> None:
    square = np.array([[0.0, 0.0], [10.0, 0.0], [10.0, 10.0], [0.0, 10.0]])
    back, _, _ = trace_back(square, 16.0, 5.0, 3.0, 0.0)
    assert back == pytest.approx(2.0)
    missed, near, _ = trace_back(square, 16.0, 14.0, 3.0, 0.0)
    assert np.isnan(missed)
    assert near == pytest.approx(4.0)
    assert distance_outside(square, 13.0, 14.0) == pytest.approx(5.0)
    assert distance_outside(square, 5.0, 4.0) == pytest.approx(-4.0)


@pytest.mark.parametrize("seed", [1, 5, 7, 8])
def test_a_fit_of_a_slope_stays_within_its_pixels(seed: int) -> None:
    """Where there is only a slope of the ground, no streak or disc grows far beyond the pixels that are fitted."""
    rng = np.random.default_rng(seed)
    rows, cols = np.mgrid[0:5, 0:5].astype(float)
    light = 0.8 * (cols + 0.3 * rows) + 0.4 * rng.standard_normal((5, 5))
    p, covariance = np.array([2.0, 2.0, 5.0, 0.0, 0.1, 2.0, 0.0]), np.zeros((PARAMETERS, PARAMETERS))
    pixels = Pixels(cols.ravel(), rows.ravel(), light.ravel(), np.zeros(25), np.full(25, 1e9))
    fit_sighting(Imaging(disc_table(), 0.6, 0.16, 0.0), pixels, 0.4, p, covariance)
    longest2 = 4.0 * (4.0**2 + 4.0**2) + 0.6**2
    assert np.hypot(p[STREAK_M], p[STREAK_N]) <= longest2 * (1 + 1e-9)
    assert p[SPREAD] <= longest2


def test_the_blurred_disc_is_a_chance_of_landing_in_it() -> None:
    """Against SciPy's noncentral chi-square: a point spread about r lies within R with chance F(R²; 2, r²)."""
    table = disc_table()

    def light(i: int, j: int) -> float:
        radius, place = abs(i) * STEP, abs(j) * STEP
        if radius == 0:
            return float(np.exp(-0.5 * place**2) / (2 * np.pi))
        return float(ncx2.cdf(radius**2, 2, place**2) / (np.pi * radius**2))

    for i in (0, 1, 2, 8, 25, 70, 119):
        for j in (0, 1, 9, 24, 60, 110, 167):
            # Less a twelfth of the second differences, for what straight lines between the entries add.
            around = light(i + 1, j) + light(i - 1, j) + light(i, j + 1) + light(i, j - 1)
            entry = light(i, j) - (around - 4 * light(i, j)) / 12
            assert table[i, j] == pytest.approx(max(entry, 0.0), rel=2e-7, abs=1e-9)


@pytest.mark.slow
@pytest.mark.parametrize("length", [0.9, 1.6, 2.4, 3.5, 7.0, 13.0])
@pytest.mark.parametrize("diameter", [0.6, 3.0])
def test_a_streak_is_the_mean_of_discs_along_it(length: float, diameter: float) -> None:
    """Against 400 places side by side: light within 0.3 % of its peak, and exactly the variance of its length."""
    table, shape, one = disc_table(), np.zeros(SHAPE), np.zeros(SHAPE)
    angle, size, blur = 0.4, 0.25, 0.9
    shape_of(
        table, diameter**2 / 16 + length**2 / 24, length**2 * math.cos(2 * angle), length**2 * math.sin(2 * angle),
        blur, shape,
    )  # fmt: skip
    shape_of(table, diameter**2 / 16, 0.0, 0.0, blur, one)
    places = ((np.arange(400) + 0.5) / 400 - 0.5) * length
    along = np.arange(-0.5 * length - 6, 0.5 * length + 6, size)
    for across in (0.0, 0.7, 2.1):
        got = [
            density(
                x * math.cos(angle) - across * math.sin(angle),
                x * math.sin(angle) + across * math.cos(angle),
                shape,
            )
            for x in along
        ]
        due = [np.mean([density(x - s, across, one) for s in places]) for x in along]
        assert np.abs(np.subtract(got, due)).max() < 0.003 * density(0.0, 0.0, shape)
        x2 = [np.sum(along**2 * values) / np.sum(values) for values in (got, due)]
        assert x2[0] == pytest.approx(x2[1], rel=2e-3)


@pytest.mark.parametrize("length", [0.0, 0.5, 1.0, 3.0, 9.0, 40.0])
@pytest.mark.parametrize("diameter", [0.3, 4.0, 30.0])
def test_light_at_many_pixels_and_its_slopes(length: float, diameter: float) -> None:
    """Light as `density` tells it for each by itself; slopes against differences of the light."""
    table, shape, blur, turn = disc_table(), np.zeros(SHAPE), 0.9, 0.7
    rng = np.random.default_rng(4)
    reach = 0.5 * (length + diameter) + 3.0
    xs, ys = 20.0 + rng.uniform(-reach, reach, 300), 10.0 + rng.uniform(-reach, reach, 300)
    start = np.array(
        [
            20.3, 9.8, diameter**2 / 16 + length**2 / 24,
            length**2 * math.cos(2 * turn), length**2 * math.sin(2 * turn),
        ]
    )  # fmt: skip

    def at(p: NDArray[np.float64], slopes: bool = False) -> NDArray[np.float64]:
        shape_of(table, p[2], p[3], p[4], blur, shape)
        if slopes:
            slopes_of(table, shape)
        out = np.zeros((LIGHTS, len(xs)))
        lights(xs, ys, p[0], p[1], shape, slopes, out)
        return out if slopes else out[LIGHT]

    got = at(start, slopes=True)
    alone = [density(x - start[0], y - start[1], shape) for x, y in zip(xs, ys, strict=True)]
    top = density(0.0, 0.0, shape)
    assert np.abs(got[LIGHT] - alone).max() < 1e-4 * top
    assert np.array_equal(got[LIGHT], at(start))
    # Wide enough for the steps of the table not to show.
    spread = 0.05 * (blur**2 + diameter**2 / 16)
    streak = min(0.02 * length**2, 40 * spread)
    for row, k, step, share in (
        (BY_X, 0, 0.1, 0.01), (BY_Y, 1, 0.1, 0.01), (BY_T, 2, spread, 0.06), (BY_M, 3, streak, 0.1), (BY_N, 4, streak, 0.1),
    ):  # fmt: skip
        if row in (BY_M, BY_N) and length < 2.0:
            continue
        other = [start.copy(), start.copy()]
        other[0][k] -= step
        other[1][k] += step
        due = (at(other[1]) - at(other[0])) / (2 * step)
        apart = float(np.sqrt(np.mean((got[row] - due) ** 2) / np.mean(due**2)))
        assert apart < share, (row, apart)
