"""The chain of places around a pool, and the place of a blurred edge, on fields made by formula."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import ndtr

from poolwatch.pool.geometry import VAGUE, extents
from poolwatch.pool.illuminated.boundary import chain, follow, settle
from poolwatch.pool.illuminated.bumps import level_bumps, tips_of
from poolwatch.pool.illuminated.evidence import (
    BINS,
    BRIGHTEST,
    FINER,
    REACH,
    SEARCH,
    SOFT,
    Counts,
    learn_evidence,
    weigh,
)
from poolwatch.pool.illuminated.metal_tone import plain_lighting
from poolwatch.pool.illuminated.region import contour_of, hull_of, pointed_of
from poolwatch.pool.illuminated.rim import RimTone, rim_of
from poolwatch.pool.illuminated.shading import no_shading, shading_of

RNG = np.random.default_rng(11)
TURN = np.linspace(0, 2 * np.pi, 200, endpoint=False)


def circle(radius: float, n: int = 160) -> tuple[np.ndarray, np.ndarray]:
    t = np.linspace(0, 2 * np.pi, n, endpoint=False)
    return 60 + radius * np.cos(t), 50 + radius * np.sin(t)


def test_chain_finds_clear_places_and_bridges_what_is_unclear():
    n, m = 100, 41
    true = 20 + 6 * np.sin(2 * np.pi * np.arange(n) / n)
    cost = 0.5 * ((np.arange(m)[None, :] - true[:, None]) / 0.7) ** 2
    cost[30:36] = 0.0
    mean, spread = chain(cost, 1.0)
    clear = np.ones(n, dtype=bool)
    clear[28:38] = False
    assert np.abs(mean - true)[clear].max() < 0.25
    assert np.abs(mean - true)[30:36].max() < 1.0
    assert spread[32:34].min() > 1.3 * spread[clear].max()


def test_chain_agrees_with_the_exact_sum_over_all_closed_chains():
    # The weight of all closed chains through a place is a diagonal element of the product of the step matrices once
    # round (transfer matrices, any textbook of statistical mechanics).
    n, m, stiff = 40, 6, 0.9
    cost = RNG.random((n, m)) * 4
    apart = np.subtract.outer(np.arange(m), np.arange(m))
    step = np.where(np.abs(apart) <= 3, np.exp(-0.5 * (apart / stiff) ** 2), 0.0)
    like = np.exp(-0.7 * cost)
    exact = []
    for j in range(n):
        product = np.eye(m)
        for k in range(n):
            product = product @ np.diag(like[(j + k) % n]) @ step
            product /= product.sum()
        weight = np.diag(product)
        exact.append((weight * np.arange(m)).sum() / weight.sum())
    mean, _ = chain(cost, stiff)
    assert mean == pytest.approx(np.array(exact), abs=0.01)


@pytest.mark.slow
def test_follow_comes_back_from_a_wrong_contour():
    yy, xx = np.mgrid[:100, :120]
    evidence = np.where(np.hypot(xx - 60, yy - 50) < 25, 3.0, -3.0).astype(np.float32)
    evidence += RNG.normal(0, 2.0, evidence.shape).astype(np.float32)
    x, y = circle(29.0)
    flat = rim_of(RimTone(0.2, 0.1, 0.1), RimTone(0.2, 0.1, 0.1), 1.0, 6, 1, 9, 1.0)
    nothing = np.full(evidence.shape, 0.2, dtype=np.float32)
    found = follow(evidence, nothing, flat, x, y, 160, 8.0, np.empty((0, 2)))
    radius = np.hypot(found[0] - 60, found[1] - 50)
    assert radius.mean() == pytest.approx(25.0, abs=0.5)
    assert radius.std() < 0.5


def test_follow_goes_to_the_step_of_tone_where_nothing_moves():
    yy, xx = np.mgrid[:100, :120]
    inside = ndtr(25.0 - np.hypot(xx - 60, yy - 50))
    bright = (0.4 - 0.2 * inside + RNG.normal(0, 0.01, inside.shape)).astype(np.float32)
    rim = rim_of(RimTone(0.2, 0.03, 0.01), RimTone(0.4, 0.03, 0.01), 1.0, 8, 1, 11, 1.0)
    x, y = circle(31.0)
    found = follow(np.zeros_like(bright), bright, rim, x, y, 160, 8.0, np.empty((0, 2)))
    radius = np.hypot(found[0] - 60, found[1] - 50)
    assert radius.mean() == pytest.approx(25.0, abs=0.3)
    assert radius.std() < 0.3


def test_a_glint_at_the_rim_that_motion_shows_does_not_pass_for_metal():
    yy, xx = np.mgrid[:100, :120]
    inside = np.hypot(xx - 60, yy - 50) < 25
    glint = inside & (np.abs(yy - 50) < 8) & (xx > 76)
    bright = np.where(inside & ~glint, 0.2, 0.4) + RNG.normal(0, 0.01, inside.shape)
    rim = rim_of(RimTone(0.2, 0.03, 0.01), RimTone(0.4, 0.03, 0.01), 1.0, 8, 1, 11, 1.0)
    x, y = circle(25.0)
    reach = []
    for changed in (0.0, 3.0):
        # Liquid that is calm but for its glint: tone alone shows the rest.
        evidence = np.where(glint, changed, 0.0).astype(np.float32)
        found = follow(evidence, bright.astype(np.float32), rim, x, y, 160, 8.0, np.empty((0, 2)))
        reach.append(float(found[0].max()) - 60)
    assert reach[0] < 22.0
    assert reach[1] > reach[0] + 1.0


def test_shading_along_a_rim_is_learned_by_side_and_the_blur_is_none():
    yy, xx = np.mgrid[:120, :140]
    depth = 40.3 - np.hypot(xx - 70, yy - 60)
    lit = 0.06 * np.clip(1 - depth / 5, 0, 1) * np.clip((xx - 70) / 40, 0, 1)
    inside = ndtr(depth / 0.9)
    bright = 0.4 + inside * (0.2 + lit - 0.4)
    outline = np.column_stack((70 + 40.3 * np.cos(TURN), 60 + 40.3 * np.sin(TURN)))
    fields = [(bright + RNG.normal(0, 0.005, bright.shape)).astype(np.float32) for _ in range(4)]
    found = shading_of(fields, [outline] * 4, RimTone(0.2, 0.01, 0.01), RimTone(0.4, 0.01, 0.01), 0.9)
    # Towards the light, 0 degrees, and away from it.
    assert found[0, 0] == pytest.approx(0.05, abs=0.012)
    assert found[0, 2] == pytest.approx(0.036, abs=0.006)
    assert np.abs(found[4]).max() < 0.006
    assert np.abs(found[:, 7]).max() < 0.006


def counts_of(liquid: float, metal: float, texture: float, change: float) -> Counts:
    """Counts of 200,000 pixels each, drawn: brightness against the metal's, difference in units of its noise."""
    n = 200_000
    bins = np.linspace(0, 1, BINS + 1)
    bright = [
        np.histogram(np.clip(RNG.normal(b, s, n) / BRIGHTEST, 0, 0.9999), bins)[0].astype(float)
        for b, s in ((liquid, 0.1), (metal, texture))
    ]
    share = []
    for size in (change, 0.0):
        e = (RNG.normal(0, 1, n) + size * RNG.normal(0, 1, n)) ** 2
        share.append(np.histogram(e / (e + SOFT), bins)[0].astype(float))
    both = np.array([np.outer(s, b) for s, b in zip(share, bright, strict=True)]) / n
    return Counts(both, np.array(share), np.array(bright), 60.0)


