"""Short loops for slides, and what every ending of a file gives."""

from __future__ import annotations

import numpy as np
import pytest
from PIL import Image

from poolwatch.footage import open_loop
from poolwatch.model.errors import UsageError
from poolwatch.show.overlay import draw_overlay, draw_still
from poolwatch.show.segments import OverlayChoices, plan_loop, worst_moment


def frames_of(path):
    with Image.open(path) as file:
        for number in range(file.n_frames):
            file.seek(number)
            yield np.asarray(file.convert("RGB"), dtype=int)


@pytest.mark.parametrize("ending", [".gif", ".webp", ".GIF"])
def test_a_loop_holds_its_pictures_and_repeats(tmp_path, ending):
    path = tmp_path / f"loop{ending}"
    with open_loop(path, 20.0) as loop:
        for level in (40, 120, 200):
            picture = np.full((24, 32, 3), level, np.uint8)
            picture[:, :16] = (0, 0, 220)
            loop.write(picture)
    with Image.open(path) as file:
        assert (file.format, file.n_frames, file.info["loop"]) == (ending[1:].upper(), 3, 0)
        assert file.info.get("duration", 50) == 50
    for level, picture in zip((40, 120, 200), frames_of(path), strict=True):
        np.testing.assert_allclose(picture[8:-8, 22:], level, atol=12)
        np.testing.assert_allclose(picture[8:-8, 4:10], [[(220, 0, 0)] * 6] * 8, atol=25)


def test_what_cannot_be_a_loop_is_refused(tmp_path):
    with pytest.raises(UsageError, match=r"ends in \.gif or \.webp"), open_loop(tmp_path / "a.mp4", 20.0):
        pass
    with pytest.raises(UsageError, match="up to 50 Hz"), open_loop(tmp_path / "a.gif", 60.0):
        pass
    with pytest.raises(UsageError, match="no picture was written"), open_loop(tmp_path / "a.gif", 20.0):
        pass
    assert not list(tmp_path.iterdir())


def test_a_loop_shows_every_frame_around_the_worst_moment_unless_a_part_is_chosen(clip):
    (segment,), choices = plan_loop(clip.result, OverlayChoices())
    assert len(segment.frames) == int(choices.max_seconds * choices.playback_rate_hz) == 100
    assert worst_moment(clip.result)[0] in segment.frames
    assert (np.diff(segment.frames) == 1).all()
    (chosen,), _ = plan_loop(clip.result, OverlayChoices(start_s=0.01, end_s=0.012))
    assert (chosen.frames[0], chosen.frames[-1]) == (100, 120)
    assert plan_loop(clip.result, OverlayChoices(playback_rate_hz=10.0))[1].playback_rate_hz == 10.0


@pytest.mark.slow
@pytest.mark.often(".gif")
@pytest.mark.parametrize("ending", [".gif", ".webp"])
def test_an_overlay_becomes_a_loop_by_its_ending(drawn, tmp_path, ending):
    clip = drawn(shape=(48, 96), frames=40, direction=90)
    path = tmp_path / f"loop{ending}"
    segments = draw_overlay(path, clip.read, clip.result, OverlayChoices(turn=True))
    with Image.open(path) as file:
        assert file.format == ending[1:].upper()
        assert file.n_frames == len(segments[0].frames) == 40


@pytest.mark.parametrize("name", ["a.webm", "a.avi", "a.png", "a", "a.jpg"])
def test_an_ending_that_is_not_written_is_refused(clip, tmp_path, name):
    with pytest.raises(UsageError, match=r"give a name that ends in"):
        draw_overlay(tmp_path / name, clip.read, clip.result)
    if not name.endswith(".png"):
        with pytest.raises(UsageError, match=r"give a name that ends in"):
            draw_still(tmp_path / name, clip.frame(3), 3, clip.result)
    assert not list(tmp_path.iterdir())
