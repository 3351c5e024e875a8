"""Which frames an overlay shows, how slowly, and under which caption."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, model_validator

from ..model.errors import OutputError, UsageError
from ..model.settings import Settings
from .result import ClipResult

Layer = Literal[
    "outline", "extent", "keyhole", "axes", "travel", "scale", "particles", "rejected", "status", "strip"
]
LAYERS: tuple[Layer, ...] = (
    "outline",
    "extent",
    "keyhole",
    "axes",
    "travel",
    "scale",
    "particles",
    "status",
    "strip",
)
_EXCERPT_FRAMES = 150
_SHARE_WHOLE = 0.4
_PER_KIND = 2


class OverlayChoices(Settings):
    """What an overlay shows. None of this changes a measured number.

    Attributes
    ----------
    start_s, end_s
        Part of the clip, s at the record rate; None for its start and end.
    slow_motion
        How many times slower than life, for the whole part; None: thinned so that it fits, with excerpts.
    layers
        What is drawn.
    plain_beside
        The same picture with nothing drawn on it beside the annotated one.
    turn
        Turn the picture so that travel points to the right.
    every_frame
        Show each frame once, however long that plays.
    max_seconds
        Longest playing time, s.
    playback_rate_hz
        Pictures per second of the written file.
    min_width
        Small clips are enlarged to at least about this width, px; every picture of the video costs time by its
        size.
    """

    start_s: float | None = Field(default=None, ge=0)
    end_s: float | None = Field(default=None, gt=0)
    slow_motion: float | None = Field(default=None, gt=0)
    layers: tuple[Layer, ...] = LAYERS
    plain_beside: bool = False
    turn: bool = False
    every_frame: bool = False
    max_seconds: float = Field(default=60.0, gt=0, le=3600)
    playback_rate_hz: float = Field(default=30.0, ge=1, le=120)
    min_width: int = Field(default=720, ge=320, le=3840)

    @model_validator(mode="after")
    def _in_order(self) -> OverlayChoices:
        if self.end_s is not None and self.end_s <= (self.start_s or 0.0):
            raise ValueError("end_s must be after start_s")
        return self


@dataclass(frozen=True)
class Segment:
    """A stretch of the overlay under one caption.

    Attributes
    ----------
    frames
        Frame numbers shown, in order.
    hold
        Pictures for which each frame stays.
    caption
        What it shows, in words.
    slow_motion
        How many times slower than life it plays.
    playback_rate_hz
        Pictures per second.
    """

    frames: NDArray[np.int64]
    hold: int
    caption: str
    slow_motion: float
    playback_rate_hz: float

    @property
    def pictures(self) -> int:
        """Pictures it takes."""
        return len(self.frames) * self.hold


def pack_segments(segments: Sequence[Segment]) -> dict[str, Any]:
    """What a video shows as plain values, for ``run.json`` and for the report's script.

    Returns
    -------
    dict
        ``rate`` (pictures per second) and ``segments``: each with ``picture`` (its first picture in the
        video), ``hold``, ``count``, ``caption``, ``slow_motion``, and its frames as ``from`` and ``step``
        where they are evenly spaced, else one by one in ``frames``.
    """
    packed: list[dict[str, Any]] = []
    picture = 0
    rate = 0.0
    for segment in segments:
        frames = segment.frames
        rate = segment.playback_rate_hz
        steps = np.unique(np.diff(frames))
        entry: dict[str, Any] = {
            "picture": picture,
            "hold": segment.hold,
            "count": len(frames),
            "caption": segment.caption,
            "slow_motion": segment.slow_motion,
        }
        if len(steps) <= 1:
            entry |= {"from": int(frames[0]), "step": int(steps[0]) if len(steps) else 1}
        else:
            entry |= {"frames": [int(f) for f in frames]}
        packed.append(entry)
        picture += segment.pictures
    return {"rate": rate, "segments": packed}


def unpack_segments(packed: Mapping[str, Any]) -> list[Segment]:
    """The segments that `pack_segments` packed.

    Raises
    ------
    OutputError
        The values are no packed segments.
    """
    try:
        return [
            Segment(
                np.array(
                    entry["frames"]
                    if "frames" in entry
                    else entry["from"] + entry["step"] * np.arange(entry["count"]),
                    dtype=np.int64,
                ),
                int(entry["hold"]),
                str(entry["caption"]),
                float(entry["slow_motion"]),
                float(packed["rate"]),
            )
            for entry in packed["segments"]
        ]
    except (KeyError, TypeError, ValueError) as error:
        raise OutputError(
            f"what the overlay shows cannot be read back ({error!r}); write the overlay again"
        ) from None


def plan_overlay(result: ClipResult, choices: OverlayChoices | None = None) -> list[Segment]:
    """Choose the frames of an overlay.

    A clip that fits into the playing time is shown whole. A longer one is shown thinned, then full-rate
    excerpts of its worst moments: largest excursions of the pool, darkest keyhole, most new particles.

    Raises
    ------
    UsageError
        The chosen part holds no frame.
    """
    choices = choices or OverlayChoices()
    first = 0 if choices.start_s is None else int(np.ceil(choices.start_s * result.record_rate_hz - 1e-6))
    last = np.inf if choices.end_s is None else choices.end_s * result.record_rate_hz + 1e-6
    frames = result.numbers[(result.numbers >= first) & (result.numbers <= last)]
    if not len(frames):
        length = len(result.numbers) / result.record_rate_hz
        raise UsageError(
            f"{result.name}: no frame is in the chosen part; the clip is {length:.4g} s long at its record rate"
        )
    rate = choices.playback_rate_hz
    room = max(1, int(choices.max_seconds * rate))
    part = "whole clip" if len(frames) == len(result.numbers) else "part of the clip"
    if choices.slow_motion is not None:
        step = result.record_rate_hz / (rate * choices.slow_motion)
        stride, hold = max(1, round(step)), max(1, round(1 / step))
        chosen = frames[::stride]
        if not choices.every_frame and len(chosen) * hold > room:
            chosen = chosen[: max(1, room // hold)]
            shown = 1e3 * (chosen[-1] - chosen[0]) / result.record_rate_hz
            part = f"first {shown:.4g} ms of the {part.removeprefix('whole ').removesuffix(' of the clip')}"
        return [_segment(result, chosen, stride, hold, part, rate)]
    if choices.every_frame or len(frames) <= room:
        return [_segment(result, frames, 1, 1, part, rate)]
    count = min(_EXCERPT_FRAMES, max(1, room // 5), len(frames))
    whole = max(1, int(_SHARE_WHOLE * room))
    stride = int(np.ceil(len(frames) / whole))
    segments = [_segment(result, frames[::stride], stride, 1, part, rate)]
    excerpts = _worst(result, frames, count, (room - segments[0].pictures) // count)
    for place, (start, words) in enumerate(excerpts, 1):
        piece = frames[start : start + count]
        at = _milliseconds(piece[0], result)
        name = f"excerpt {place} of {len(excerpts)}, from {at}: {words}"
        segments.append(_segment(result, piece, 1, 1, name, rate))
    return segments


def plan_loop(result: ClipResult, choices: OverlayChoices) -> tuple[list[Segment], OverlayChoices]:
    """The frames of a short loop for slides, and the choices for it: smaller and slower than a video.

    Where no part was chosen it shows every frame around the worst moment of the steady part.
    """
    given = choices.model_fields_set
    smaller = {"playback_rate_hz": 20.0, "max_seconds": 5.0, "min_width": 480}
    choices = choices.model_copy(update={name: value for name, value in smaller.items() if name not in given})
    if given & {"start_s", "end_s", "slow_motion", "every_frame"}:
        return plan_overlay(result, choices), choices
    moment, words = worst_moment(result)
    count = max(1, int(choices.max_seconds * choices.playback_rate_hz))
    place = int(np.searchsorted(result.numbers, moment))
    start = int(np.clip(place - count // 2, 0, max(0, len(result.numbers) - count)))
    frames = result.numbers[start : start + count]
    caption = words.partition(": ")[2]
    return [_segment(result, frames, 1, 1, caption, choices.playback_rate_hz)], choices


def worst_moment(result: ClipResult) -> tuple[int, str]:
    """The measured frame of the steady part around which length or width lies furthest from its middle.

    Each frame counts with the two measured before and after it (their median), so that one odd frame is no moment.

    Returns
    -------
    frame : int
        Its number; the middle frame of the steady part where nothing moves or was measured.
    words : str
        What it shows.
    """
    inside = (result.numbers >= result.steady[0]) & (result.numbers < result.steady[1])
    rows = np.flatnonzero(inside & (result.status == "ok"))
    best = (0.0, (result.steady[0] + result.steady[1]) // 2, "middle of the steady part")
    for name in ("length", "width"):
        away = _excursion(_smoothed(result.series(f"pool_{name}_mm")[rows]))
        if np.isfinite(away).any():
            place = int(np.nanargmax(away))
            found = int(result.numbers[rows[place]])
            best = max(best, (float(away[place]), found, f"largest lasting excursion of {name}"))
    _, frame, words = best
    return frame, f"frame {frame}, {_milliseconds(frame, result)}: {words}"


def _segment(
    result: ClipResult, frames: NDArray[np.int64], stride: int, hold: int, name: str, rate: float
) -> Segment:
    every = "every frame" if stride == 1 else f"1 frame in {stride}"
    caption = name if name.startswith("excerpt") else f"{name}, {every}"
    return Segment(frames, hold, caption, result.record_rate_hz * hold / (rate * stride), rate)


def _milliseconds(frame: int, result: ClipResult) -> str:
    return f"{1e3 * frame / result.record_rate_hz:.2f} ms"


def _worst(result: ClipResult, frames: NDArray[np.int64], count: int, most: int) -> list[tuple[int, str]]:
    """Places in `frames` where excerpts of `count` frames start, by time, and what each shows."""
    rows = np.searchsorted(result.numbers, frames)
    found: list[tuple[int, str]] = []
    taken = np.zeros(len(frames), dtype=bool)

    def take(strength: NDArray[np.float64], words: str) -> bool:
        free = np.where(taken | ~np.isfinite(strength), -np.inf, strength)
        peak = int(np.argmax(free))
        if not free[peak] > 0:
            return False
        start = int(np.clip(peak - count // 2, 0, len(frames) - count))
        # Half an excerpt may overlap a neighbour's margin, never its moment.
        taken[max(0, start - count // 2) : start + count + count // 2] = True
        found.append((start, words.format(at=_milliseconds(frames[peak], result))))
        return True

    kinds = [
        *(
            (_excursion(result.series(f"pool_{name}_mm")[rows]), f"largest excursion of {name} at {{at}}")
            for name in ("length", "width")
        ),
        (_drop(result.series("keyhole_brightness")[rows]), "keyhole darkest at {at}"),
        *(
            [(_arrivals(result, frames, count), "most new particles around {at}")]
            if result.spatter_sought
            else []
        ),
    ]
    for _ in range(_PER_KIND):
        for strength, words in kinds:
            if len(found) < most:
                take(strength, words)
    return sorted(found)


def _smoothed(series: NDArray[np.float64], width: int = 5) -> NDArray[np.float64]:
    """Running median."""
    if len(series) < width:
        return series
    padded = np.pad(series, width // 2, mode="edge")
    return np.asarray(np.median(np.lib.stride_tricks.sliding_window_view(padded, width), axis=1))


def _excursion(series: NDArray[np.float64]) -> NDArray[np.float64]:
    """Distance from the middle of the clip, in robust standard deviations (one frame may be any number)."""
    known = series[np.isfinite(series)]
    if known.size < 3:
        return np.full(len(series), np.nan)
    middle = np.median(known)
    spread = 1.4826 * np.median(np.abs(known - middle))
    return np.asarray(np.abs(series - middle) / spread) if spread > 0 else np.zeros(len(series))


def _drop(series: NDArray[np.float64]) -> NDArray[np.float64]:
    known = series[np.isfinite(series)]
    return np.asarray(np.median(known) - series) if known.size else np.full(len(series), np.nan)


def _arrivals(result: ClipResult, frames: NDArray[np.int64], count: int) -> NDArray[np.float64]:
    """New particles within half an excerpt of each frame."""
    born = np.sort(result.spatter["first_frame"].to_numpy(dtype=np.int64))
    half = count // 2
    inside = np.searchsorted(born, frames + half) - np.searchsorted(born, frames - half)
    return inside.astype(np.float64)