def tones(liquid: float, metal: float, texture: float) -> tuple[RimTone, RimTone]:
    return RimTone(liquid / BRIGHTEST, 0.02, 0.1 / BRIGHTEST), RimTone(
        metal / BRIGHTEST, 0.02, texture / BRIGHTEST
    )


@pytest.mark.parametrize("sigma", [0.8, 1.5])
@pytest.mark.parametrize(("liquid", "change"), [(0.4, 8.0), (0.6, 20.0), (0.95, 12.0)])
def test_the_place_of_a_blurred_edge_does_not_hang_on_the_contrast(sigma, liquid, change):
    counts = counts_of(liquid, 1.0, 0.12, change)
    tables = learn_evidence(counts, sigma, tones(liquid, 1.0, 0.12), no_shading())
    yy, xx = np.mgrid[:100, :120]
    inside = ndtr((25.3 - np.hypot(xx - 60, yy - 50)) / sigma)
    radii = []
    for _ in range(6):
        shape = inside.shape
        one, two = RNG.normal(1, 0.12, shape), RNG.normal(liquid, 0.1, shape)
        bright = (inside * two + (1 - inside) * one) / BRIGHTEST
        # Half of the frames compared show metal there, half liquid.
        of_metal = np.abs(two - one) * 60.0
        size = np.where(RNG.random(shape) < 0.5 * (1 - inside), of_metal, change * RNG.normal(0, 1, shape))
        e = (inside * size + RNG.normal(0, 1, shape)) ** 2
        share = (e / (e + SOFT)).astype(np.float32)
        x, y = circle(26.5)
        x, y, _, _ = settle(
            share,
            bright.astype(np.float32),
            tables.edge,
            x,
            y,
            SEARCH,
            FINER,
            SEARCH + REACH,
            8.0,
        )
        front, rear, *_ = extents(x, y, 1.0, 0.0, 0.0, -1.0, VAGUE)
        radii.append(0.5 * (front - rear))
    assert np.mean(radii) == pytest.approx(25.3, abs=0.45)
    assert np.std(radii) < 0.3


