"""Axes leave the pool free, labels cover nothing, the head says which clip it is, the picture can be turned."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest

from poolwatch.model.tables import TRACKS
from poolwatch.show.canvas import Box, FrameCanvas, Spot
from poolwatch.show.numbers import NumberPainter
from poolwatch.show.overlay import OverlayPainter
from poolwatch.show.overlay_head import drawn_words, flag_words, foot_lines, index_words, title_words
from poolwatch.show.painters import AxesPainter, ExtentPainter, KeyholePainter, OutlinePainter
from poolwatch.show.palette import FLAGGED, bgr
from poolwatch.show.particles import ParticlePainter, TracksInFrame
from poolwatch.show.segments import LAYERS
from poolwatch.show.surround import Surround
from poolwatch.show.turning import Turn


def canvas_of(clip, factor=3.0):
    height, width = clip.shape
    blank = np.zeros((round(factor * height), round(factor * width), 3), np.uint8)
    return FrameCanvas(blank, factor, 2, 20)


def inside(points, outline, margin=0.0):
    """Which points are inside a polygon, or within a margin of it."""
    import cv2

    contour = np.round(outline).astype(np.float32)[:, None]
    return np.array([cv2.pointPolygonTest(contour, (float(x), float(y)), True) > -margin for x, y in points])


@pytest.mark.parametrize("direction", [0, 35, 90, 200])
def test_axes_leave_keyhole_and_tail_tip_free(drawn, direction):
    clip = drawn(frames=60, direction=direction, seed=3)
    canvas = canvas_of(clip)
    AxesPainter(clip.result, clip.shape[1], clip.shape[0]).draw(canvas, 0)
    rows, columns = np.nonzero(canvas.image.max(axis=2) > 60)
    assert len(rows) > 300
    ink = np.stack([columns, rows], axis=1)
    for frame in range(0, 60, 10):
        assert not inside(ink, canvas.at(clip.outline(frame)), margin=3).any()


@pytest.mark.parametrize("shape", [(256, 512), (96, 256), (400, 100), (800, 1280)])
@pytest.mark.parametrize("direction", [0, 35, 90, 200])
def test_nothing_is_written_in_the_picture_and_nothing_twice_in_a_place(drawn, shape, direction):
    clip = drawn(frames=30, shape=shape, direction=direction, seed=4)
    painter = OverlayPainter(clip.result, shape)
    top, left = painter.annotated
    rows, columns = painter.picture
    picture = Box(left, top, left + columns, top + rows)
    assert len(painter.surround) > 6
    assert not any(box.meets(picture) for box in painter.surround)
    assert not any(a.meets(b) for a, b in itertools.combinations(painter.surround, 2))
    assert all(box.left >= 0 and box.right <= painter.width for box in painter.surround)


@pytest.mark.parametrize("stretch", [None, (1.25, 0.1, 0.1, 0.808)])
@pytest.mark.parametrize("direction", [0, 40, 90, 180, 250, 271])
def test_rulers_say_how_far_from_the_beam(drawn, direction, stretch):
    clip = drawn(frames=30, direction=direction, seed=4)
    axes = replace(clip.axes, stretch=stretch)
    surround = Surround(replace(clip.result, axes=axes), clip.shape, 1.5, 20, LAYERS)
    for which, ticks in enumerate(surround.rulers):
        assert len(ticks) >= 3
        for tick in ticks:
            place = np.array([axes.origin_x, axes.origin_y])
            place[which] = tick.along / 1.5 - 0.5
            x, y = axes.mm(place)
            value = float(tick.text.replace("\N{MINUS SIGN}", "-"))
            assert np.hypot(x, y) == pytest.approx(abs(value), abs=1e-9)
            if stretch is None and direction % 90 == 0:
                along_travel = (direction % 180 == 0) == (which == 0)
                assert (x if along_travel else y) == pytest.approx(value, abs=1e-9)


def crowded(clip, count, frames, rng):
    """A clip's result with many particles on random straight flights."""
    height, width = clip.shape
    rows = []
    for number in range(1, count + 1):
        first = int(rng.integers(0, frames - 12))
        place, speed = rng.uniform((0, 0), (width, height)), rng.normal(0, 3, 2)
        for frame in range(first, first + int(rng.integers(3, 40))):
            x, y = place + speed * (frame - first)
            if 0 <= x < width and 0 <= y < height and frame < frames:
                rows.append((number, frame, x, y, 3.0))
    names = ["particle", "frame", "x_px", "y_px", "diameter_px"]
    return replace(clip.result, tracks=TRACKS.frame(dict(zip(names, zip(*rows, strict=True), strict=True))))


