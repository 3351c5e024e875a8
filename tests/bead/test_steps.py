"""The steps of measuring a bead, each against truth that was drawn or computed elsewhere."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter, gaussian_filter1d
from scipy.signal import lfilter
from skimage import data

from poolwatch.bead.border import Border, likelihood, texture
from poolwatch.bead.deposits import find_deposits
from poolwatch.bead.facts import Axis, Edge, Edges, Strip
from poolwatch.bead.finding import find_bead
from poolwatch.bead.following import follow
from poolwatch.bead.placing import Profile, place_edges, step
from poolwatch.bead.ripples import find_ripples
from poolwatch.bead.tracing import best_path
from poolwatch.bead.waviness import departure, waviness
from poolwatch.measure.bead import spacings_that_stand_out
from poolwatch.model.errors import MeasurementError


def straight_edges(
    columns: int, width: float, noise: float = 0.0, left=None, right=None, seed: int = 0
) -> Edges:
    """Edges as if found, with white noise of their own."""
    rng = np.random.default_rng(seed)

    def edge(course, sign: int) -> Edge:
        place = sign * width / 2 + (np.zeros(columns) if course is None else course)
        return Edge(
            place + noise * rng.standard_normal(columns),
            np.ones(columns),
            noise * rng.standard_normal(columns),
            1.0,
            0.05,
        )

    judged = np.ones(columns, dtype=bool)
    return Edges(edge(left, 1), edge(right, -1), judged, judged, False)


def strip_of(light: np.ndarray, width: float) -> Strip:
    """A strip whose bead runs along its middle row."""
    light = np.asarray(light, dtype=np.float32)[..., None] if light.ndim == 2 else light
    half = (light.shape[0] - 1) / 2
    axis = Axis(0.0, half, 0.0, 0.0, float(light.shape[1]), width)
    return Strip(light, axis, 0.0, half, np.ones(light.shape[:2], dtype=bool))


def test_best_path_against_trying_all() -> None:
    rng = np.random.default_rng(2)
    value = rng.random((4, 6))
    best = max(
        (
            (
                sum(value[r, c] for c, r in enumerate(path))
                - 0.3 * sum(abs(a - b) for a, b in pairwise(path)),
                path,
            )
            for path in np.ndindex(*[4] * 6)
        ),
        key=lambda pair: pair[0],
    )
    assert tuple(best_path(value, 0.3, reach=3)) == best[1]


@pytest.mark.parametrize("place", [-1.3, 0.0, 0.7])
@pytest.mark.parametrize("toe", [0.0, 0.15])
def test_edge_place_in_a_mean_profile(place: float, toe: float) -> None:
    """A step drawn 20 times as fine, spread and sampled: found within 0.1 px.

    A dark line along its inside looks much like a softer step further in: found within twice the uncertainty.
    """
    fine = np.arange(-20, 20, 0.05)
    inside = fine - place
    tone = np.where(inside > 0, 1.5 * (1 - toe * np.exp(-((inside / 2.5) ** 2))), 1.0)
    spread = gaussian_filter1d(tone, 1.1 / 0.05)
    x = np.arange(-12, 12.01)
    mean = np.interp(x, fine, spread)
    profile = Profile(
        mean[:, None], 1e-6 * np.eye(len(x))[None], np.full(len(x), 1e-3), 500.0, (1.1, 1.1), 0.3
    )
    (found,) = place_edges(x, [profile])
    assert found.offset == pytest.approx(place, abs=max(0.1, 2 * found.offset_u * (toe > 0)))
    assert found.offset == pytest.approx(place, abs=1.0)
    assert found.blur == pytest.approx(1.1, abs=0.25 if not toe else 0.6)


@pytest.mark.parametrize("place", [-1.5, 0.0, 1.0])
def test_edge_whose_tone_begins_as_that_of_the_sheet(place: float) -> None:
    """No step of tone at the edge, which rises from there over 6 px; the grain begins at it: found within 0.5 px."""
    x, rng = np.arange(-12, 12.01), np.random.default_rng(3)
    fine = np.arange(-20, 20, 0.25)
    tone = np.where(fine > place, 1.5 - 0.5 * np.exp(-(((fine - place) / 4) ** 2)), 1.0)
    mean = np.interp(x, fine, gaussian_filter1d(tone, 1.0 / 0.25))
    grain = rng.standard_normal((len(fine), 1500)) * np.where(fine > place, 0.4, 0.1)[:, None]
    seen = gaussian_filter1d(grain, 1.0 / 0.25, axis=0)
    variance = np.array([np.interp(x, fine, one) for one in seen.T]).var(axis=0)
    profile = Profile(mean[:, None], 1e-6 * np.eye(len(x))[None], variance, 1500.0, (1.0, 1.0), 0.1)
    (found,) = place_edges(x, [profile])
    assert found.offset == pytest.approx(place, abs=0.5)
    assert abs(found.offset - place) < 3 * max(found.offset_u, 0.1)


def test_walk_is_followed_as_a_kalman_smoother_does() -> None:
    """A Gaussian random walk seen with Gaussian noise: means and variances of the exact smoother (Rauch et al. 1965)."""
    rng = np.random.default_rng(1)
    walk = np.cumsum(0.2 * rng.standard_normal(120))
    seen = walk + 0.4 * rng.standard_normal(120)
    states = np.arange(-6, 6.01, 0.1)
    likely = -0.5 * ((seen[None, :] - states[:, None]) / 0.4) ** 2
    found = follow(likely, states, np.zeros(120), 0.04)
    # The joint Gaussian of the walk: precision of the noise on the diagonal, that of the steps between neighbours.
    step_ = np.diff(np.eye(120), axis=0)
    precision = np.eye(120) / 0.16 + step_.T @ step_ / 0.04
    exact = np.linalg.inv(precision)
    assert found.place == pytest.approx(exact @ seen / 0.16, abs=0.08)
    assert np.sqrt(found.variance) == pytest.approx(np.sqrt(np.diag(exact)), rel=0.1)


def test_likelihood_of_a_border_is_highest_at_it() -> None:
    """Same mean on both sides; the bead's grain is rougher, and whole columns change their tone: mean place within 0.3 px."""
    rng = np.random.default_rng(5)
    around, true = np.arange(-12.0, 13.0), rng.uniform(-2, 2, 400)
    grain = gaussian_filter1d(rng.standard_normal((len(around), 400)), 1.0, axis=0)
    rough = grain * np.where(around[:, None] > true, 0.15, 0.02) + 0.05 * rng.standard_normal(400) * (
        around[:, None] > true
    )
    values = (1 + rough)[..., None].astype(np.float32)
    border = Border(texture(values[:9]), texture(values[-9:]), around, np.ones((len(around), 1)), 0.4)
    states = np.arange(-4, 4.01, 0.25)
    found, _ = likelihood(values, around, states, border)
    weight = np.exp(found - found.max(axis=0))
    error = (states @ weight) / weight.sum(axis=0) - true
    assert abs(float(error.mean())) < 0.3
    assert float(error.std()) < 1.0