def test_a_bump_is_levelled_and_a_slow_swell_stays():
    t = np.arange(200)
    swell = 4 * np.sin(2 * np.pi * t / 200)
    bump = 6 * np.exp(-0.5 * ((t - 60) / 1.5) ** 2)
    limit = np.full(200, 1.5)
    level = level_bumps(swell + bump, 1.5, 10.0, limit)
    assert np.abs(level - swell).max() < 1.5
    np.testing.assert_allclose(level_bumps(swell, 1.5, 10.0, limit), swell)


def test_all_of_a_bump_goes_and_not_its_top_alone():
    t = np.arange(200)
    wide = 5 * np.exp(-0.5 * ((t - 60) / 3.0) ** 2)
    level = level_bumps(wide, 1.5, 12.0, np.full(200, 1.5))
    assert level.max() < 0.6
    # Where the limit is higher, a lower bump stays.
    limit = np.where(np.abs(t - 60) < 20, 6.0, 1.5)
    np.testing.assert_array_equal(level_bumps(wide, 1.5, 12.0, limit), wide)


def test_tips_are_where_the_pool_is_pointed_ahead_or_behind():
    t = np.linspace(0, 2 * np.pi, 192, endpoint=False)
    # Blunt to the right, pointed to the left, with a narrow bump on its side.
    x, y = 40 * np.cos(t), 20 * np.sin(t) * (1 + np.cos(t)) / 1.3
    y += 6 * np.exp(-0.5 * ((t - np.pi / 2) / 0.08) ** 2)
    found = tips_of(np.column_stack((x, y)), 15.0, (1.0, 0.0))
    assert len(found) == 1
    assert found[0] == pytest.approx((-1.0, 0.0), abs=0.2)
    # The same whichever way travel goes along that line, and nothing across it.
    np.testing.assert_array_equal(tips_of(np.column_stack((x, y)), 15.0, (-1.0, 0.0)), found)
    across = tips_of(np.column_stack((x, y)), 15.0, (0.0, 1.0))
    assert len(across) >= 1
    assert (np.abs(across[:, 1]) > 0.5).all()
    assert len(tips_of(np.column_stack(circle(40.0, 192)), 15.0, (1.0, 0.0))) == 0


