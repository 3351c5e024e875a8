"""From a frame to what stands out of it, against NumPy and SciPy: block means, slow ground, smoothing, sieve, regions."""

from __future__ import annotations

import warnings
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation, convolve, label, map_coordinates

from poolwatch.model.pixels import by_depth
from poolwatch.spatter.facts import Canvas, Residual, SpatterFacts, SpatterLook, Work, facts_of, work_arrays
from poolwatch.spatter.filtering import level_at, residual_of, slow_ground, smooth, smoothed_at, spread
from poolwatch.spatter.segmenting import find_regions, mean_without, prepare
from poolwatch.spatter.sieve import BLOCK

SIZE = (3 * BLOCK + 5, 6 * BLOCK + 11)
BINOMIAL = np.outer((1, 2, 1), (1, 2, 1)) / 16.0


def scene(
    seed: int, *, full: float, dark: bool = False, places: bool = True
) -> tuple[NDArray[np.generic], SpatterLook, NDArray[np.float64]]:
    """A noisy frame with some bright (or dark) spots, what was learned of its clip, and an outline in it."""
    rng = np.random.default_rng(seed)
    h, w = SIZE
    unit = full / 255.0
    rows, cols = np.mgrid[0:h, 0:w]
    learned = unit * (
        20.0
        + 12.0 * np.sin(rows / 9.0) * np.cos(cols / 13.0)
        + 60.0 * np.exp(-((cols - 40.0) ** 2 + (rows - 25.0) ** 2) / 300.0)
    )
    picture = learned * rng.uniform(0.93, 1.07) + unit * (
        rng.normal(size=(h, w)) + rng.uniform(-2, 2) * cols / w
    )
    for _ in range(5):
        y, x = rng.uniform(0, h), rng.uniform(0, w)
        picture += (
            unit * rng.uniform(4, 60) * np.exp(-((rows - y) ** 2 + (cols - x) ** 2) / rng.uniform(2, 40))
        )
    sign, offset = (-1.0, full) if dark else (1.0, 0.0)
    native = np.clip(np.rint(full - picture if dark else picture), 0, full)
    spots = (
        np.array(np.divmod(rng.choice(h * w, 300, replace=False), w))
        if places
        else np.zeros((2, 0), dtype=np.int64)
    )
    look = SpatterLook(
        background=learned.astype(np.float32),
        threshold=(unit * rng.uniform(1.5, 3.0, (h, w))).astype(np.float32),
        read=1.0,
        shot=0.0,
        psf_sigma_px=1.0,
        psf_u_px=0.0,
        psf_source="given",
        full_scale=full,
        full_level=0.998 * full,
        detection_level=6.0,
        places=spots.astype(np.int64),
        black=unit * 3.0,
        sign=sign,
        offset=offset,
        even=False,
        flicker=0.0,
    )  # fmt: skip
    turn = np.linspace(0, 2 * np.pi, 90, endpoint=False)
    outline = np.column_stack([40.0 + 22.0 * np.cos(turn), 25.0 + 10.0 * np.sin(turn)])
    return native.astype(np.uint16 if full > 255 else np.uint8), look, outline


def hidden_in(canvas: Canvas) -> NDArray[np.bool_]:
    cols = np.arange(SIZE[1])
    return np.asarray((cols >= canvas.left[:, None]) & (cols <= canvas.right[:, None]))


def whole(frame: NDArray[np.generic], facts: SpatterFacts, gain: float, work: Work) -> NDArray[np.float32]:
    """The smoothed picture of a whole frame."""
    height, width = SIZE
    smooth(Residual(by_depth(frame[None]), 0, facts.ground, gain), work.canvas, 0, height, 0, width)
    return work.canvas.picture