def test_departure_leaves_what_is_fast_and_takes_what_is_slow() -> None:
    s = np.arange(1000)
    judged = np.ones(1000, dtype=bool)
    fast, slow = np.sin(2 * np.pi * s / 60), 3 * np.sin(2 * np.pi * s / 700) + 0.01 * s
    rest = departure(fast + slow, judged)
    assert np.sqrt(np.mean(rest**2)) == pytest.approx(math.sqrt(0.5), rel=0.03)


@pytest.mark.parametrize("noise", [0.1, 0.4])
def test_waviness_is_freed_of_noise(noise: float) -> None:
    """Mean over 20 beads within 6 % of the truth, though noise alone would add up to 30 %."""
    truth, found = [], []
    for seed in range(20):
        rng = np.random.default_rng([5, seed])
        wave = gaussian_filter1d(rng.standard_normal((2, 1500)), 8, axis=1)
        wave *= 0.5 / wave.std()
        edges = straight_edges(1500, 40, noise, wave[0], wave[1], seed)
        truth.append(np.sqrt(np.mean([departure(w, edges.judged) ** 2 for w in wave])))
        found.append(waviness(edges).rms)
    assert np.mean(found) == pytest.approx(np.mean(truth), rel=0.06)


def test_waviness_hidden_by_noise_is_missing() -> None:
    assert math.isnan(waviness(straight_edges(800, 40, 0.5)).rms)


def rippled(spacing: float, scatter: float, depth: float, seed: int) -> tuple[np.ndarray, float]:
    """Chevron ripples in grain, 81 rows; and their true mean spacing."""
    rng = np.random.default_rng(seed)
    crests = np.cumsum(spacing * (1 + scatter * rng.standard_normal(400))) - 40
    s, n = np.meshgrid(np.arange(1600.0), np.arange(-40.0, 41.0))
    phase = 2 * np.pi * np.interp(s + 25 * np.abs(n / 40) ** 1.7, crests, np.arange(400))
    grain = gaussian_filter(rng.standard_normal(s.shape), 1.0)
    inside = (crests > 0) & (crests < 1600)
    return 1 + depth * np.cos(phase) + 0.08 * grain / grain.std(), float(np.diff(crests[inside]).mean())


@pytest.mark.parametrize(("spacing", "scatter"), [(6.0, 0.05), (11.0, 0.1), (24.0, 0.0)])
def test_ripple_spacing_and_order(spacing: float, scatter: float) -> None:
    """Spacing within 2 %; order exp(-2 π² q²) for single spacings that scatter by q (random walk of the phase)."""
    light, truth = rippled(spacing, scatter, 0.12, 7)
    found = find_ripples(strip_of(light, 78), straight_edges(1600, 78), stands_out=spacings_that_stand_out)
    assert found.spacing == pytest.approx(truth, rel=0.02)
    assert abs(found.spacing - truth) < 4 * found.spacing_u
    assert found.order == pytest.approx(math.exp(-2 * math.pi**2 * scatter**2), abs=0.12)


