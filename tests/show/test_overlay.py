"""The overlay: painted pictures compared as arrays, planned segments, and the file that a browser plays."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from poolwatch.model.axes import PoolAxes
from poolwatch.model.errors import ClipError, UsageError
from poolwatch.show import surround
from poolwatch.show.canvas import FrameCanvas, StillLayer
from poolwatch.show.lettering import width_of
from poolwatch.show.overlay import (
    OverlayPainter,
    draw_overlay,
    draw_still,
    enlargement,
)
from poolwatch.show.overlay_head import fitted_caption
from poolwatch.show.painters import AxesPainter, KeyholePainter
from poolwatch.show.palette import FLAGGED, KEYHOLE, PARTICLE, POOL, bgr
from poolwatch.show.segments import LAYERS, OverlayChoices, plan_overlay


def near(image, colour, tolerance=40):
    """Where an image has about a colour."""
    return (np.abs(image.astype(int) - bgr(colour)) <= tolerance).all(axis=2)


def picture(clip, number, **choices):
    painter = OverlayPainter(clip.result, clip.shape, OverlayChoices(**choices))
    return painter, painter.paint(clip.frame(number), number)


@pytest.mark.slow
@pytest.mark.parametrize("direction", [0, 30, 90, 205])
@pytest.mark.parametrize("shape", [(96, 128), (256, 512)])
def test_outline_is_drawn_where_the_outline_is(drawn, direction, shape):
    clip = drawn(shape=shape, direction=direction, frames=60, seed=3)
    painter, image = picture(clip, 10, layers=("outline",))
    factor = enlargement(shape[1], shape[0], 720)
    top, left = painter.annotated
    rows, columns = np.nonzero(near(image, POOL))
    found = (np.stack([columns - left, rows - top], axis=1) + 0.5) / factor - 0.5
    outline = clip.outline(10)
    outline = outline[((outline > 1) & (outline < np.array(shape[::-1]) - 2)).all(axis=1)]
    distance = np.sqrt(((found[:, None] - outline[None]) ** 2).sum(axis=2))
    spacing = np.hypot(*np.diff(outline, axis=0).T).max()
    # Every coloured pixel lies on the line, every vertex has a coloured pixel: a line's width is 3 picture px.
    assert distance.min(axis=1).max() < 2.5 / factor + spacing
    assert distance.min(axis=0).max() < 2.5 / factor + spacing / 2


def test_unmeasured_frame_has_no_outline_and_says_its_status(drawn):
    clip = drawn(frames=60, bad=(20,))
    _, image = picture(clip, 20, layers=("outline", "status"))
    assert near(image, FLAGGED).sum() > 500
    assert not near(image, POOL, 20).any()
    painter, image = picture(clip, 21, layers=("outline", "status"))
    # Above the picture the clip's own flags are named in that colour.
    assert not near(image[painter.annotated[0] :], FLAGGED, 20).any()
    assert near(image, POOL).sum() > 500


def test_flags_of_the_clip_are_in_its_head(drawn):
    """A flagged clip does not look like any other."""
    clip = drawn(frames=60)

    def head(flags):
        score = clip.result.score.assign(flags=flags)
        painter = OverlayPainter(replace(clip.result, score=score), clip.shape)
        return near(painter.paint(clip.frame(20), 20)[: painter.annotated[0]], FLAGGED, 40).sum()

    assert head("") == head("no_material depth_found") == 0
    assert head("pool_cut_off") > 100


def test_each_layer_draws_and_can_be_left_out(clip):
    number = int(np.argmax(clip.result.series("spatter_in_view")))
    everything = picture(clip, number)[1]
    for layer in LAYERS:
        if layer == "status":
            continue
        without = picture(clip, number, layers=tuple(name for name in LAYERS if name != layer))[1]
        assert without.shape != everything.shape or (without != everything).any(), layer


def test_particles_carry_corners_trail_and_number(clip):
    number = next(f for f in range(60, 900) if clip.result.series("spatter_in_view")[f] == 1)
    particle = next(p for p in clip.particles if p["first"] <= number <= p["last"])
    number = int(particle["last"])
    painter, image = picture(clip, number, layers=("particles",))
    x, y = (clip.place(particle, number) + 0.5) * 1.5 - 0.5 + np.array(painter.annotated[::-1])
    near_head = image[int(y) - 25 : int(y) + 25, int(x) - 25 : int(x) + 40]
    if near_head.size:
        assert near(near_head, PARTICLE).sum() > 20
    assert near(image, PARTICLE).sum() > 60


def test_still_layer_equals_painting_every_frame(clip):
    ground = np.random.default_rng(5).integers(0, 256, (512, 1024, 3), dtype=np.uint8)
    painters = [
        AxesPainter(clip.result, 512, 256),
        KeyholePainter(clip.result),
    ]
    direct = FrameCanvas(ground.copy(), 2.0)
    for painter in painters:
        painter.draw(direct, 0)
    layered = np.zeros((600, 1024, 3), np.uint8)
    layered[40:552] = ground
    StillLayer(painters, direct, (40, 0), 1024).lay(layered)
    difference = np.abs(layered[40:552].astype(int) - direct.image)
    assert difference.max() <= 4
    assert near(layered[40:552], KEYHOLE).sum() > 100


def test_reused_image_is_the_same_as_a_new_one(clip):
    segments = plan_overlay(clip.result, OverlayChoices(max_seconds=5))
    painter = OverlayPainter(clip.result, clip.shape)
    out = np.empty((painter.height, painter.width, 3), np.uint8)
    for segment in segments[:2]:
        for number in [int(f) for f in segment.frames[[0, 1, 7, 3, -1]]]:
            frame = clip.frame(number)
            fresh = OverlayPainter(clip.result, clip.shape).paint(frame, number, segment)
            np.testing.assert_array_equal(painter.paint(frame, number, segment, out), fresh)


def test_depth_does_not_change_the_picture(drawn):
    eight = drawn(frames=40, seed=4)
    sixteen = drawn(frames=40, seed=4, dtype=np.uint16)
    difference = np.abs(picture(eight, 7)[1].astype(int) - picture(sixteen, 7)[1].astype(int))
    assert np.mean(difference) < 6


def test_same_input_same_bytes(drawn):
    assert (picture(drawn(frames=40), 9)[1] == picture(drawn(frames=40), 9)[1]).all()


@pytest.mark.parametrize(
    ("width", "height", "factor"),
    [
        (512, 256, 1.5),
        (128, 64, 6),
        (100, 400, 2.5),
        (512, 512, 1.5),
        (640, 900, 1),
        (1280, 1024, 1),
        (1000, 500, 1),
        (7680, 4320, 0.25),
    ],
)
def test_small_clips_are_enlarged_by_halves(width, height, factor):
    assert enlargement(width, height, 720) == factor


def test_frame_of_another_size_is_refused(clip):
    painter = OverlayPainter(clip.result, clip.shape)
    with pytest.raises(UsageError, match=r"frame 3 is \(10, 10\), expected \(256, 512\)"):
        painter.paint(np.zeros((10, 10), np.uint8), 3)


def test_plan_fits_the_playing_time_and_shows_the_worst(clip):
    choices = OverlayChoices(max_seconds=10)
    segments = plan_overlay(clip.result, choices)
    assert sum(s.pictures for s in segments) <= 300
    whole, *excerpts = segments
    assert whole.frames[0] == 0
    assert whole.frames[-1] >= 1190
    assert whole.slow_motion == pytest.approx(10_000 / 30 / np.diff(whole.frames)[0])
    assert excerpts
    assert all((np.diff(s.frames) == 1).all() for s in excerpts)
    assert all("ms" in s.caption for s in excerpts)
    length = clip.result.series("pool_length_mm")
    worst = int(np.nanargmax(np.abs(length - np.nanmedian(length))))
    assert any(worst in s.frames for s in excerpts)


def test_short_clip_is_shown_whole(drawn):
    segments = plan_overlay(drawn(frames=100).result)
    assert [len(s.frames) for s in segments] == [100]


def test_every_frame_part_and_slow_motion(clip):
    every = plan_overlay(clip.result, OverlayChoices(every_frame=True, max_seconds=1))
    assert [len(s.frames) for s in every] == [1200]
    part = plan_overlay(clip.result, OverlayChoices(start_s=0.01, end_s=0.02))[0]
    assert (part.frames[0], part.frames[-1]) == (100, 200)
    slow = plan_overlay(clip.result, OverlayChoices(slow_motion=1000, end_s=0.005))[0]
    assert slow.hold == 3
    assert slow.slow_motion == pytest.approx(1000)
    cut = plan_overlay(clip.result, OverlayChoices(slow_motion=1000, max_seconds=2))[0]
    assert cut.pictures <= 60
    assert cut.caption.startswith("first 1.9 ms of the clip")
    with pytest.raises(UsageError, match="no frame is in the chosen part"):
        plan_overlay(clip.result, OverlayChoices(start_s=3.0))


def test_written_video_plays_what_was_planned(drawn, tmp_path):
    clip = drawn(shape=(64, 128), frames=50, name="<script>alert(1)</script>", bad=(20,))
    calls = []
    segments = draw_overlay(
        tmp_path / "overlay.mp4",
        lambda numbers: clip.read([n for n in numbers if n != 30]),
        clip.result,
        progress=lambda done, total: calls.append((done, total)),
    )
    assert 30 not in segments[0].frames
    video = cv2.VideoCapture(str(tmp_path / "overlay.mp4"))
    count, shape = 0, None
    while True:
        more, image = video.read()
        if not more:
            break
        count, shape = count + 1, image.shape
    assert count == len(segments[0].frames) == 49
    assert shape[1] >= 720
    assert calls[-1] == (49, 50)


def test_no_frame_to_read_is_said(clip, tmp_path):
    with pytest.raises(ClipError, match="none of the frames to show could be read"):
        draw_overlay(tmp_path / "overlay.mp4", lambda numbers: iter(()), clip.result)
    assert not list(tmp_path.iterdir())


def test_clip_without_anything_measured_is_still_shown(drawn):
    clip = drawn(frames=30, bad=tuple(range(30)))
    empty = replace(
        clip.result, tracks=clip.result.tracks.iloc[:0], spatter=clip.result.spatter.iloc[:0], keyhole=None
    )
    painter = OverlayPainter(empty, clip.shape)
    assert painter.paint(clip.frame(3), 3).any()
    assert plan_overlay(empty, OverlayChoices(max_seconds=0.5))


def test_plain_picture_beside(clip):
    painter, image = picture(clip, 5, plain_beside=True)
    top, left = painter.annotated
    rows, columns = 3 * 256 // 2, 3 * 512 // 2
    plain = image[top - rows : top, left : left + columns]
    assert not near(plain, POOL, 15).any()
    assert near(image[top : top + rows, left : left + columns], POOL, 15).any()


def test_still_is_a_png_of_the_painted_frame(clip, tmp_path):
    draw_still(tmp_path / "still.png", clip.frame(40), 40, clip.result)
    # For slides: larger than in a video.
    found = cv2.imread(str(tmp_path / "still.png"))
    np.testing.assert_array_equal(found, picture(clip, 40, min_width=1440)[1])
    assert found.shape[1] >= 1440


def test_scale_bar_of_a_tilted_view_is_as_long_as_it_says(clip, monkeypatch):
    drawn = {}

    def draw_bar(canvas, length, words, place):
        drawn.update(length=length, words=words)
        return 0.0

    monkeypatch.setattr(surround, "draw_bar", draw_bar)
    tilted = replace(clip.result, axes=PoolAxes(256.0, 128.0, 30.0, 0.02, (1.25, 0.0, 0.0, 0.8)))
    factor = OverlayPainter(tilted, (256, 512)).factor
    length = drawn["length"] / factor
    ends = tilted.axes.mm(np.array([[10.0, 10.0], [10.0 + length, 10.0]]))
    assert np.linalg.norm(ends[1] - ends[0]) == pytest.approx(float(drawn["words"].split()[0]), rel=1e-3)


def test_an_excerpts_caption_keeps_what_it_shows_where_there_is_little_room():
    caption = "excerpt 1 of 3, from 65.62 ms: keyhole darkest at 67.12 ms"
    whole = width_of(caption, 22)
    assert fitted_caption(caption, 22, whole) == caption
    assert fitted_caption(caption, 22, whole - 1) == "excerpt 1 of 3: keyhole darkest at 67.12 ms"
    assert "…" in fitted_caption(caption, 22, whole // 3)
