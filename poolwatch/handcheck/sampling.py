"""Which frames a person is asked to mark: drawn at random over the steady part, and its worst moments."""

from __future__ import annotations

import hashlib
import itertools
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..model.errors import MeasurementError, UsageError

if TYPE_CHECKING:
    from ..measure import Measurement

WORST = (
    "the largest, over length and width, of the distance from the steady part's median and of the jump against the "
    "median of the five frames around, each in robust standard deviations"
)
"""How bad a moment is."""
_DRAWN = re.compile(r"(\d{1,4})\+(\d{1,4})\+(\d{1,4})")
# Below it neither bias nor limits have an interval worth reading.
LEAST_RANDOM = 6


@dataclass(frozen=True)
class Wanted:
    """How many frames are asked for.

    Attributes
    ----------
    random
        Frames drawn at random.
    worst
        Worst moments.
    run
        Frames in a row in which particles are marked; 0 for none.
    """

    random: int = 15
    worst: int = 5
    run: int = 30

    def __post_init__(self) -> None:
        if self.random < LEAST_RANDOM or self.worst < 0 or self.run < 0:
            raise UsageError(
                f"{self.random} frames at random, {self.worst} worst moments, {self.run} in a row: at least "
                f"{LEAST_RANDOM} must be drawn at random, for bias and limits rest on them; ask for more frames"
            )

    @property
    def words(self) -> str:
        """As the marks hold it: ``15+5+30``."""
        return f"{self.random}+{self.worst}+{self.run}"

    @classmethod
    def read(cls, words: str) -> Wanted:
        """From ``15+5+30``; `ValueError` where it is nothing of the kind."""
        found = _DRAWN.fullmatch(words)
        if not found:
            raise ValueError(f"{words!r} is not of the form 15+5+30")
        try:
            return cls(*(int(part) for part in found.groups()))
        except UsageError as error:
            raise ValueError(str(error)) from None


@dataclass(frozen=True)
class FrameDraw:
    """Frames drawn for a check by hand.

    Attributes
    ----------
    seed
        The draw is the same for the same clip, settings and seed.
    random
        Frames at random, one in each of as many equal shares of the measured frames of the steady part, in order of
        time.
    worst
        Worst moments among the others, worst first.
    run
        Frames in a row for particles, (first, last); None for none.
    wanted
        What was asked for.
    """

    seed: int
    random: tuple[int, ...]
    worst: tuple[int, ...]
    run: tuple[int, int] | None
    wanted: Wanted

    @property
    def frames(self) -> tuple[int, ...]:
        """All frames in which the pool is marked, in order of time: which of them are worst moments does not show."""
        return tuple(sorted((*self.random, *self.worst)))

    @property
    def in_row(self) -> range:
        """The frames in a row."""
        if self.run is None:
            return range(0)
        first, last = self.run
        return range(first, last + 1)


def draw_frames(measurement: Measurement, seed: int, wanted: Wanted | None = None) -> FrameDraw:
    """Draw the frames to be marked.

    Parameters
    ----------
    measurement
        The measured clip.
    seed
        Seed of the draw.
    wanted
        How many frames.

    Raises
    ------
    MeasurementError
        The steady part has too few measured frames.
    """
    wanted = wanted or Wanted()
    start, stop = (int(measurement.run["steady"][end]) for end in ("start", "stop"))
    frames = measurement.frames
    number = frames["frame"].to_numpy(dtype=np.int64)
    inside = (number >= start) & (number < stop)
    used = inside & (frames["status"].to_numpy(dtype=str) == "ok")
    usable = number[used]
    if len(usable) < 2 * (wanted.random + wanted.worst) or stop - start < 2 * wanted.run:
        raise MeasurementError(
            f"the steady part has {len(usable)} measured frames, too few to draw {wanted.random + wanted.worst} and "
            f"{wanted.run} in a row from; ask for fewer, or mark a longer clip"
        )
    key = f"{measurement.row['clip_id']} {seed}"
    # Whole frames: shares that meet within a frame could both draw it.
    edges = np.linspace(0, len(usable), wanted.random + 1).astype(int).tolist()
    places = [
        low + int(_uniform(f"{key} stratum {k}") * (high - low))
        for k, (low, high) in enumerate(itertools.pairwise(edges))
    ]
    random = tuple(int(usable[place]) for place in places)
    series = [frames[f"pool_{name}_mm"].to_numpy(dtype=np.float64)[used] for name in ("length", "width")]
    worst = _worst(usable, badness(series), set(random), wanted.worst)
    run = None
    if wanted.run and "spatter_not_sought" not in measurement.flags:
        first = start + int(_uniform(f"{key} run") * (stop - start - wanted.run + 1))
        run = (first, first + wanted.run - 1)
    return FrameDraw(seed, random, worst, run, wanted)


def badness(series: list[NDArray[np.float64]]) -> NDArray[np.float64]:
    """How bad each moment is, as `WORST` says; `series` are lengths, widths …, each of shape (n,)."""
    kinds = []
    for values in series:
        padded = np.pad(values, 2, mode="edge")
        around = np.median(np.lib.stride_tricks.sliding_window_view(padded, 5), axis=1)
        kinds += [_robust(values - np.median(values)), _robust(values - around)]
    return np.asarray(np.max(kinds, axis=0))


def _robust(away: NDArray[np.float64]) -> NDArray[np.float64]:
    away = np.abs(away)
    spread = 1.4826 * float(np.median(away))
    if spread == 0.0:
        # More than half the frames agree to the last digit: any other way to take the spread is as good.
        spread = float(away.mean()) or 1.0
    return away / spread


def _worst(
    usable: NDArray[np.int64], bad: NDArray[np.float64], taken: set[int], count: int
) -> tuple[int, ...]:
    """The worst frames, each a moment of its own."""
    apart = max(1, len(usable) // (20 * max(count, 1)))
    chosen: list[int] = []
    for place in np.argsort(-bad, kind="stable"):
        frame = int(usable[place])
        if frame not in taken and all(abs(frame - other) >= apart for other in chosen):
            chosen.append(frame)
            if len(chosen) == count:
                break
    return tuple(chosen) if count else ()


def _uniform(words: str) -> float:
    """A number from 0 to below 1 that depends on the words alone, on any machine and with any library."""
    return int.from_bytes(hashlib.sha256(words.encode()).digest()[:6], "big") / 2**48
