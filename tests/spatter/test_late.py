"""Fits of faint sightings that are put off: nothing that a track could use goes unfitted."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from poolwatch.spatter import LateFits, SpatterLook, SpatterSettings, detect, detect_waiting, learn, link
from poolwatch.spatter.links import LINK
from poolwatch.spatter.partners import DIAMETER, FRAME, POINT, SLACK, TOUCHING, VARIANCE, X, Y, have_partners
from poolwatch.spatter.records import UNFITTED
from poolwatch.spatter.tracking import Reach, track_sightings
from tests.spatter.rendered import Flight, Footage

MAX_STEP, MAX_GAP = 65.0, 3


def partners_of(points: list[tuple[float, float, float]], slack: float = 0.0) -> list[bool]:
    """Whether points (frame, x, y), in order of frames, have partners; every frame could show particles."""
    s = np.zeros((len(points), POINT))
    s[:, [FRAME, X, Y]] = points
    s[:, VARIANCE], s[:, DIAMETER], s[:, SLACK] = 0.01, 2.0, slack
    frames = int(s[-1, FRAME]) + 1
    starts = np.searchsorted(s[:, FRAME], np.arange(frames + 1)).astype(np.int64)
    out = np.zeros(len(s), dtype=np.bool_)
    which = np.arange(len(s))
    have_partners(s, starts, which, s[:, FRAME].astype(np.int64), MAX_STEP, MAX_GAP, out)
    return [bool(one) for one in out]


@pytest.mark.parametrize(
    ("frames", "together"),
    [((0, 1, 2), True), ((0, 2, 3), True), ((0, 1, 3), True), ((0, 2, 4), False), ((0, 1, 5), False)],
)
def test_three_in_line_begin_a_track_with_one_frame_unseen(frames: tuple[int, ...], together: bool) -> None:
    assert partners_of([(t, 20.0 + 9.0 * t, 30.0 - 4.0 * t) for t in frames]) == [together] * 3


def test_what_lies_aside_or_too_far_off_has_none() -> None:
    assert not any(partners_of([(0, 20.0, 30.0), (1, 29.0, 30.0), (2, 38.0, 60.0)]))
    assert not any(partners_of([(t, 20.0 + 70.0 * t, 30.0) for t in range(3)]))
    assert all(partners_of([(t, 20.0 + 70.0 * t, 30.0) for t in range(3)], slack=3.0))


@pytest.mark.parametrize(("gap", "goes_on"), [(4, True), (5, False)])
def test_a_track_goes_on_after_frames_unseen(gap: int, goes_on: bool) -> None:
    line = [(t, 20.0 + 9.0 * t, 30.0) for t in (0, 1, 2, 2 + gap)]
    assert partners_of(line) == [True, True, True, goes_on]
    aside = [*line[:3], (2 + gap, line[3][1], 100.0)]
    assert partners_of(aside) == [True, True, True, False]


@pytest.mark.parametrize("seed", range(8))
def test_whatever_is_linked_has_partners(seed: int) -> None:
    """Particles that scatter, fade out of sight and cross, among strays: every sighting of a track was let through."""
    rng = np.random.default_rng(seed)
    frames, size = 120, (256.0, 512.0)
    rows = []
    for _ in range(25):
        begin, x, y = rng.integers(0, frames - 8), rng.uniform(0, size[1]), rng.uniform(0, size[0])
        vx, vy = rng.normal(0, 14, 2)
        for t in range(begin, min(begin + int(rng.integers(4, 25)), frames)):
            if rng.random() < 0.75:
                scatter = rng.normal(0, 0.6, 2)
                rows.append((t, x + vx * (t - begin) + scatter[0], y + vy * (t - begin) + scatter[1]))
    rows += [
        (int(rng.integers(frames)), rng.uniform(0, size[1]), rng.uniform(0, size[0])) for _ in range(250)
    ]
    points = np.array(sorted(rows))
    measured = rng.random(frames) > 0.1
    points = points[measured[points[:, 0].astype(int)]]
    n = len(points)
    links = np.zeros(n, dtype=LINK)
    links["frame"], links["x"], links["y"] = points.T
    links["variance"], links["diameter"] = rng.uniform(0.01, 0.5, n), rng.uniform(0.0, 8.0, n)
    links["log_light"], links["u_streak"], links["touching"] = (
        rng.normal(5, 0.3, n),
        50.0,
        rng.random(n) < 0.2,
    )
    track_of = np.full(n, -1, dtype=np.int32)
    starts = np.searchsorted(points[:, 0], np.arange(frames + 1)).astype(np.int64)
    height, width = size
    track_sightings(links, starts, measured, Reach(MAX_STEP, MAX_GAP, width, height), track_of)
    linked = np.flatnonzero(track_of >= 0)
    s = np.zeros((n, POINT))
    s[:, FRAME], s[:, X], s[:, Y] = links["frame"], links["x"], links["y"]
    s[:, VARIANCE], s[:, DIAMETER], s[:, TOUCHING] = links["variance"], links["diameter"], links["touching"]
    shown = np.flatnonzero(measured)
    starts = np.append(np.searchsorted(points[:, 0], shown), n).astype(np.int64)
    out = np.zeros(n, dtype=np.bool_)
    times = np.searchsorted(shown, points[:, 0]).astype(np.int64)
    have_partners(s, starts, np.arange(n), times, MAX_STEP, MAX_GAP, out)
    assert len(linked) > 100
    assert out[linked].all()
    assert out.mean() < 0.9


@pytest.fixture(scope="module")
def blocks() -> tuple[NDArray[np.uint8], list[NDArray[np.float64]], SpatterLook]:
    """Faint and bright particles among the square blocks that strong compression leaves."""
    rng = np.random.default_rng(3)
    flights = [
        Flight(
            float(rng.integers(40, 150)), *rng.uniform((20, 20), (490, 230)), *rng.normal(0, 5, 2),
            2.5, float(rng.choice([16.0, 90.0])),
        )
        for _ in range(14)
    ]  # fmt: skip
    footage = Footage(flights, frames=160, size=(256, 512), read=0.3, shot=0.0, seed=5)
    frames, outlines = footage.frames(), [footage.outline(k) for k in range(footage.n)]
    look = learn(frames[:40], full_scale=255.0, outlines=outlines[:40])
    for frame in frames[40:]:
        for _ in range(2):
            y, x = 8 * int(rng.integers(0, 32)), 8 * int(rng.integers(0, 64))
            frame[y : y + 8, x : x + 8] += np.uint8(1)
    return frames[40:], outlines[40:], look


def settled(
    frames: NDArray[np.uint8], outlines: list[NDArray[np.float64]], look: SpatterLook, size: int
) -> NDArray[np.void]:
    late, out = LateFits(look, SpatterSettings()), []
    for start in range(0, len(frames), size):
        stop = min(start + size, len(frames))
        part, waiting = detect_waiting(frames[start:stop], outlines[start:stop], look)
        part["frame"] += start
        out.append(late.add(part, waiting, np.arange(start, stop), stop))
    return np.concatenate([*out, late.finish()])


@pytest.mark.slow
def test_tracks_are_the_same_and_many_false_blocks_go_unfitted(
    blocks: tuple[NDArray[np.uint8], list[NDArray[np.float64]], SpatterLook],
) -> None:
    frames, outlines, look = blocks
    at_once = detect(frames, outlines, look)
    late = settled(frames, outlines, look, 32)
    shown, size = np.ones(len(frames), dtype=np.bool_), frames.shape[1:]
    one, other = link(at_once, shown, size), link(late, shown, size)
    assert len(one) >= 10
    assert one.sightings["signal"].min() < 1.5 * look.detection_level
    assert one.sightings.tobytes() == other.sightings.tobytes()
    assert np.array_equal(one.starts, other.starts)
    assert len(late) == len(at_once)
    fits = [(table["mark"] & UNFITTED == 0).sum() for table in (at_once, late)]
    assert one.loose > len(frames)
    assert fits[0] - fits[1] > 0.45 * one.loose


@pytest.mark.parametrize("size", [1, 7, 120])
def test_blocks_change_no_digit(
    blocks: tuple[NDArray[np.uint8], list[NDArray[np.float64]], SpatterLook], size: int
) -> None:
    assert settled(*blocks, size).tobytes() == settled(*blocks, 32).tobytes()


def test_blocks_change_nothing_where_frames_are_missing(
    blocks: tuple[NDArray[np.uint8], list[NDArray[np.float64]], SpatterLook],
) -> None:
    """A crowd in the last frame before some that show nothing: those after them tell whether it is one."""
    frames, outlines, look = blocks
    rng = np.random.default_rng(9)
    crowded = frames[:12].copy()
    for _ in range(80):
        y, x = 8 * int(rng.integers(0, 32)), 8 * int(rng.integers(0, 64))
        crowded[4, y : y + 8, x : x + 8] += np.uint8(1)
    numbers = np.array([0, 1, 2, 3, 4, 30, 31, 32, 33, 34, 35, 36])

    def of_blocks(stops: list[int]) -> NDArray[np.void]:
        late, out, before = LateFits(look, SpatterSettings()), [], 0
        for stop in stops:
            which = np.flatnonzero((numbers >= before) & (numbers < stop))
            part, waiting = detect_waiting(crowded[which], [outlines[k] for k in which], look)
            part["frame"] = numbers[which][part["frame"]]
            out.append(late.add(part, waiting, numbers[which], stop))
            before = stop
        return np.concatenate([*out, late.finish()])

    at_once = of_blocks([40])
    last = at_once[at_once["frame"] == 4]
    assert len(last) > 4 * 16
    assert ((last["mark"] & UNFITTED) != 0).sum() > 16
    for stops in ([20, 40], [5, 12, 29, 40], list(range(1, 41))):
        assert of_blocks(stops).tobytes() == at_once.tobytes()