@pytest.mark.slow
@pytest.mark.parametrize(("full", "dark"), [(255.0, False), (4095.0, False), (255.0, True), (65535.0, True)])
@pytest.mark.parametrize("seed", range(4))
def test_block_means_and_smoothing(seed: int, full: float, dark: bool) -> None:
    """Block means as NumPy's, the smoothed picture as SciPy's with the same slow ground taken off."""
    frame, look, outline = scene(seed, full=full, dark=dark)
    facts, work = facts_of(look, 3.0), work_arrays(*SIZE)
    frames = by_depth(frame[None])
    gain = prepare(frames, 0, outline, facts, work)
    learned = gain * look.background.astype(float) + look.black * (1.0 - gain)
    residual = look.sign * frame.astype(float) + look.offset - learned
    own = np.empty(SIZE, dtype=np.float32)
    residual_of(Residual(frames, 0, facts.ground, gain), own)
    rounding = 2e-6 * look.full_scale
    assert own == pytest.approx(residual, abs=rounding)
    hidden = hidden_in(work.canvas)
    for i in range(work.means.shape[0]):
        for j in range(work.means.shape[1]):
            part = (slice(i * BLOCK, (i + 1) * BLOCK), slice(j * BLOCK, (j + 1) * BLOCK))
            seen = ~hidden[part]
            if 4 * seen.sum() < seen.size:
                assert np.isnan(work.means[i, j])
            else:
                assert work.means[i, j] == pytest.approx(residual[part][seen].mean(), abs=rounding)
    picture = whole(frame, facts, gain, work)
    rows, cols = np.mgrid[0 : SIZE[0], 0 : SIZE[1]]
    at = [(rows + 0.5) / BLOCK - 0.5, (cols + 0.5) / BLOCK - 0.5]
    slow = map_coordinates(work.canvas.calm.astype(float), at, order=1, mode="nearest")
    due = convolve(residual, BINOMIAL, mode="nearest") - slow
    assert (picture[hidden] < -1e29).all()
    assert hidden.any()
    assert picture[~hidden] == pytest.approx(due[~hidden], abs=3 * rounding)
    for y, x in ((0, 0), (SIZE[0] - 1, SIZE[1] - 1), (17, 70), (40, 3)):
        own_value = smoothed_at(Residual(frames, 0, facts.ground, gain), work.canvas.calm, y, x)
        assert own_value == pytest.approx(due[y, x], abs=3 * rounding)
        assert level_at(work.canvas.calm, y, x) == pytest.approx(slow[y, x], abs=rounding)


@pytest.mark.parametrize("full", [255.0, 4095.0, 65535.0])
@pytest.mark.parametrize("dark", [False, True])
def test_regions_are_those_of_the_whole_picture(full: float, dark: bool) -> None:
    """Blocks that the sieve sets aside hold nothing, and what is found is what SciPy's labels find in the whole picture."""
    marked = filled = blocks = 0
    for seed in range(40):
        frame, look, outline = scene(seed, full=full, dark=dark, places=seed % 3 > 0)
        facts, work = facts_of(look, 3.0), work_arrays(*SIZE)
        frames = by_depth(frame[None])
        gain = prepare(frames, 0, outline, facts, work)
        flags = work.flags.copy()
        picture = whole(frame, facts, gain, work).copy()
        above = picture > look.threshold
        for i, j in np.argwhere(~flags):
            assert not above[i * BLOCK : (i + 1) * BLOCK, j * BLOCK : (j + 1) * BLOCK].any()
        marked += flags.sum()
        filled += sum(
            above[i * BLOCK : (i + 1) * BLOCK, j * BLOCK : (j + 1) * BLOCK].any()
            for i, j in np.argwhere(flags)
        )
        blocks += flags.size
        work = work_arrays(*SIZE)
        # Nothing may hang on what is left of the frame before.
        work.canvas.picture[:], work.canvas.ready[:] = 1e9, True
        _, _, count, used = find_regions(frames, 0, outline, np.array([0, len(outline)]), facts, work)
        joined, _ = label(picture > 0.5 * look.threshold, np.ones((3, 3)))
        due = np.isin(joined, np.unique(joined[above]))
        assert (due & (joined > 0)).sum() == used
        assert ((work.owner != 0) == (due & (joined > 0))).all()
        tops = [np.argmax(np.where(joined == k, picture, -np.inf)) for k in np.unique(joined[above])]
        assert count >= above.ravel()[tops].sum()
        assert set(np.unique(work.owner[work.owner > 0])) == set(range(1, count + 1))
    assert filled <= marked <= 1.5 * filled
    assert 0.1 * blocks < marked < 0.7 * blocks


