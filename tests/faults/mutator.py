"""Damaged recordings from a seed: small clips of every format, cut, flipped, spliced, filled, repeated.

Run as a script for more files than the tests take::

    python -m tests.faults.mutator FIRST COUNT

It tells how each file fared, and ends with 1 where one was answered wrongly.
"""

from __future__ import annotations

import collections
import sys
import tempfile
import time
import traceback
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from poolwatch.clips import open_clip
from poolwatch.footage import FORMATS, FootageOptions, write_frames
from poolwatch.model.errors import ClipError, PoolwatchError

COUNT, SHAPE = 30, (32, 64)
# Name of the format, and whether a damaged picture must show: FFV1, PNG and deflate carry checksums. In the
# others, noise in the pixels themselves, or in a picture's code, is a picture like any other.
KINDS = {
    "avi-ffv1": True,
    "mkv-ffv1": True,
    "mp4-h264": False,
    "mkv-h264": False,
    "avi-mjpeg": False,
    "avi-raw": False,
    "tiff": False,
    "tiff-lzw": False,
    "tiff-deflate": True,
    "npy": False,
    "hdf5": False,
    "hdf5-gzip": True,
    "raw": False,
    "raw-mono12p": False,
}
HOW = ("cut", "flip", "burst", "zeros", "splice", "shuffle", "grow", "head")


@dataclass(frozen=True)
class Case:
    """One damaged file.

    Attributes
    ----------
    seed, kind, how
        What it came from, and what was done.
    """

    seed: int
    kind: str
    how: str


