"""Sizes of tracks: what is cut off has none, and what an error of the point spread makes of them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from poolwatch.spatter import learn
from poolwatch.spatter.facts import SpatterLook
from poolwatch.spatter.linking import Tracks
from poolwatch.spatter.records import BORDER, RIM, SHADED, SIGHTING, UNFITTED
from poolwatch.spatter.settings import SpatterSettings
from poolwatch.spatter.shaded import by_shadow
from poolwatch.spatter.sizing import find_sizes, over_marks, running_on
from tests.accuracy.spatter_clips import ORDINARY, Simulation, scene


@pytest.fixture(scope="module")
def look() -> SpatterLook:
    noise = 20 + np.random.default_rng(1).standard_normal((12, 96, 256))
    frames = np.round(noise).astype(np.uint8)
    return learn(frames, full_scale=255, settings=SpatterSettings(psf_sigma_px=0.9))


def track(diameter: float, marks: list[int], brightness: float = 100.0) -> Tracks:
    s = np.zeros(len(marks), dtype=SIGHTING)
    s["frame"], s["x"], s["y"] = np.arange(len(marks)), 40 + 10 * np.arange(len(marks)), 50
    s["flux"], s["spread"] = brightness * np.pi / 4 * diameter**2, diameter**2 / 16 + 16 / 24
    s["streak_m"], s["u_spread"], s["u_streak"], s["slope"] = 16.0, 0.02, 1.0, 1 / 24
    s["u_x"] = s["u_y"] = 0.05
    s["mark"] = marks
    return Tracks(s, np.array([0, len(marks)]), np.ones(20, dtype=bool), 0)


@pytest.mark.parametrize(
    ("marks", "known"),
    [([RIM, 0, BORDER], True), ([RIM, UNFITTED, BORDER], False), ([UNFITTED, UNFITTED, UNFITTED], False)],
)
def test_what_is_cut_off_in_every_sighting_has_no_size(
    look: SpatterLook, marks: list[int], known: bool
) -> None:
    tracks = track(10.0, marks)
    # A rim or a border cuts most of it off: its streak is shorter than the flight's.
    cut = (tracks.sightings["mark"] & (RIM | BORDER)) != 0
    tracks.sightings["spread"][cut], tracks.sightings["streak_m"][cut] = 3.0, 2.0
    tracks.sightings["streak_m"][tracks.sightings["mark"] == UNFITTED] = 400.0
    sizes = find_sizes(tracks, np.array([[10.0, 0.0]]), look, 0.4)
    assert bool(np.isfinite(sizes.diameter[0])) == known
    assert bool(np.isfinite(sizes.u_diameter[0])) == known
    if known:
        assert sizes.diameter[0] == pytest.approx(10.0, rel=0.02)


@pytest.mark.parametrize(("diameter", "low", "high"), [(1.0, 0.8, 1.05), (4.0, 0.45, 0.7), (12.0, 0.0, 0.35)])
def test_an_error_of_the_point_spread_counts_by_size(
    look: SpatterLook, diameter: float, low: float, high: float
) -> None:
    tracks, velocity = track(diameter, [0] * 8), np.array([[10.0, 0.0]])
    u = [
        float(find_sizes(tracks, velocity, replace(look, psf_u_px=u), 0.4).u_diameter[0]) * diameter / 8
        for u in (0.0, 0.02)
    ]
    share = np.sqrt(u[1] ** 2 - u[0] ** 2) / (2 * look.psf_sigma_px * 0.02)
    assert low < share < high


@pytest.mark.parametrize("seed", [705, 706])
def test_a_picture_far_out_of_focus_tells_its_point_spread(seed: int) -> None:
    # A bell that wide is narrower than itself when fitted with a disc: it was taken for what nothing in the clip can be,
    # and 0.8 px assumed instead.
    made = scene(frames=700, seed=seed, spatter=ORDINARY, camera={"psf_sigma_px": 2.5})
    simulation = Simulation(made)
    chosen = np.linspace(0, 699, 40).astype(int).tolist()
    sample = np.concatenate([simulation.frames(k, k + 1) for k in chosen])
    found = learn(sample, full_scale=255, outlines=[simulation.outline(k) for k in chosen])
    assert found.psf_source == "found"
    assert abs(found.psf_sigma_px - 2.5) < max(3 * found.psf_u_px, 0.03)


@pytest.mark.parametrize(
    "answers",
    [
        # A few vague answers that lie low, beside clear ones that agree: as seen in clips out of focus by 2.5 px.
        [(2.03, 0.182), (2.05, 0.296), (2.29, 0.196), (2.47, 0.083), (2.48, 0.028), (2.5, 0.043), (2.52, 0.026), (2.53, 0.045),
         (2.54, 0.029), (2.54, 0.026), (2.56, 0.03), (2.57, 0.041), (2.62, 0.082), (2.91, 0.66)],
        [(2.0, 0.107), (2.22, 0.115), (2.37, 0.133), (2.46, 0.043), (2.47, 0.052), (2.51, 0.017), (2.52, 0.018), (2.53, 0.023),
         (2.55, 0.026), (2.56, 0.033), (2.63, 0.078), (2.72, 0.312), (3.0, 0.204)],
    ],
)  # fmt: skip
def test_vague_answers_are_no_group(answers: list[tuple[float, float]]) -> None:
    from poolwatch.spatter.point_spread import _sharpest

    members, sigma, _ = _sharpest(np.array(answers))
    assert len(members) >= 8
    assert sigma == pytest.approx(2.52, abs=0.02)


def test_the_sharper_of_two_groups_counts() -> None:
    from poolwatch.spatter.point_spread import _sharpest

    rng = np.random.default_rng(3)
    sharp, soft = 0.9 + 0.02 * rng.standard_normal(8), 1.6 + 0.02 * rng.standard_normal(24)
    answers = np.column_stack([np.concatenate([sharp, soft]), np.full(32, 0.02)])
    members, sigma, u = _sharpest(answers)
    assert len(members) == 8
    assert abs(sigma - 0.9) < 4 * u + 0.01


@pytest.mark.parametrize(("times", "shared"), [(1.0, False), (2.0, True)])
def test_sightings_that_scatter_more_than_noise_share_as_much(
    look: SpatterLook, times: float, shared: bool
) -> None:
    # What compression does to a particle's pictures differs from one to the next, and is alike in part.
    rng, tracks, n = np.random.default_rng(5), 40, 12
    parts = [track(6.0, [0] * n).sightings for _ in range(tracks)]
    s = np.concatenate(parts)
    s["spread"] += times * 0.02 * rng.standard_normal(len(s))
    every = Tracks(s, np.arange(0, tracks * n + 1, n), np.ones(20, dtype=bool), 0)
    velocity = np.tile([10.0, 0.0], (tracks, 1))
    sizes = find_sizes(every, velocity, replace(look, psf_u_px=0.0), 0.4)
    u_t = float(np.median(sizes.u_diameter * sizes.diameter / 8))
    by_noise = 0.02 * max(times, 1.0) / np.sqrt(n)
    assert (u_t > 2 * by_noise) == shared
    assert u_t == pytest.approx(0.02 * np.hypot(times / np.sqrt(n), np.sqrt(times**2 - 1)), rel=0.2)
    assert float(np.median(sizes.u_own * sizes.diameter / 8)) == pytest.approx(by_noise, rel=0.2)


def test_a_width_that_one_particle_could_not_be_fitted_with_spoils_no_uncertainty() -> None:
    """As without: it lies at the ladder's end, far from the lowest sum."""
    from poolwatch.spatter.point_spread import _left_out

    ladder = np.exp(np.linspace(-0.12, 0.12, 9))
    curves = np.array([100.0 + 50.0 * (np.log(ladder) / 0.05 - 0.1 * k) ** 2 for k in range(6)])
    whole = _left_out(ladder, curves)
    assert whole is not None
    curves[2, 0] = np.inf
    assert _left_out(ladder, curves) == pytest.approx(whole)


