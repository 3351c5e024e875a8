"""Where reading of H.264 may begin: not at every picture that the container marks, and AVI tells no order."""

from __future__ import annotations

from pathlib import Path

import av
import numpy as np
import pytest

from poolwatch.clips import open_clip

FRAMES = 150


def encoded(path: Path, parameters: str) -> Path:
    grain = np.random.default_rng(11).integers(0, 255, (48, 64 + FRAMES)).astype(np.uint8)
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=25)
        stream.width, stream.height, stream.pix_fmt = 64, 48, "yuv420p"
        stream.options = {"x264-params": f"keyint=20:scenecut=0:threads=1:{parameters}"}
        for k in range(FRAMES):
            picture = av.VideoFrame.from_ndarray(np.ascontiguousarray(grain[:, k : k + 64]), format="gray")
            container.mux(stream.encode(picture.reformat(format="yuv420p")))
        container.mux(stream.encode(None))
    return path


def read_alike(path: Path) -> np.ndarray:
    """All frames; none lost, and single ones, pieces and reading from the middle give the same."""
    with open_clip(path) as reader:
        whole = np.concatenate([block.frames for block in reader.blocks()])
        assert reader.findings().undecodable == ()
        places = [7, 59, 61, 100, FRAMES - 1]
        assert np.array_equal(reader.frames(places), whole[places])
        (later,) = reader.blocks(70, 80)
        assert later.decoded.all()
        assert np.array_equal(later.frames, whole[70:80])
        for start, stop in reversed(reader.pieces(7)):
            for block in reader.blocks(start, stop, size=7):
                assert block.decoded.all()
                assert np.array_equal(block.frames, whole[block.start :][: len(block.frames)])
        assert len(whole) == FRAMES
        return whole


@pytest.mark.parametrize("ending", ["mp4", "mkv", "ts", "avi"])
def test_refreshed_bit_by_bit_there_is_but_one_keyframe(tmp_path: Path, ending: str) -> None:
    """From where a refresh starts, marked as a keyframe, pictures come out right only when it is through."""
    path = encoded(tmp_path / f"clip.{ending}", "intra-refresh=1:bframes=0")
    with av.open(str(path)) as container:
        assert sum(packet.is_keyframe for packet in container.demux(video=0) if packet.size) > 3
    read_alike(path)
    with open_clip(path) as reader:
        assert reader.pieces(7) == [(0, FRAMES)]


@pytest.mark.often("bframes=3", "b-pyramid=strict")
@pytest.mark.parametrize(
    "parameters", ["bframes=2", "bframes=3:open-gop=1", "bframes=5:b-pyramid=strict", "bframes=0"]
)
def test_avi_gives_the_pictures_in_the_order_shown(tmp_path: Path, parameters: str) -> None:
    """Its times are those of decoding: by them, pictures would be shuffled, and what comes late be lost."""
    avi = read_alike(encoded(tmp_path / "clip.avi", parameters))
    told = read_alike(encoded(tmp_path / "clip.mkv", parameters))
    assert np.array_equal(avi, told)
    with open_clip(tmp_path / "clip.mkv") as reader:
        assert len(reader.pieces(7)) > 5


def test_behind_a_lost_keyframe_of_an_avi_pictures_keep_their_numbers(tmp_path: Path) -> None:
    path = encoded(tmp_path / "clip.avi", "bframes=2")
    with open_clip(path) as reader:
        whole = np.concatenate([block.frames for block in reader.blocks()])
    with av.open(str(path)) as container:
        key = [p for p in container.demux(video=0) if p.size and p.is_keyframe][3]
        data, place = bytes(key), key.pos
    held = bytearray(path.read_bytes())
    at = held.index(data, place)
    held[at : at + len(data)] = bytes(len(data))
    path.write_bytes(held)
    with open_clip(path) as reader:
        blocks = list(reader.blocks())
    frames = np.concatenate([block.frames for block in blocks])
    decoded = np.concatenate([block.decoded for block in blocks])
    # The last before it may come out behind what is damaged.
    sure = np.r_[0:58, 80:FRAMES]
    assert decoded[sure].all()
    assert np.array_equal(frames[sure], whole[sure])
    assert not decoded[61:80].any()
