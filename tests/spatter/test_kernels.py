"""Kernels that find, fit and link, each against a few lines of plain NumPy on random input."""

from __future__ import annotations

import math

import numpy as np
import pytest

from poolwatch.spatter.beginnings import TRACK
from poolwatch.spatter.estimates import ESTIMATE, REGION, _fitted, _unfitted
from poolwatch.spatter.fitting import FitProblem, _normal_equations, equations_for, noise_of, veil
from poolwatch.spatter.gap_closing import END, _gap_cost, _line
from poolwatch.spatter.least_squares import inverse, solve
from poolwatch.spatter.links import LINK, links_of, rough_place, scatter_of
from poolwatch.spatter.parameters import FLUX, GROUND, PARAMETERS, SPREAD, STREAK_M, Imaging, Pixels, X, Y
from poolwatch.spatter.profile import SHAPE, density, disc_table, shape_of
from poolwatch.spatter.records import CROWDED, SIGHTING, UNFITTED
from poolwatch.spatter.tracking import SWERVE, Reach, _advance, _take, track_sightings
from poolwatch.spatter.window import BOX, _inside, _reach_of


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(11)


def filled(dtype: np.dtype, rng: np.random.Generator, n: int = 1) -> np.ndarray:
    """Records with a random number between 0.5 and 2 in each field."""
    out = np.zeros(n, dtype=dtype)
    for name in dtype.names:
        out[name] = rng.uniform(0.5, 2.0, n)
    return out


def test_equations_are_solved_and_inverted_as_by_numpy(rng):
    for _ in range(20):
        j = rng.normal(size=(12, PARAMETERS)) * 10.0 ** rng.integers(-3, 4, PARAMETERS)
        a, b = j.T @ j, rng.normal(size=PARAMETERS)
        x, out = np.zeros(PARAMETERS), np.empty_like(a)
        assert solve(a.copy(), b, x, PARAMETERS)
        assert a @ x == pytest.approx(b, rel=1e-6, abs=1e-6)
        assert inverse(a, out)
        scale = np.sqrt(np.diag(a))
        assert out * np.outer(scale, scale) == pytest.approx(
            np.linalg.inv(a / np.outer(scale, scale)), rel=1e-4
        )
        assert not inverse(a - 2 * np.max(np.linalg.eigvalsh(a)) * np.eye(PARAMETERS), out)


def test_chi_square_counts_what_bears_on_it(rng):
    """Full pixels whose model is full too, and pixels at black whose model is darker, tell nothing."""
    ys, xs = (one.ravel().astype(float) for one in np.mgrid[0:9, 0:11])
    n, blur = xs.size, 0.9
    p = np.array([5.2, 4.1, 900.0, 1.5, 1.2, 2.0, -1.0])
    shape = np.empty(SHAPE)
    shape_of(disc_table(), p[SPREAD], p[STREAK_M], p[STREAK_M + 1], blur, shape)
    light = np.array([density(x - p[X], y - p[Y], shape) for x, y in zip(xs, ys, strict=True)])
    ground = rng.uniform(0.0, 6.0, n)
    pixels = Pixels(xs, ys, rng.normal(p[FLUX] * light, 3.0), ground, np.full(n, 55.0))
    variance, veils = rng.uniform(1.0, 4.0, n), rng.normal(0.0, 0.5, n)
    equations = equations_for()
    chi, used = _normal_equations(
        FitProblem(disc_table(), blur, pixels, veils, variance, 2.0), 2.0, p, equations, False
    )
    disc = 4.0 * (p[SPREAD] - math.hypot(p[STREAK_M], p[STREAK_M + 1]) / 24.0) * math.pi
    model = (p[FLUX] - disc * veils) * light + p[GROUND]
    full = (pixels.value >= 55.0) & (model >= 55.0)
    dark = (pixels.value < 0.5 - ground) & (model <= -ground)
    bears = ~full & ~dark
    assert full.any()
    assert used == bears.sum() < n
    due = ((pixels.value - model) ** 2 / variance)[bears].sum() + (p[GROUND] / 2.0) ** 2
    assert chi == pytest.approx(due, rel=1e-6)
    noise_of(Imaging(disc_table(), blur, 0.5, 0.3), pixels, p, variance)
    assert variance == pytest.approx(
        0.5 + 0.3 * np.maximum(ground + p[FLUX] * light + p[GROUND], 0.0), rel=1e-6
    )
    veil(pixels, 5.4, 3.8, veils)
    assert veils == pytest.approx(ground - ground[(xs == 5.0) & (ys == 4.0)])