def test_grain_has_no_ripples() -> None:
    for seed in range(6):
        light, _ = rippled(10.0, 0.0, 0.0, seed)
        found = find_ripples(
            strip_of(light, 78), straight_edges(1600, 78), stands_out=spacings_that_stand_out
        )
        assert math.isnan(found.spacing)


@pytest.mark.parametrize("name", ["gravel", "grass"])
def test_photographed_textures_without_order_have_no_spacing(name: str) -> None:
    """Photos that scikit-image carries: gravel and grass have no spacing, along either axis."""
    picture = getattr(data, name)().astype(float) / 255
    for light in (picture[:101], picture.T[:101]):
        found = find_ripples(strip_of(light, 96), straight_edges(512, 96), stands_out=spacings_that_stand_out)
        assert math.isnan(found.spacing)


def test_photographed_coins_against_scikit_image() -> None:
    """The coins of scikit-image's photo, as particles on a sheet: the same places and areas as its own labelling."""
    from skimage import filters, measure, morphology, segmentation

    coins = data.coins()[160:].astype(float)
    elevation = filters.sobel(coins)
    seeds = np.where(coins < 30, 1, np.where(coins > 150, 2, 0))
    mask = morphology.closing(segmentation.watershed(elevation, seeds) == 2)
    labels = measure.label(segmentation.clear_border(mask))
    regions = [region for region in measure.regionprops(labels) if region.area > 500]
    assert len(regions) >= 6
    # Each on bare ground, at a quarter of its size, as large as particles; the bead stands above them.
    ground = float(np.median(coins[~mask]))
    light = np.full((130, 44 * len(regions)), ground) + np.random.default_rng(4).normal(
        0, 3, (130, 44 * len(regions))
    )
    for k, region in enumerate(regions):
        row, column = (round(value) for value in region.centroid)
        cut = np.where(mask, coins, ground)[row - 40 : row + 40, column - 40 : column + 40]
        own = labels[row - 40 : row + 40, column - 40 : column + 40] == region.label
        small = gaussian_filter(np.where(own, cut, ground), 2.0)[::4, ::4]
        top = 40 + 29 * k % 60
        light[top : top + small.shape[0], 44 * k + 12 : 44 * k + 12 + small.shape[1]] = small
    columns = light.shape[1]
    strip = strip_of(light / ground, 10)
    plain = straight_edges(columns, 10)
    places = [strip.first_left - 20 + side for side in (5.0, -5.0)]
    upper, lower = (Edge(np.full(columns, p), plain.left.step, plain.left.noise, 1, 0.05) for p in places)
    found = find_deposits(strip, Edges(upper, lower, plain.seen, plain.judged, False), belt=100.0)
    hits = [np.flatnonzero(np.abs(found.x - 44 * k - 22) < 6) for k in range(len(regions))]
    # Five of the eleven are worn to the tone of the ground at places and fall apart.
    assert sum(len(hit) == 1 for hit in hits) >= 0.5 * len(regions)
    ratio = [
        float(found.diameter[hit[0]]) / (region.equivalent_diameter_area / 4)
        for hit, region in zip(hits, regions, strict=True)
        if len(hit) == 1
    ]
    assert np.median(ratio) == pytest.approx(1, abs=0.15)


@pytest.mark.slow
def test_no_bead_in_pictures_of_other_things() -> None:
    for picture in (data.gravel(), data.grass()):
        with pytest.raises(MeasurementError, match="no weld bead found"):
            find_bead((picture.astype(np.float32) / 255)[..., None], widest=80.0)


def test_step_is_a_spread_step() -> None:
    x = np.linspace(-3, 3, 7)
    expected = [0.5 * (1 + math.erf(value / (math.sqrt(2) * 1.2))) for value in x]
    assert step(x, 1.2) == pytest.approx(np.array(expected))


@pytest.mark.slow
def test_blurred_red_noise_along_the_weld_has_no_spacing() -> None:
    """The bead's tone wanders without a period, alike over its width, and the camera blurs it."""
    told = 0
    for seed in range(20):
        rng = np.random.default_rng(seed)
        wander = lfilter([1], [1, -(0.5, 0.8)[seed % 2]], rng.normal(size=1500))[300:]
        light = 0.5 + 0.05 * np.tile(wander / wander.std(), (96, 1)) + 0.01 * rng.normal(size=(96, 1200))
        light = gaussian_filter(light, 1.0) + 0.004 * rng.normal(size=light.shape)
        found = find_ripples(
            strip_of(light, 78), straight_edges(1200, 78), stands_out=spacings_that_stand_out
        )
        told += math.isfinite(found.spacing)
    assert told <= 2