def pool_with(tail: float, *bumps: tuple[int, int, int]) -> np.ndarray:
    """A disc with a pointed tail to the left that ends at `tail`, and round bumps (x, y, radius)."""
    yy, xx = np.mgrid[:100, :160]
    mask = np.hypot(xx - 100, yy - 50) < 30
    mask |= (xx >= tail) & (xx < 100) & (np.abs(yy - 50) < 30 * (xx - tail) / (100 - tail))
    for x, y, radius in bumps:
        mask |= np.hypot(xx - x, yy - y) < radius
    return mask


def outline_of(mask: np.ndarray) -> np.ndarray:
    return contour_of(mask, 0)[0]


def test_a_pointed_tail_stays_where_bumps_are_shaved_off():
    usual = [outline_of(pool_with(20 + k)) for k in (-4, 0, 2)]
    # Touched by a particle in one of four.
    usual.append(outline_of(pool_with(20, (100, 17, 6))))
    pointed = pointed_of(usual, 15, (1.0, 0.0))
    assert len(pointed) == 1
    bumpy = pool_with(16, (100, 17, 6), (120, 80, 6))
    blunt, _ = contour_of(bumpy, 15)
    kept, _ = contour_of(bumpy, 15, pointed=pointed)
    assert blunt[:, 0].min() > 25
    assert kept[:, 0].min() <= 18
    # The bumps are off in both, wherever the pool now is.
    assert kept[:, 1].min() == blunt[:, 1].min() >= 17
    assert kept[:, 1].max() == blunt[:, 1].max() <= 83
    moved, _ = contour_of(np.roll(bumpy, (3, 12), (0, 1)), 15, pointed=pointed)
    np.testing.assert_array_equal(moved, kept + (12, 3))
    # A blunt pool has no such place, and where no disc fits there is none to lay it at.
    assert pointed_of([outline_of(np.hypot(*np.mgrid[-50:50, -80:80]) < 30)] * 3, 7, (1.0, 0.0)) == ()
    assert pointed_of(usual, 201, (0.6, 0.8)) == ()


def test_evidence_is_silent_where_nothing_is_known():
    counts = counts_of(1.0, 1.0, 0.1, 10.0)
    tables = learn_evidence(counts, 1.0, tones(1.0, 1.0, 0.1), no_shading())
    frame = np.full((20, 30), 100, dtype=np.uint8)
    nothing = np.full((20, 30), 2.0, dtype=np.float32)
    light = plain_lighting((100.0, 0.0, 0.0), (20, 30))
    weight, bright = weigh(frame, (0, 20, 0, 30), nothing, 1.0, light, tables.by_both)
    assert bright == pytest.approx(1 / BRIGHTEST)
    assert np.abs(weight).max() < 0.3
    moving, _ = weigh(
        frame,
        (0, 20, 0, 30),
        np.full((20, 30), 0.9, dtype=np.float32),
        1.0,
        light,
        tables.by_both,
    )
    assert moving.min() > 2.0


def test_parts_of_a_pool_are_gathered_and_what_lies_far_off_is_not():
    yy, xx = np.mgrid[:120, :200]
    pool = np.hypot((xx - 90) / 50, (yy - 60) / 22)
    seen = (np.abs(pool - 1) < 0.08) & (np.abs(yy - 60) < 14)
    for glint in (120, 104, 88, 72, 56):
        seen |= np.hypot(xx - glint, yy - 60) < 6
    flying = np.hypot(xx - 190, yy - 12) < 4
    contour, area = hull_of(seen | flying)
    assert contour[:, 0].min() == pytest.approx(38, abs=3)
    assert contour[:, 0].max() == pytest.approx(142, abs=3)
    # Of the pool between its ends no part is seen: the hull is narrower there.
    assert 0.7 < area / (np.pi * 50 * 22) < 1.0
    assert hull_of(np.zeros((40, 50), dtype=bool))[1] == 0.0