def test_uncertainties_are_those_of_the_covariance_at_a_known_streak(rng):
    j = rng.normal(size=(30, PARAMETERS))
    covariance = np.linalg.inv(j.T @ j)
    p = np.array([5.0, 6.0, 700.0, 0.0, 2.0, 3.0, 1.5])
    row = np.zeros(1, dtype=ESTIMATE)
    _fitted(p, covariance, 2.5, (0.3, 0.4), row[0])
    direction = np.array([3.0, 1.5]) / math.hypot(3.0, 1.5)
    streak = direction @ covariance[5:, 5:] @ direction
    shared = covariance[4, 5:] @ direction
    one = row[0]
    assert one["u_streak"] == pytest.approx(math.sqrt(2.5 * streak))
    assert one["slope"] == pytest.approx(shared / streak)
    assert one["u_spread"] == pytest.approx(math.sqrt(2.5 * (covariance[4, 4] - shared**2 / streak)))
    assert one["u_x"] == pytest.approx(math.sqrt(2.5 * covariance[0, 0] + 0.09))
    assert one["u_flux"] == pytest.approx(math.sqrt(2.5 * covariance[2, 2]) / 700.0)
    assert (one["flux"], one["spread"], one["misfit"]) == (700.0, 2.0, pytest.approx(math.sqrt(2.5)))


def test_moments_alone_make_a_row(rng):
    known, row = filled(REGION, rng), np.zeros(1, dtype=ESTIMATE)
    known["mark"] = CROWDED
    _unfitted(known[0], 0.5, row[0])
    one, from_ = row[0], known[0]
    assert one["spread"] == pytest.approx(max(0.5 * (from_["xx"] + from_["yy"]) - 0.25, 0.0))
    assert (one["streak_m"], one["streak_n"]) == pytest.approx(
        (12 * (from_["xx"] - from_["yy"]), 24 * from_["xy"])
    )
    assert (one["x"], one["flux"], one["mark"]) == (from_["centre_x"], from_["light"], CROWDED | UNFITTED)


def test_a_box_holds_what_its_turned_rectangle_holds(rng):
    for _ in range(30):
        angle, low, high = rng.uniform(0, np.pi), -rng.uniform(1, 9, 2), rng.uniform(1, 9, 2)
        box = np.zeros(1, dtype=BOX)
        box["x"], box["y"], box["cos"], box["sin"] = 20.3, 21.6, np.cos(angle), np.sin(angle)
        box["along_low"], box["across_low"] = low
        box["along_high"], box["across_high"] = high
        ys, xs = np.mgrid[0:45, 0:45]
        turned = np.stack([xs - 20.3, ys - 21.6], axis=-1) @ np.array(
            [[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]]
        )
        due = ((turned >= low) & (turned <= high)).all(axis=-1)
        ring = (((turned - (low + high) / 2) / np.maximum((high - low) / 2, 1.0)) ** 2).sum(axis=-1) >= 0.5
        for hollow, wanted in ((False, due), (True, due & ring)):
            own = [[_inside(box[0], float(x), float(y), hollow) for x in range(45)] for y in range(45)]
            assert (np.array(own) == wanted).all()
        reach_x, reach_y = _reach_of(box[0])
        assert np.abs(xs[due] - 20.3).max() <= reach_x
        assert np.abs(ys[due] - 21.6).max() <= reach_y


