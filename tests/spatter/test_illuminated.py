"""Particles in lit footage, part by part: residuals, shadows."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import ndimage

from poolwatch.measure.residuals import residuals_of
from poolwatch.pool.illuminated.neighbours import Registering
from poolwatch.spatter import SpatterSettings, Tracks, detect, learn
from poolwatch.spatter.illuminated import Contrast, link_both, stand_out
from poolwatch.spatter.illuminated.ground import MIDDLE, UNIT
from poolwatch.spatter.illuminated.shadows import shadows
from poolwatch.spatter.records import DARK, SIGHTING

FULL = 255.0
CONTRAST = Contrast(read=2.0, shot=0.03, scale=UNIT / FULL, level=90.0)


def plainly(frame, near, contrast):
    """`stand_out` and what is behind, in plain NumPy: the middle two of four, the outer two of three, by sorting."""
    four = np.sort(near.astype(np.float64), axis=0)
    two = four[1:3].copy()
    below, above = four[0] < -2e5, four[3] > 2e5
    two[0] = np.where(above & ~below, four[0], two[0])
    two[1] = np.where(below & ~above, four[3], two[1])
    ground, apart = two.mean(axis=0), 0.5 * (two[1] - two[0])
    noise = np.sqrt(contrast.read + contrast.shot * np.maximum(ground, 0))
    dead = np.clip(2 * (apart - 1.5 * noise), 0, apart)
    dead += 5 * noise * np.pad(np.zeros((frame.shape[0] - 4, frame.shape[1] - 4)), 2, constant_values=1)
    above = frame - ground
    size = np.where(apart < 2e5, np.maximum(np.abs(above) - dead, 0), 0)
    out = np.clip(MIDDLE + contrast.scale * np.sign(above) * size, 0, 65535)
    known = np.where(apart < 2e5, ground, contrast.level)
    return out, np.clip(MIDDLE + contrast.scale * (known - contrast.level), 0, 65535)


def test_residuals_are_what_plain_numpy_gives():
    rng = np.random.default_rng(5)
    frame = rng.integers(0, 256, (40, 70)).astype(np.uint8)
    near = (frame + rng.normal(0, 6, (4, 40, 70))).astype(np.float32)
    near[0, :10], near[1, 5:20], near[2, 8:15, 30:] = -1e6, 1e6, 1e6
    near[:, 25:28, 3:9] = rng.normal(100, 40, (4, 3, 6))
    out, behind = np.empty((2, *frame.shape), dtype=np.uint16)
    stand_out(frame, near, CONTRAST, out, behind)
    for mine, plain in zip((out, behind), plainly(frame, near, CONTRAST), strict=True):
        assert np.abs(mine - plain).max() < 1.01


def moving(n, step, draw):
    """Frames of a textured sheet that moves by `step` a frame, `draw(frame, k)` upon each."""
    rng = np.random.default_rng(8)
    sheet = ndimage.gaussian_filter(rng.normal(size=(160, 260)), 1.6)
    sheet = 100 + 25 * sheet / sheet.std()
    rows, cols = np.mgrid[0:80, 0:120].astype(float)
    frames = []
    for k in range(n):
        one = ndimage.map_coordinates(sheet, [rows + 40 - step[1] * k, cols + 70 - step[0] * k], order=5)
        frames.append(draw(one, k) + rng.normal(0, 1.5, one.shape))
    return np.clip(np.rint(frames), 0, 255).astype(np.uint8)


@pytest.mark.parametrize(("step", "tone"), [((0.43, -0.21), 220.0), ((0.0, 0.0), 10.0)])
def test_marks_on_the_metal_vanish_and_what_flies_over_it_stays(step, tone):
    rows, cols = np.mgrid[0:80, 0:120].astype(float)

    def disc(one, k):
        cover = np.clip(4.5 - np.hypot(cols - 20 - 5 * k, rows - 20 - 2 * k), 0, 1)
        return one + cover * (tone - one)

    frames = moving(17, step, disc)
    how = Registering(lag=3, metal_px=step, noise=(4.5, 0.0), step=3)
    seen = residuals_of(frames, [8], how, Contrast(2.25, 0.0, UNIT / FULL, 0.0))[0][0]
    grey = (seen - MIDDLE) * FULL / UNIT
    inside = np.hypot(cols - 60, rows - 36) < 3
    outside = (np.hypot(cols - 60, rows - 36) > 7) & (cols > 4) & (cols < 115) & (rows > 4) & (rows < 75)
    plain = frames[8].astype(float)
    behind = moving(17, step, lambda one, k: one)[8].astype(float)
    assert np.abs(grey - (plain - behind))[inside].mean() < 3.0
    assert grey[inside].mean() * (tone - 100) > 0
    # Noise of a frame and of the mean of the middle two of four: texture of 25 grey values leaves no more.
    assert grey[outside].std() < 2.2


def track(first, last, place, velocity, *, dark, flux=2000.0):
    out = np.zeros(last - first, dtype=SIGHTING)
    out["frame"] = np.arange(first, last)
    out["x"] = place[0] + velocity[0] * (out["frame"] - first)
    out["y"] = place[1] + velocity[1] * (out["frame"] - first)
    out["spread"], out["flux"], out["mark"] = 36 / 16, flux, DARK if dark else 0
    out["peak"] = flux / 1e4
    return out


def joined(*parts):
    starts = np.append(0, np.cumsum([len(part) for part in parts])).astype(np.int64)
    return Tracks(np.concatenate(parts), starts, np.ones(100, dtype=np.bool_), 0)


def test_a_dark_thing_beside_another_is_its_shadow():
    bright = track(5, 25, (50, 50), (5, 2), dark=False)
    beside = track(6, 25, (58, 54), (5, 2), dark=True)
    running_away = track(5, 25, (52, 51), (5.6, 2.5), dark=True)
    assert shadows(joined(bright, beside)).tolist() == [False, True]
    assert shadows(joined(bright, running_away)).tolist() == [False, True]
    # Of two dark ones the paler is the shadow, whichever is first.
    deep, pale = (
        track(5, 25, (50, 50), (5, 2), dark=True),
        track(5, 25, (57, 53), (5, 2), dark=True, flux=900.0),
    )
    assert shadows(joined(deep, pale)).tolist() == [False, True]
    assert shadows(joined(pale, deep)).tolist() == [True, False]


def test_others_are_no_shadows():
    bright = track(5, 25, (50, 50), (5, 2), dark=False)
    across = track(5, 25, (52, 90), (5, -2), dark=True)
    later = track(23, 40, (150, 90), (5, 2), dark=True)
    far = track(5, 25, (50, 150), (5, 2), dark=True)
    second = track(5, 25, (56, 54), (5, 2), dark=False)
    small = track(5, 25, (58, 54), (5, 2), dark=True)
    small["spread"] = 9 / 16
    apart = track(5, 25, (80, 50), (5.2, 2), dark=True)
    for other in (across, later, far, second, small, apart):
        assert not shadows(joined(bright, other)).any()


def test_shadows_of_a_clip_lie_toward_one_side():
    bright = [track(5, 25, (50, 50 + 40 * k), (5, 2), dark=False) for k in range(6)]
    sure = [track(6, 25, (58, 54 + 40 * k), (5, 2), dark=True) for k in range(3)]
    # Half as large as its particle, and toward the same side; and one as large, toward the other.
    small, behind = (
        track(6, 25, (58, 174), (5, 2), dark=True),
        track(6, 25, (42, 206), (5, 2), dark=True),
    )
    small["spread"] = 9 / 16
    found = shadows(joined(*bright, *sure, small, behind))
    assert found.tolist() == [False] * 6 + [True] * 4 + [False]
    # One of many is a particle beside another.
    assert not shadows(joined(*bright, sure[0])).any()


def test_two_dark_particles_alike_are_no_shadows():
    one, other = (track(5, 25, place, (5, 2), dark=True) for place in ((50, 50), (57, 53)))
    assert not shadows(joined(one, other)).any()
    # Four such pairs, each toward another side.
    pairs = [
        track(5, 25, (50 + dx, 50 + 60 * k + dy), (5, 2), dark=True)
        for k, side in enumerate(((7, 3), (-3, 7), (7, -6), (0, 8)))
        for dx, dy in ((0, 0), side)
    ]
    assert not shadows(joined(*pairs)).any()


def test_of_two_dark_ones_alike_one_is_a_shadow_where_all_of_a_clip_lie_toward_one_side():
    pairs = [
        track(5, 25, (50 + dx, 50 + 60 * k + dy), (5, 2), dark=True)
        for k in range(3)
        for dx, dy in ((0, 0), (7, 3 + k))
    ]
    alone = [track(5, 25, (50, 300 + 60 * k), (5, 2), dark=True) for k in range(12)]
    found = shadows(joined(*pairs, *alone))
    assert [found[2 * k : 2 * k + 2].sum() for k in range(3)] == [1, 1, 1]
    assert not found[6:].any()


def test_bright_things_beside_their_shadow_are_followed_whatever_their_shape():
    bright, dark = (
        track(5, 25, place, (5, 2), dark=dark) for place, dark in (((50, 50), False), ((54, 55), True))
    )
    # Drawn out across their way, as a disc from which the shadow takes a piece.
    bright["streak_m"], bright["streak_n"] = -60 * np.cos(0.76), -60 * np.sin(0.76)
    for part in (bright, dark):
        part["u_x"] = part["u_y"] = 0.05
        part["u_flux"], part["u_streak"], part["slope"] = 0.05, 3.0, 1 / 24
    both = np.concatenate([bright, dark])
    both = both[np.argsort(both["frame"], kind="stable")]
    tracks, shade = link_both(both, np.ones(40, dtype=np.bool_), (200, 300), SpatterSettings())
    assert np.diff(tracks.starts).tolist() == [20, 20]
    assert sorted(shade) == [False, True]


def test_a_slow_particle_leaves_no_ghost_behind_where_the_clip_ends():
    rows, cols = np.mgrid[0:80, 0:120].astype(float)

    def disc(one, k):
        return one + np.clip(7.0 - np.hypot(cols - 40 - 2.5 * k, rows - 40), 0, 1) * (220.0 - one)

    frames = moving(20, (0.0, 0.0), disc)
    how = Registering(lag=3, metal_px=(0.0, 0.0), noise=(4.5, 0.0), step=3)
    seen = residuals_of(frames, [0, 19], how, Contrast(2.25, 0.0, UNIT / FULL, 0.0))[0]
    for k, picture in zip((0, 19), seen, strict=True):
        grey = (picture - MIDDLE) * FULL / UNIT
        away = (
            (np.hypot(cols - 40 - 2.5 * k, rows - 40) > 9)
            & (cols > 4)
            & (cols < 115)
            & (rows > 4)
            & (rows < 75)
        )
        # Where two neighbours show the particle it has been, or will be, this frame shows metal.
        assert np.abs(ndimage.uniform_filter(grey, 3)[away]).max() < 8


def test_a_shadow_that_touches_a_particle_hardly_moves_its_edge():
    rows, cols = np.mgrid[:96, :96]
    rng = np.random.default_rng(4)
    look = learn(
        np.clip(MIDDLE + 180 * rng.normal(size=(12, 96, 96)), 0, 65535).astype(np.uint16),
        full_scale=65535.0,
        settings=SpatterSettings(psf_sigma_px=1.0),
        behind=np.full((12, 96, 96), MIDDLE, dtype=np.uint16),
    )

    def seen_as(shadow: float, look) -> tuple[float, float]:
        """Squared diameter and squared length of its streak, px²."""
        cover = np.clip(4.5 - np.hypot(cols - 48, rows - 48), 0, 1)
        shade = np.clip(4.5 - np.hypot(cols - 52, rows - 51), 0, 1)
        light = ndimage.gaussian_filter(cover * 12_000 - (1 - cover) * shade * shadow, 1.0)
        frame = np.clip(MIDDLE + light + 180 * rng.normal(size=cover.shape), 0, 65535)
        (seen,) = detect(frame[None].astype(np.uint16), None, look)
        streak = float(np.hypot(seen["streak_m"], seen["streak_n"]))
        return float(16 * seen["spread"]) - 2 / 3 * streak, streak

    alone, _ = seen_as(0.0, look)
    size, streak = seen_as(8000.0, look)
    assert size == pytest.approx(alone, rel=0.1)
    # As part of the ground the shadow draws the disc out.
    assert seen_as(8000.0, replace(look, below=np.inf))[1] > 2 * streak


def test_marks_that_a_particle_hides_do_not_change_its_size():
    """The brighter the metal, the less a bright disc stands out of it: marks show on the disc, turned over."""
    rows, cols = np.mgrid[:96, :96]
    rng = np.random.default_rng(6)
    frames = np.clip(MIDDLE + 180 * rng.normal(size=(12, 96, 96)), 0, 65535).astype(np.uint16)
    flat = np.full(frames.shape, MIDDLE, dtype=np.uint16)
    look = learn(frames, full_scale=65535.0, settings=SpatterSettings(psf_sigma_px=1.0), behind=flat)
    errors = []
    for _ in range(24):
        marks = ndimage.gaussian_filter(rng.normal(size=(96, 96)), 2.0)
        marks *= 1500 / marks.std()
        cover = np.clip(4.5 - np.hypot(cols - 48, rows - 48), 0, 1)
        cover = ndimage.gaussian_filter(cover, 1.0)
        frame = np.clip(MIDDLE + cover * (9000 - marks) + 180 * rng.normal(size=cover.shape), 0, 65535)
        behind = np.rint(MIDDLE + marks).astype(np.uint16)
        seen = [
            detect(frame[None].astype(np.uint16), None, look, behind=each[None]) for each in (behind, flat[0])
        ]
        errors.append([4 * float(found["spread"].max()) ** 0.5 - 8.0 for found in seen])
    known, unknown = np.array(errors).T
    assert abs(known.mean()) < 0.04
    assert np.std(known) < 0.05
    assert np.std(unknown) > 3 * np.std(known)