def case(seed: int) -> Case:
    """The case of a seed: formats and kinds of damage take turns."""
    kinds = list(KINDS)
    return Case(seed, kinds[seed % len(kinds)], HOW[seed // len(kinds) % len(HOW)])


def pictures(kind: str) -> NDArray[Any]:
    """A bright blob that wanders over a noisy plate; all frames different."""
    bits = 12 if kind == "raw-mono12p" else 8
    rng = np.random.default_rng(3)
    rows, columns = np.mgrid[: SHAPE[0], : SHAPE[1]]
    top = (1 << bits) - 1
    out = np.empty((COUNT, *SHAPE), np.uint8 if bits == 8 else np.uint16)
    for number in range(COUNT):
        x, y = 26 + 6 * np.sin(number / 3), 16 + 2 * np.cos(number / 2)
        blob = 1 / (1 + np.exp((((columns - x) / 14) ** 2 + ((rows - y) / 8) ** 2 - 1) * 6))
        out[number] = (top * (0.06 + 0.8 * blob) + rng.normal(0, top * 0.01, SHAPE)).clip(0, top)
    return out


def whole(folder: Path, kind: str) -> Path:
    """The undamaged file."""
    path = folder / f"{kind}{FORMATS[kind].ending}"
    if not path.exists():
        bits = 12 if kind == "raw-mono12p" else 8
        options = FootageOptions(keyframe_interval=10)
        write_frames(path, pictures(kind), format=kind, depth_bits=bits, options=options)
    return path


def damage(data: bytes, how: str, rng: np.random.Generator, other: bytes) -> bytes:
    """Bytes of a file after something has happened to it."""
    out = bytearray(data)
    size = len(out)
    if how == "cut":
        return bytes(out[: int(rng.integers(1, size))])
    if how == "flip":
        for place in rng.integers(0, size, int(rng.choice([1, 3, 20, 200]))):
            out[place] ^= 1 << int(rng.integers(8))
        return bytes(out)
    if how == "head":
        for place in rng.integers(0, min(size, 600), int(rng.choice([1, 2, 8]))):
            out[place] = int(rng.choice([0, 1, 0x7F, 0x80, 0xFF, int(rng.integers(256))]))
        return bytes(out)
    begin = int(rng.integers(0, size))
    length = int(rng.choice([1, 16, 512, 4096, 40000]))
    length = min(length, size - begin)
    if how == "burst":
        out[begin : begin + length] = rng.bytes(length)
    elif how == "zeros":
        out[begin : begin + length] = bytes(length)
    elif how == "splice":
        at = int(rng.integers(0, len(other)))
        out = out[:begin] + other[at:] if rng.random() < 0.5 else out[:begin] + out[begin + length :]
    elif how == "shuffle":
        to = int(rng.integers(0, size))
        part = out[begin : begin + length]
        del out[begin : begin + length]
        out[to:to] = part
    elif how == "grow":
        out += rng.bytes(length)
    return bytes(out) or b"\0"


def damaged(folder: Path, one: Case) -> Path:
    """Write the damaged file of a case."""
    rng = np.random.default_rng(one.seed)
    source = whole(folder, one.kind)
    other = whole(folder, list(KINDS)[int(rng.integers(len(KINDS)))])
    path = folder / f"case{one.seed}{source.suffix}"
    path.write_bytes(damage(source.read_bytes(), one.how, rng, other.read_bytes()))
    if one.kind.startswith("raw"):
        sidecar = Path(f"{source}.toml").read_bytes()
        Path(f"{path}.toml").write_bytes(sidecar)
    return path


@dataclass(frozen=True)
class Answer:
    """What the reader made of a damaged file.

    Attributes
    ----------
    word
        ``refused``, ``flagged`` (read, and the damage said), ``same`` (every picture right), ``unseen`` (a wrong
        picture that cannot be told from a right one in this format), or ``wrong``.
    detail
        More of it.
    """

    word: str
    detail: str = ""


def answer(path: Path, one: Case) -> Answer:
    """Read a damaged file in three ways and judge what comes."""
    try:
        with open_clip(path) as clip:
            total = clip.facts.frame_count
            blocks = list(clip.blocks(size=7))
            found = clip.findings()
            flags = set(clip.facts.flags)
        frames = np.concatenate([b.frames for b in blocks])
        decoded = np.concatenate([b.decoded for b in blocks])
        if len(frames) != total:
            return Answer("wrong", f"{total} frames were said, {len(frames)} came")
        if frames[~decoded].any():
            return Answer("wrong", "a frame that could not be decoded is not zero")
        if set(found.undecodable) != set(np.flatnonzero(~decoded).tolist()):
            return Answer("wrong", "what reading found is not what the frames say")
        numbers = sorted({0, total // 2, total - 1})
        with open_clip(path) as clip:
            some = clip.frames(numbers)
            rest = [b.frames for b in clip.blocks(total // 2, size=64)]
            single = {number: clip.frames([number])[0] for number in range(one.seed % 5, total, 5)}
        if not np.array_equal(some, frames[numbers]) or not np.array_equal(
            np.concatenate(rest), frames[total // 2 :]
        ):
            return Answer("wrong", "blocks or the start change a value")
        other = [number for number, picture in single.items() if not np.array_equal(picture, frames[number])]
        if other:
            return Answer("wrong", f"read alone, frames {other} are others")
    except PoolwatchError as error:
        text = str(error)
        if not isinstance(error, ClipError) or "\n" in text or str(path) not in text or len(text) > 600:
            return Answer("wrong", f"{type(error).__name__}: {text[:300]}")
        return Answer("refused", text)
    except Exception:  # noqa: BLE001 - that is what is looked for
        return Answer("wrong", traceback.format_exc(limit=-4))
    true = pictures(one.kind)
    said = not decoded.all() or bool(flags & {"truncated", "undecodable_frames", "count_disagrees"})
    lossy = "h264" in one.kind or "mjpeg" in one.kind
    near = 12.0 if lossy else 0.0
    same = frames.shape == true.shape and all(
        np.abs(frames[n].astype(int) - true[n]).mean() <= near for n in range(COUNT) if decoded[n]
    )
    if same and decoded.all():
        return Answer("same" if not said else "flagged")
    if said:
        return Answer("flagged")
    # No checksum covers the size of the picture in Matroska's header, and FFV1 does not state it again.
    covered = KINDS[one.kind] and not (one.kind == "mkv-ffv1" and frames.shape[1:] != true.shape[1:])
    return Answer("wrong" if covered else "unseen", f"{frames.shape} of {true.shape}")


def main(first: int, count: int) -> int:
    """Try cases; tell the sums and what was wrong."""
    sums: collections.Counter[tuple[str, str]] = collections.Counter()
    wrong, slowest = 0, (0.0, 0)
    with tempfile.TemporaryDirectory() as place:
        for seed in range(first, first + count):
            one = case(seed)
            path = damaged(Path(place), one)
            begin = time.perf_counter()
            got = answer(path, one)
            slowest = max(slowest, (time.perf_counter() - begin, seed))
            sums[one.kind, got.word] += 1
            if got.word == "wrong":
                wrong += 1
                print(f"{one}: {got.detail}")
            path.unlink()
    for (kind, word), number in sorted(sums.items()):
        print(f"{kind:14s} {word:8s} {number}")
    print(f"{count} files, {wrong} answered wrongly, slowest {slowest[0]:.2f} s (seed {slowest[1]})")
    return int(wrong > 0)


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]), int(sys.argv[2])))