@pytest.mark.parametrize("gain", [0.8, 1.3])
@pytest.mark.parametrize("outside", ["darker", "brighter", "hidden"])
def test_the_sieve_knows_what_smoothing_takes_in_from_beyond_a_block(gain: float, outside: str) -> None:
    """A step of the ground at the blocks' rims, or where the pool hides it, and something a little above the level there."""
    _, look, _ = scene(0, full=255.0)
    ground = np.full(SIZE, 40.0 if outside == "brighter" else 120.0, dtype=np.float32)
    other = 120.0 if outside == "brighter" else 40.0
    ground[:, 3 * BLOCK :] = other
    outline = np.zeros((0, 2))
    if outside == "hidden":
        # What is hidden is bright, what is in sight dark, in one and the same block.
        ground[:, 3 * BLOCK - 7 :] = other
        outline = np.array([(8.0, -9.0), (3 * BLOCK - 12.0, -9.0), (3 * BLOCK - 12.0, 70.0), (8.0, 70.0)])
    look = replace(look, background=ground, black=0.0, threshold=np.full(SIZE, 2.0, dtype=np.float32))
    facts, work = facts_of(look, 3.0), work_arrays(*SIZE)
    flat = np.rint(gain * ground).astype(np.uint8)
    missed = seen = 0
    for y in range(2, SIZE[0] - 2):
        for x in range(3 * BLOCK - 10, 3 * BLOCK + 2):
            frame = flat.copy()
            frame[y, x] += 9
            found = prepare(by_depth(frame[None]), 0, outline, facts, work)
            flags = work.flags.copy()
            above = whole(frame, facts, found, work) > look.threshold
            assert found == pytest.approx(gain, abs=0.01)
            seen += above.any()
            missed += any(not flags[y // BLOCK, x // BLOCK] for y, x in np.argwhere(above))
    assert seen > 100
    assert missed == 0


def test_an_even_ground_keeps_nothing_of_what_the_arrays_served_before() -> None:
    frame, look, outline = scene(1, full=255.0)
    facts = facts_of(replace(look, even=True), 3.0)
    used, fresh = work_arrays(*SIZE), work_arrays(*SIZE)
    used.canvas.calm[:] = 7.0
    for work in (used, fresh):
        prepare(by_depth(frame[None]), 0, outline, facts, work)
    assert (used.canvas.calm == 0.0).all()
    assert (used.flags == fresh.flags).all()


def test_hardly_a_block_of_noise_is_looked_at_closely() -> None:
    """With the level at five standard deviations of the smoothed noise, and the learned ground right."""
    marked = blocks = 0
    for seed in range(20):
        _, look, outline = scene(seed, full=255.0, places=False)
        rng = np.random.default_rng(seed)
        noisy = np.clip(np.rint(look.background + rng.normal(size=SIZE)), 0, 255).astype(np.uint8)
        look = replace(look, threshold=np.full(SIZE, 5 * 0.375, dtype=np.float32))
        work = work_arrays(*SIZE)
        prepare(by_depth(noisy[None]), 0, outline, facts_of(look, 3.0), work)
        marked += work.flags.sum()
        blocks += work.flags.size
    assert marked < 0.01 * blocks


def test_slow_ground_is_the_median_of_nine_blocks() -> None:
    """Against NumPy, with and without blocks that are out of sight."""
    rng = np.random.default_rng(6)
    means = rng.normal(size=(7, 9)).astype(np.float32)
    calm = np.empty_like(means)
    for gone in (0.0, 0.3):
        means[rng.random(means.shape) < gone] = np.nan
        slow_ground(means, calm)
        wide = np.pad(means, 1, constant_values=np.nan)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            due = np.nanmedian([wide[a : a + 7, b : b + 9] for a in range(3) for b in range(3)], axis=0)
        assert calm == pytest.approx(due, abs=1e-6)
    for first, size in ((0, 9 * BLOCK - 3), (BLOCK, BLOCK + 2), (5, 40)):
        out = np.empty(size, dtype=np.float32)
        spread(calm[3], first, out)
        at = (np.arange(first, first + size) + 0.5) / BLOCK - 0.5
        assert out == pytest.approx(np.interp(at, np.arange(9), calm[3]), abs=1e-6)


def test_means_leave_out_owners_and_two_pixels_beside_them() -> None:
    """Against SciPy's dilation along rows; owners at both borders, and rows without any."""
    frame, look, outline = scene(3, full=255.0)
    facts, work = facts_of(look, 3.0), work_arrays(*SIZE)
    frames = by_depth(frame[None])
    gain = prepare(frames, 0, outline, facts, work)
    rng = np.random.default_rng(8)
    work.owner[:] = rng.random(SIZE) < 0.03
    work.owner[2, 0] = work.owner[3, 1] = work.owner[4, -1] = work.owner[5, -2] = 7
    work.owner[7:12] = 0
    own = np.empty(SIZE, dtype=np.float32)
    residual_of(Residual(frames, 0, facts.ground, gain), own)
    gone = binary_dilation(work.owner != 0, np.ones((1, 5), dtype=np.bool_)) | hidden_in(work.canvas)
    for i in range(work.means.shape[0]):
        for j in range(work.means.shape[1]):
            part = (slice(i * BLOCK, (i + 1) * BLOCK), slice(j * BLOCK, (j + 1) * BLOCK))
            seen = ~gone[part]
            mean = mean_without(Residual(frames, 0, facts.ground, gain), work, i, j)
            if 4 * seen.sum() < seen.size:
                assert np.isnan(mean)
            else:
                assert mean == pytest.approx(own[part][seen].mean(), abs=1e-4)


@pytest.mark.parametrize("light", [0.8, 1.15])
def test_a_frame_in_which_nothing_stands_out_keeps_its_gain(light: float) -> None:
    """The point spread takes the pixels around a sighting from such a frame too, where it lies under the margin."""
    _, look, outline = scene(5, full=4095.0)
    look = replace(look, threshold=np.full(SIZE, 1e6, dtype=np.float32), black=0.0)
    frame = np.rint(light * look.background).astype(np.uint16)
    facts, work = facts_of(look, 3.0), work_arrays(*SIZE)
    starts = np.array([0, len(outline)])
    at, gain, count, used = find_regions(by_depth(frame[None]), 0, outline, starts, facts, work)
    assert (at, count, used) == (1, 0, 0)
    assert gain == pytest.approx(light, abs=0.01)