def errors_of(alike: float, tracks: int, length: int) -> np.ndarray:
    """Errors of an autoregressive process of the first order and variance 1, shape (tracks, length)."""
    rng = np.random.default_rng(8)
    errors = rng.normal(size=(tracks, length))
    for k in range(1, length):
        errors[:, k] = alike * errors[:, k - 1] + np.sqrt(1 - alike**2) * errors[:, k]
    return errors


@pytest.mark.parametrize("length", [12, 40])
@pytest.mark.parametrize(("alike", "times"), [(0.0, 1.0), (0.6, 4.0)])
def test_errors_that_run_on_count_as_fewer(alike: float, times: float, length: int) -> None:
    tracks = 400
    errors = errors_of(alike, tracks, length)
    errors -= errors.mean(axis=1, keepdims=True)
    errors[3, 5] = np.nan
    starts = np.arange(0, tracks * length + 1, length)
    # Of 12 the ends count: what is beyond them takes nothing off.
    found = running_on(errors.ravel(), starts, np.ones(tracks, dtype=bool))
    assert found == pytest.approx(times, rel=0.08 if length == 40 else 0.25)


@pytest.mark.parametrize(("alike", "scatter"), [(0.0, 1.0), (0.0, 0.7), (0.5, 2.5)])
def test_means_over_marks_are_known_as_well_as_they_scatter(alike: float, scatter: float) -> None:
    tracks, length = 600, 14
    errors = scatter * errors_of(alike, tracks, length)
    means = errors.mean(axis=1)
    off = (errors - means[:, None]).ravel()
    starts = np.arange(0, tracks * length + 1, length)
    variance = over_marks(off, starts, np.ones(tracks, dtype=bool)) / length
    assert np.std(means / np.sqrt(variance)) == pytest.approx(1.0, abs=0.15)