@pytest.mark.parametrize(("count", "shape"), [(12, (96, 256)), (60, (256, 512)), (200, (256, 512))])
def test_numbers_cover_nothing_that_is_drawn(drawn, count, shape):
    rng = np.random.default_rng(count)
    clip = drawn(frames=60, shape=shape, seed=5)
    result = crowded(clip, count, 60, rng)
    tracks = TracksInFrame(result)
    numbers = NumberPainter(tracks, result)
    others = (ParticlePainter(tracks), OutlinePainter(result), ExtentPainter(result), KeyholePainter(result))
    written = 0
    for frame in rng.choice(60, 12, replace=False):
        apart = canvas_of(clip)
        numbers.draw(apart, int(frame))
        lettering = apart.image.any(axis=2)
        drawing = canvas_of(clip)
        for painter in others:
            painter.draw(drawing, int(frame))
        assert not (lettering & (drawing.image > 60).any(axis=2)).any()
        written += lettering.sum()
    assert written > 1000


def test_a_number_keeps_its_side(drawn):
    clip = drawn(frames=120, seed=7)
    tracks = TracksInFrame(clip.result)
    numbers, canvas = NumberPainter(tracks, clip.result), canvas_of(clip)
    number = int(clip.result.tracks["particle"].iloc[0])
    frames = tracks.flight(number)
    sides = set()
    for frame in frames[5:-5]:
        mine = [one for one in tracks.seen(int(frame)) if one.number == number]
        blank = canvas_of(clip)
        numbers.draw(blank, int(frame))
        rows, columns = np.nonzero(blank.image.max(axis=2) > 200)
        if len(rows) and len(list(tracks.seen(int(frame)))) == 1:
            sides.add(
                tuple(np.sign(np.round((columns.mean(), rows.mean()) - canvas.at(mine[0].path[-1]), -1)))
            )
    assert len(sides) == 1


def test_a_label_takes_the_first_free_spot_or_none():
    canvas = FrameCanvas(np.zeros((100, 200, 3), np.uint8), 1.0, 2, 20)
    canvas.reserve(Box(0, 0, 100, 100))
    spots = [Spot(50, 50, (0.5, 0.5)), Spot(195, 50, (0, 0.5)), Spot(150, 50, (0.5, 0.5))]
    assert canvas.label("12", spots, "#ffffff")
    assert not canvas.image[:, :100].any()
    assert canvas.image[:, 100:].any()
    assert not canvas.label("12", spots, "#ffffff")


def test_status_is_beside_the_picture_and_goes_again(drawn):
    clip = drawn(frames=60, bad=(30,), seed=6)
    painter = OverlayPainter(clip.result, clip.shape)
    out = np.empty((painter.height, painter.width, 3), np.uint8)
    row = painter.annotated[0] + painter.picture[0] + 4

    def flagged(number):
        image = painter.paint(clip.frame(number), number, None, out)
        return (np.abs(image[row : row + 60].astype(int) - bgr(FLAGGED)) < 30).all(axis=2).sum()

    assert [flagged(number) > 100 for number in (29, 30, 31)] == [False, True, False]