def test_a_track_is_predicted_and_corrected_as_by_a_kalman_filter(rng):
    """Place and velocity of one axis, with matrices: x = F x, P = F P Fᵀ + Q; K = P Hᵀ / (H P Hᵀ + R)."""
    for _ in range(10):
        track, sighting = filled(TRACK, rng), filled(LINK, rng)
        track["place_var"] += 3.0
        before, seen = track.copy(), sighting[0]
        p = np.array(
            [[before["place_var"][0], before["cov"][0]], [before["cov"][0], before["velocity_var"][0]]]
        )
        step, q = np.array([[1.0, 2.0], [0.0, 1.0]]), SWERVE**2 * 2.0
        _advance(track[0], 2.0)
        p = step @ p @ step.T + q * np.array([[4.0 / 3.0, 1.0], [1.0, 1.0]])
        state = step @ [before["x"][0], before["vx"][0]]
        assert (track["place_var"][0], track["cov"][0], track["velocity_var"][0]) == pytest.approx(
            (p[0, 0], p[0, 1], p[1, 1])
        )
        speed = math.hypot(track["vx"][0], track["vy"][0])
        r = seen["variance"] + rough_place(float(seen["diameter"]), speed) ** 2
        assert scatter_of(seen, speed) == pytest.approx(r)
        _take(track[0], seen)
        gain = p[:, 0] / (p[0, 0] + r)
        state = state + gain * (seen["x"] - state[0])
        p = p - np.outer(gain, p[0])
        assert (track["x"][0], track["vx"][0]) == pytest.approx(tuple(state))
        assert (track["place_var"][0], track["cov"][0], track["velocity_var"][0]) == pytest.approx(
            (p[0, 0], p[0, 1], p[1, 1])
        )


def test_an_end_is_the_line_that_numpy_fits(rng):
    links = filled(LINK, rng, 8)
    links["frame"] = np.arange(8) * 2.0
    some, end = np.array([1, 2, 4, 5, 7]), np.zeros(1, dtype=END)
    t = links["frame"][some].astype(float)
    end["frame"] = t[-1]
    _line(links, some, end[0])
    for axis in "xy":
        slope, at = np.polyfit(t - t[-1], links[axis][some].astype(float), 1)
        assert (end[0][f"v{axis}"], end[0][axis]) == pytest.approx((slope, at))
    square = ((t - t.mean()) ** 2).sum()
    speed = math.hypot(end[0]["vx"], end[0]["vy"])
    variance = np.mean([scatter_of(one, speed) for one in links[some]])
    assert end[0]["velocity_var"] == pytest.approx(variance / square)
    assert end[0]["place_var"] == pytest.approx(variance * (1 / 5 + (t[-1] - t.mean()) ** 2 / square))


def test_a_gap_costs_its_distances_in_standard_deviations(rng):
    tail, head = filled(END, rng)[0], filled(END, rng)[0]
    tail["frame"], head["frame"] = 10.0, 14.0
    place = np.array([tail["x"] + 2 * tail["vx"], tail["y"] + 2 * tail["vy"]])
    place -= [head["x"] - 2 * head["vx"], head["y"] - 2 * head["vy"]]
    turn = np.array([tail["vx"] - head["vx"], tail["vy"] - head["vy"]])
    velocity_var = tail["velocity_var"] + head["velocity_var"]
    place_var = tail["place_var"] + head["place_var"] + 4 * velocity_var + SWERVE**2 * 64 / 3
    due = (place @ place) / place_var + 0.5 * (turn @ turn) / (velocity_var + SWERVE**2 * 4 + 0.05**2)
    due += min(((tail["log_light"] - head["log_light"]) / 0.7) ** 2, 9.0)
    assert _gap_cost(tail, head) == pytest.approx(due)


def test_links_are_the_sightings_in_short(rng):
    sightings = filled(SIGHTING, rng, 5)
    sightings["mark"] = [0, CROWDED, UNFITTED, 0, CROWDED | UNFITTED]
    links = links_of(sightings)
    assert links["touching"].tolist() == [0, 1, 0, 0, 1]
    assert (links["streak_m"] == 0).tolist() == [False, False, True, False, True]
    assert links["log_light"] == pytest.approx(np.log(sightings["flux"]))


def test_a_crowd_keeps_its_tracks(rng):
    """Many more tracks than there is room for at first, far enough apart that each sighting has one neighbour."""
    count, frames = 200, 6
    links = np.zeros(count * frames, dtype=LINK)
    links["frame"] = np.repeat(np.arange(frames), count)
    own = np.tile(np.arange(count), frames)
    links["x"], links["y"] = 40.0 * (own % 20) + 3.0 * links["frame"], 40.0 * (own // 20)
    links["variance"], links["diameter"], links["u_streak"], links["log_light"] = 0.01, 2.0, 50.0, 5.0
    track_of = np.full(len(links), -1, dtype=np.int32)
    starts = np.arange(frames + 1) * count
    tracks = track_sightings(
        links, starts, np.ones(frames, dtype=np.bool_), Reach(10.0, 2, 900.0, 500.0), track_of
    )
    assert tracks == count
    assert all(len(set(track_of[own == k])) == 1 for k in range(count))
    assert (track_of >= 0).all()