def test_noise_that_draws_pictures_out_makes_them_no_larger(look: SpatterLook) -> None:
    # A streak of noise, in whatever direction, raises T by its length squared times the slope.
    rng, n = np.random.default_rng(4), 400
    every = track(8.0, [0] * n)
    every = Tracks(every.sightings, every.starts, np.ones(n + 1, dtype=bool), 0)
    s = every.sightings
    s["streak_m"], s["streak_n"] = rng.normal(size=(2, n))
    s["spread"] = 8.0**2 / 16 + np.hypot(s["streak_m"], s["streak_n"]) / 24
    slow = np.array([[0.01, 0.0]])
    assert find_sizes(every, slow, look, 0.4).diameter[0] == pytest.approx(8.0, abs=0.003)


def test_sightings_of_one_particle_are_left_out_together() -> None:
    from poolwatch.spatter.point_spread import _left_out

    ladder = np.exp(np.linspace(-0.12, 0.12, 9))
    places = 0.03 * np.random.default_rng(2).normal(size=24)

    def spread(repeated: int) -> float:
        curves = np.array(
            [100.0 + (np.log(ladder) - place) ** 2 / 0.02**2 for place in np.repeat(places, repeated)]
        )
        return _left_out(ladder, curves) or np.nan

    # Six sightings of each tell no more than one of each.
    assert spread(6) == pytest.approx(spread(1), rel=0.1)


@pytest.mark.parametrize(
    ("shrinks", "clip_has_shadows", "known_to"), [(0.0, True, 0.0), (0.1, True, 0.05), (0.1, False, 0.0)]
)
def test_a_shadow_that_runs_away_puts_the_speed_in_doubt(
    look: SpatterLook, shrinks: float, clip_has_shadows: bool, known_to: float
) -> None:
    """A side taken off moves the centre by half of what it takes off the diameter."""
    every = track(10.0, [SHADED] * 12)
    sizes = find_sizes(every, np.array([[10.0, 0.0]]), look, 0.4)
    sizes = replace(sizes, sightings=10.0 - shrinks * np.arange(12.0))
    doubt = by_shadow(every, sizes, np.array([clip_has_shadows]))
    assert doubt.u_velocity[0] == pytest.approx(known_to, abs=1e-6)
    assert doubt.u_diameter[0] == pytest.approx(0.3 if clip_has_shadows else 0.0, abs=0.02)
