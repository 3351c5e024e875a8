"""The rule for the effective depth of 16-bit data."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from poolwatch.clips import ClipSettings, open_clip
from poolwatch.clips.depth import effective_depth
from poolwatch.model.errors import ClipError


def clip(top: int, seed: int = 0, count: int = 6) -> NDArray[np.uint16]:
    return np.random.default_rng(seed).integers(0, top + 1, (count, 40, 50)).astype(np.uint16)


@pytest.mark.parametrize("bits", [8, 10, 12, 14])
def test_right_aligned(tmp_path: Path, bits: int) -> None:
    np.save(tmp_path / "a.npy", clip((1 << bits) - 1))
    with open_clip(tmp_path / "a.npy") as reader:
        assert (reader.facts.depth_bits, reader.facts.full_scale) == (bits, (1 << bits) - 1)
        assert "depth_found" in reader.facts.flags


@pytest.mark.parametrize("bits", [8, 10, 12, 14])
@pytest.mark.parametrize("share", [1.0, 0.3])
def test_left_aligned_bright_or_dark(tmp_path: Path, bits: int, share: float) -> None:
    values = clip(int(((1 << bits) - 1) * share)) << (16 - bits)
    np.save(tmp_path / "a.npy", values)
    with open_clip(tmp_path / "a.npy") as reader:
        assert reader.facts.depth_bits == bits
        assert reader.facts.full_scale == ((1 << bits) - 1) << (16 - bits)
        assert any("left-aligned" in note for note in reader.facts.notes)


def test_a_dark_16_bit_clip_is_not_taken_for_less_without_a_word(tmp_path: Path) -> None:
    np.save(tmp_path / "a.npy", clip(900))
    with open_clip(tmp_path / "a.npy") as reader:
        assert "depth_found" in reader.facts.flags
        assert any(
            "a darker recording of more bits would look the same" in note for note in reader.facts.notes
        )
    with open_clip(tmp_path / "a.npy", settings=ClipSettings(depth_bits=16)) as reader:
        assert reader.facts.full_scale == 65535
        assert reader.facts.flags == ()


def test_certain_only_when_values_pile_up(tmp_path: Path) -> None:
    values = clip(600)
    values[:, :2, :2] = 1023
    depth = effective_depth(Path("a"), values, ClipSettings())
    assert depth.notes == ("values pile up at 1023: 10 bits",)


def test_bright_16_bits() -> None:
    depth = effective_depth(Path("a"), clip(50_000), ClipSettings())
    assert (depth.bits, depth.full_scale, depth.found) == (16, 65535.0, False)


def test_a_black_clip_says_nothing_about_alignment() -> None:
    black = np.zeros((3, 4, 5), np.uint16)
    assert effective_depth(Path("a"), black, ClipSettings()).bits == 8
    black[0, 0, 0] = 4096  # one hot pixel is no granularity
    assert effective_depth(Path("a"), black, ClipSettings()).bits == 14


def test_a_later_value_refutes_what_the_sample_showed(tmp_path: Path) -> None:
    values = clip(1023, count=200)
    values[77, 3, 4] = 3000
    np.save(tmp_path / "a.npy", values)
    with (
        open_clip(tmp_path / "a.npy") as reader,
        pytest.raises(
            ClipError, match=r"frame 77 holds 3000, but .* full scale was taken as 1023 .*give depth_bits"
        ),
    ):
        list(reader.blocks())
    with open_clip(tmp_path / "a.npy", settings=ClipSettings(depth_bits=12)) as reader:
        assert sum(len(block.frames) for block in reader.blocks()) == 200


@pytest.mark.parametrize(
    ("settings", "match"),
    [
        ({"depth_bits": 10}, r"values up to \d+, which 10 bits as given cannot be; correct depth_bits"),
        ({"full_scale": 1000.0}, r"above full_scale 1000; correct it"),
    ],
)
def test_given_values_that_cannot_be(settings: dict[str, Any], match: str) -> None:
    with pytest.raises(ClipError, match=match):
        effective_depth(Path("a"), clip(4095), ClipSettings(**settings))
    with pytest.raises(ClipError, match=r"holds 8-bit values, not 12"):
        effective_depth(Path("a"), np.zeros((1, 2, 2), np.uint8), ClipSettings(depth_bits=12))


def test_given_depth_finds_the_alignment() -> None:
    depth = effective_depth(Path("a"), clip(4095) << 4, ClipSettings(depth_bits=12))
    assert (depth.bits, depth.full_scale, depth.found) == (12, 65520.0, False)
