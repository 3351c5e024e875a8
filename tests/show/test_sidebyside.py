"""Side by side: one millimetre is one length in every cell, one moment one time in every clip."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from poolwatch.model.errors import UsageError
from poolwatch.show.palette import POOL, bgr
from poolwatch.show.sidebyside import SideBySideChoices, SideBySidePainter, common_times, write_side_by_side


def cells(sheet, image):
    rows, columns = sheet.cell
    return [image[top : top + rows, left : left + columns] for top, left in sheet.places]


def outline_box(cell):
    rows, columns = np.nonzero((np.abs(cell.astype(int) - bgr(POOL)) < 40).all(axis=2))
    return np.array([columns.min(), columns.max(), rows.min(), rows.max()])


@pytest.mark.slow
def test_same_millimetres_whatever_scale_direction_and_depth(drawn):
    # The same pool in mm: half the pixel size, twice the pixels, other directions and depths.
    clips = [
        drawn(frames=40, seed=1, unsteadiness=0.0),
        drawn(frames=40, shape=(512, 1024), mm_per_px=0.01, direction=180, dtype=np.uint16, unsteadiness=0.0),
        drawn(frames=40, shape=(512, 512), mm_per_px=0.02, direction=90, unsteadiness=0.0),
    ]
    sheet = SideBySidePainter([c.result for c in clips], [c.shape for c in clips], SideBySideChoices(), 100.0)
    boxes = [outline_box(cell) for cell in cells(sheet, sheet.paint([(5, c.frame(5)) for c in clips], 0.0))]
    for clip, box in zip(clips, boxes, strict=True):
        assert box[1] - box[0] == pytest.approx(clip.length_px[5] * clip.mm * sheet.px_per_mm, abs=5)
        assert box[3] - box[2] == pytest.approx(clip.width_px[5] * clip.mm * sheet.px_per_mm, abs=5)
    np.testing.assert_allclose(boxes[0], boxes[1], atol=3)


@pytest.mark.slow
def test_same_moment_at_each_record_rate(drawn, tmp_path):
    fast, slow = (
        drawn(frames=800, rate=20_000.0, shape=(40, 80)),
        drawn(frames=200, rate=5_000.0, shape=(40, 80)),
    )
    times, factor = common_times([fast.result, slow.result], SideBySideChoices(seconds=1))
    assert len(times) == pytest.approx(30, abs=1)
    asked = {}

    def reader(name, clip):
        def read(numbers):
            asked[name] = numbers
            yield from clip.read(numbers)

        return read

    write_side_by_side(
        tmp_path / "side.mp4",
        [(fast.result, reader("fast", fast)), (slow.result, reader("slow", slow))],
        SideBySideChoices(seconds=1),
    )
    since_fast = (np.array(asked["fast"]) - fast.result.steady[0]) / 20_000.0
    since_slow = (np.array(asked["slow"]) - slow.result.steady[0]) / 5_000.0
    assert np.abs(since_fast[: len(since_slow)] - times[: len(since_fast)]).max() <= 0.5 / 20_000 + 1e-9
    assert np.abs(since_slow - times[: len(since_slow)]).max() <= 0.5 / 5_000 + 1e-9
    video = cv2.VideoCapture(str(tmp_path / "side.mp4"))
    count = 0
    while video.read()[0]:
        count += 1
    assert count == len(times)
    assert factor == pytest.approx(1 / (times[-1] - times[0]), rel=0.1)


@pytest.mark.long
@pytest.mark.slow
def test_a_frame_stays_while_no_new_one_is_due(drawn, tmp_path):
    clip = drawn(frames=30, rate=1000.0, shape=(40, 80))
    choices = SideBySideChoices(seconds=2, slow_motion=100)
    times, _ = common_times([clip.result, clip.result], choices)
    assert len(times) == 60
    write_side_by_side(tmp_path / "a.mp4", [(clip.result, clip.read)] * 2, choices)


def test_order_by_index(drawn, tmp_path):
    from poolwatch.show import sidebyside

    clips = [
        (drawn(frames=30, shape=(40, 80), index=i).result, None) for i in (50.0, 80.0, float("nan"), 20.0)
    ]

    def indices(order):
        return [r.score_of("stability_index") for r, _ in sidebyside._ordered(clips, order)]

    assert indices("best_first")[:3] == [80.0, 50.0, 20.0]
    assert indices("worst_first")[:3] == [20.0, 50.0, 80.0]


def test_wrong_use_is_one_clear_line(drawn, tmp_path):
    clip = drawn(frames=30, shape=(40, 80))
    one = (clip.result, clip.read)
    with pytest.raises(UsageError, match="takes two to six clips, got 1"):
        write_side_by_side(tmp_path / "a.mp4", [one])
    with pytest.raises(UsageError, match="start at an earlier time"):
        write_side_by_side(tmp_path / "a.mp4", [one, one], SideBySideChoices(start_s=9))
