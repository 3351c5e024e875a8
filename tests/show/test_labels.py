"""Axes leave the pool free, labels cover nothing, the head says which clip it is, the picture can be turned."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest

from poolwatch.model.tables import TRACKS
from poolwatch.show.canvas import Box, FrameCanvas, Spot
from poolwatch.show.overlay import OverlayPainter
from poolwatch.show.overlay_head import drawn_words, flag_words, foot_lines, index_words, title_words
from poolwatch.show.painters import AxesPainter, ScalePainter, TravelPainter
from poolwatch.show.particles import NumberPainter, ParticlePainter, TracksInFrame
from poolwatch.show.segments import LAYERS, OverlayChoices
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


@pytest.mark.parametrize("direction", [0, 35, 140])
def test_labels_never_meet_each_other_nor_bar_nor_arrow(drawn, direction):
    clip = drawn(frames=60, direction=direction, seed=4)
    canvas = canvas_of(clip)
    size = (clip.shape[1], clip.shape[0])
    for painter in (TravelPainter(clip.result, *size), ScalePainter(clip.result, *size)):
        painter.draw(canvas, 0)
    # Bar and its label, arrow and its name: each pair is one thing.
    before = len(canvas.taken)
    AxesPainter(clip.result, *size).draw(canvas, 0)
    assert len(canvas.taken) > before + 3
    for label in canvas.taken[before:]:
        assert not any(label.meets(other) for other in canvas.taken if other is not label)


def test_numbers_of_a_crowd_cover_nothing(drawn):
    clip = drawn(frames=60, seed=5)
    rng = np.random.default_rng(1)
    count = 60
    tracks = TRACKS.frame(
        {
            "particle": np.arange(1, count + 1),
            "frame": [10] * count,
            "x_px": rng.uniform(40, 200, count),
            "y_px": rng.uniform(40, 140, count),
            "diameter_px": np.full(count, 3.0),
        }
    )
    seen = TracksInFrame(replace(clip.result, tracks=tracks))
    canvas = canvas_of(clip)
    ParticlePainter(seen).draw(canvas, 10)
    marks = len(canvas.taken)
    assert marks == count
    NumberPainter(seen).draw(canvas, 10)
    numbers = canvas.taken[marks:]
    assert 10 < len(numbers) < count
    assert not any(a.meets(b) for a, b in itertools.combinations(numbers, 2))
    assert not any(a.meets(b) for a in numbers for b in canvas.taken[:marks])


def test_a_label_takes_the_first_free_spot_or_none():
    canvas = FrameCanvas(np.zeros((100, 200, 3), np.uint8), 1.0, 2, 20)
    canvas.reserve(Box(0, 0, 100, 100))
    spots = [Spot(50, 50, (0.5, 0.5)), Spot(195, 50, (0, 0.5)), Spot(150, 50, (0.5, 0.5))]
    assert canvas.label("12", spots, "#ffffff")
    assert not canvas.image[:, :100].any()
    assert canvas.image[:, 100:].any()
    assert not canvas.label("12", spots, "#ffffff")


def test_a_trail_does_not_hide_the_scale_bar(drawn):
    clip = drawn(frames=60, seed=6)
    height, width = clip.shape
    tracks = TRACKS.frame(
        {
            "particle": [1] * 30,
            "frame": np.arange(10, 40),
            "x_px": np.linspace(0, width / 3, 30),
            "y_px": [height - 8.0] * 30,
            "diameter_px": [4.0] * 30,
        }
    )
    layers = ("scale", "particles")

    def shown(table):
        painter = OverlayPainter(
            replace(clip.result, tracks=table), clip.shape, OverlayChoices(layers=layers)
        )
        image = painter.paint(clip.frame(39), 39)
        return image[painter.annotated[0] : painter.annotated[0] + round(1.5 * height)]

    plain, crossed = (shown(table) for table in (tracks.iloc[:0], tracks))
    bar = (plain[-60:] > 235).all(axis=2)
    assert bar.sum() > 200
    assert (crossed[-60:][bar] > 200).all()


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
    assert "not counted" not in words
    assert "grey crosses" in "; ".join(drawn_words(clip.result, (*LAYERS, "rejected")))
    blind = replace(clip.result, keyhole=None, score=clip.result.score.assign(flags="spatter_not_sought"))
    assert drawn_words(blind, LAYERS) == ["solid blue: outline", "bars: front and rear"]
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
