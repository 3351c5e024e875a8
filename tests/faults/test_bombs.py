"""Promises that no file can keep are refused before memory is taken, and nothing outside the file is read."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import h5py
import numpy as np
import pytest
import tifffile

from poolwatch.clips import open_clip
from tests.faults import bombs

ROOT = Path(__file__).resolve().parents[2]


@pytest.mark.long
@pytest.mark.skipif(not Path("/proc/self/statm").exists(), reason="memory is limited as Linux does it")
def test_every_bomb_is_answered_within_400_mb(tmp_path: Path) -> None:
    said = bombs.write_all(tmp_path)
    assert sum(file.stat().st_size for file in tmp_path.rglob("*") if file.is_file()) < 1_000_000
    done = subprocess.run(
        [sys.executable, "-m", "tests.faults.bombs", str(tmp_path)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    lines = [line.split("\t") for line in done.stdout.splitlines() if line.count("\t") == 2]
    answers = {name: (word, text) for name, word, text in lines}
    assert set(answers) == set(said)
    for name, words in said.items():
        word, text = answers[name]
        assert word == ("read" if words == "read" else "refused"), (name, text)
        assert words in text or words == "read", (name, text)


def test_frames_that_were_never_stored_are_damaged_not_black(tmp_path: Path) -> None:
    path = tmp_path / "a.h5"
    with h5py.File(path, "w") as file:
        data = file.create_dataset("frames", (20, 8, 10), np.uint8, chunks=(2, 8, 5), fillvalue=9)
        data[:6] = 50
        data[10:20] = 60
        data.id.write_direct_chunk((8, 0, 0), bytes(80))  # half of frames 8 and 9
    with open_clip(path) as clip:
        (block,) = list(clip.blocks())
        assert "undecodable_frames" in clip.facts.flags
    assert np.flatnonzero(~block.decoded).tolist() == [6, 7, 8, 9]
    assert not block.frames[6:10].any()
    assert (block.frames[:6] == 50).all()
    assert (block.frames[10:] == 60).all()


def test_colour_planes_of_a_tiff_in_any_order(tmp_path: Path) -> None:
    colour = np.random.default_rng(0).integers(0, 255, (5, 20, 30, 3)).astype(np.uint8)
    tifffile.imwrite(tmp_path / "together.tif", colour, photometric="rgb")
    with tifffile.TiffWriter(tmp_path / "apart.tif") as file:
        for picture in colour:
            planes = np.moveaxis(picture, -1, 0)
            file.write(planes, photometric="rgb", planarconfig="separate", contiguous=False, metadata=None)
    with open_clip(tmp_path / "together.tif") as one, open_clip(tmp_path / "apart.tif") as other:
        np.testing.assert_array_equal(one.frames(range(5)), other.frames(range(5)))