def test_head_names_shape_index_and_flags(drawn):
    result = drawn(frames=60, shape_name="crescent", name="weld 7").result
    assert title_words(result) == "crescent · weld 7"
    assert index_words(result) == "stability index 62 (57 to 66)"
    assert index_words(result, alone=True).endswith(", this clip alone")
    assert (
        index_words(replace(result, score=result.score.assign(stability_index=np.nan)))
        == "no stability index"
    )
    assert flag_words(result, 20, 1e4) == "⚑ keyhole_saturated"
    many = replace(result, score=result.score.assign(flags="pool_cut_off tail_faint no_material"))
    assert flag_words(many, 20, 1e4) == "⚑ pool_cut_off, tail_faint"
    # Where there is little room it is still there.
    assert flag_words(many, 20, 120) == "⚑ 2 flags"
    assert flag_words(replace(result, score=result.score.assign(flags="no_material")), 20, 1e4) == ""


def test_caption_names_what_is_drawn_and_nothing_else(clip):
    words = "; ".join(drawn_words(clip.result, LAYERS))
    assert "dashed orange: keyhole region" in words
    assert "green corners and trails: particles" in words
    assert "rulers: from the beam" in words
    oblique = replace(clip.result, axes=replace(clip.axes, direction_deg=35.0))
    assert "rulers: from the beam, along the picture's sides" in drawn_words(oblique, LAYERS)
    assert "not counted" not in words
    assert "grey crosses" in "; ".join(drawn_words(clip.result, (*LAYERS, "rejected")))
    blind = replace(clip.result, keyhole=None, score=clip.result.score.assign(flags="spatter_not_sought"))
    assert drawn_words(blind, LAYERS) == [
        "solid blue: outline",
        "bars: front and rear",
        "rulers: from the beam",
    ]
    assert drawn_words(clip.result, ("outline",)) == ["solid blue: outline"]
    assert foot_lines(["one", "two", "three"], 10_000, 20) == ["one; two; three"]
    assert len(foot_lines(["a rather long phrase", "another one of them"], 300, 20)) == 2


@pytest.mark.parametrize("direction", [0, 35, 90, 180, 230])
@pytest.mark.parametrize("stretch", [None, (1.25, 0.0, 0.0, 0.8)])
def test_turned_results_are_the_same_in_pool_axes(drawn, direction, stretch):
    clip = drawn(frames=60, direction=direction, seed=8)
    result = replace(clip.result, axes=replace(clip.axes, stretch=stretch))
    turn = Turn.to_the_right(result.axes, clip.shape)
    turned = turn.result(result)
    assert turned.axes.forward == (1.0, 0.0)
    np.testing.assert_allclose(turned.axes.mm(turned.outlines(5)), result.axes.mm(clip.outline(5)), atol=1e-9)
    np.testing.assert_allclose(turned.axes.mm(turned.keyhole), result.axes.mm(result.keyhole), atol=1e-9)
    places = turned.axes.mm(turned.tracks[["x_px", "y_px"]].to_numpy())
    np.testing.assert_allclose(places, result.axes.mm(result.tracks[["x_px", "y_px"]].to_numpy()), atol=1e-9)
    height, width = turn.shape
    corners = turn.points(np.array([[0, 0], [clip.shape[1] - 1, 0], [0, clip.shape[0] - 1]]))
    assert ((corners > -1) & (corners < (width, height))).all()


@pytest.mark.parametrize(("direction", "turns"), [(0, 0), (90, -1), (180, 2), (270, 1)])
def test_quarter_turns_move_pixels_whole(drawn, direction, turns):
    """Against NumPy's rot90."""
    clip = drawn(frames=60, shape=(40, 64), direction=direction, seed=8)
    frame = clip.frame(3)
    turn = Turn.to_the_right(clip.axes, clip.shape)
    np.testing.assert_array_equal(turn.picture(frame), np.rot90(frame, turns))
