"""The index of packets: what the container says agrees with what reading every packet says."""

from __future__ import annotations

import numpy as np

from poolwatch.clips import open_clip
from poolwatch.clips.decoding import Decoding, open_stream
from poolwatch.clips.packets import _by_reading, _from_container
from poolwatch.footage import write_frames

FRAMES = np.random.default_rng(3).integers(0, 255, (60, 48, 64), dtype=np.uint8)


def test_places_of_the_container_are_those_of_the_packets(tmp_path):
    path = write_frames(tmp_path / "clip.avi", [FRAMES], format="avi-mjpeg", depth_bits=8)
    container, stream = open_stream(path)
    with container:
        told = _from_container(container, stream, path.stat().st_size)
        assert told is not None
        read, broken = _by_reading(container, stream)
    assert not broken
    assert told[:3] == read[:3]


def test_a_frame_in_the_middle_is_reached_without_reading_all_before_it(tmp_path, monkeypatch):
    path = write_frames(tmp_path / "clip.avi", [FRAMES], format="avi-mjpeg", depth_bits=8)
    begun = []
    go_to = Decoding._go_to
    monkeypatch.setattr(
        Decoding, "_go_to", lambda self, first: begun.append((first, go_to(self, first))) or begun[-1][1]
    )
    with open_clip(path) as reader:
        begun.clear()
        reader.frames([7, 50])
    assert begun == [(7, 7), (50, 50)]
