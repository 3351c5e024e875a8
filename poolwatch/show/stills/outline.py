"""Stills of where the pool moves: around its outline, and along its middle line over time."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure
from numpy.typing import NDArray

from ...model.axes import PoolAxes
from ..palette import KEYHOLE_ON_PAPER, PAPER_INK, PAPER_QUIET, SKY, YELLOW
from ..result import ClipResult
from ..ticks import nice_step
from .style import COLUMN, bar_axes, new_figure, nothing_to_show, panel_name, styled

_DIRECTIONS = 360
_MOST_OUTLINES = 600


@dataclass(frozen=True)
class OutlineMotion:
    """How much each part of the outline moves.

    Attributes
    ----------
    place_mm
        Mean outline in pool axes, shape (n, 2), mm, in order around the pool.
    rms_mm
        Root mean square distance from it along its normal, shape (n,), mm.
    frames
        Frames it rests on.
    """

    place_mm: NDArray[np.float64]
    rms_mm: NDArray[np.float64]
    frames: int


def outline_motion(result: ClipResult) -> OutlineMotion:
    """Mean outline and its motion from up to 600 frames spread over the steady part.

    The outline is taken as its distance from the pool's mean centroid in 360 directions; the change of
    that distance is turned onto the normal of the mean outline.
    """
    inside = (result.numbers >= result.steady[0]) & (result.numbers < result.steady[1])
    numbers = result.numbers[inside & (result.status == "ok")]
    numbers = numbers[:: max(1, -(-len(numbers) // _MOST_OUTLINES))]
    outlines = [outline for n in numbers if len(outline := result.outlines(int(n))) > 2]
    if len(outlines) < 3:
        return OutlineMotion(np.empty((0, 2)), np.empty(0), len(outlines))
    points = [result.axes.mm(outline) for outline in outlines]
    centre = np.mean([p.mean(axis=0) for p in points], axis=0)
    angles = np.linspace(-np.pi, np.pi, _DIRECTIONS, endpoint=False)
    reach = np.empty((len(points), _DIRECTIONS))
    for row, outline in enumerate(points):
        away = outline - centre
        angle = np.arctan2(away[:, 1], away[:, 0])
        order = np.argsort(angle, kind="stable")
        reach[row] = np.interp(angles, angle[order], np.hypot(*away[order].T), period=2 * np.pi)
    mean = reach.mean(axis=0)
    slope = (np.roll(mean, -1) - np.roll(mean, 1)) / (2 * (angles[1] - angles[0]))
    tilt = mean / np.hypot(mean, slope)
    place = centre + mean[:, None] * np.stack([np.cos(angles), np.sin(angles)], axis=1)
    return OutlineMotion(place, reach.std(axis=0, ddof=1) * tilt, len(points))


def _without_loops(
    edge: NDArray[np.float64], place: NDArray[np.float64], off: NDArray[np.float64]
) -> NDArray[np.float64]:
    """An edge of the band, cut where it folds over itself at a pointed end.

    There it comes closer to another part of the outline than that part's edge, or runs backwards.
    """
    distance = np.hypot(*(edge[:, None] - place[None]).transpose(2, 0, 1))
    folded = (distance < 0.98 * np.minimum(off[:, None], off[None])).any(axis=1)
    steps = [np.roll(line, -1, axis=0) - np.roll(line, 1, axis=0) for line in (edge, place)]
    folded |= (steps[0] * steps[1]).sum(axis=1) <= 0
    return np.where(folded[:, None], np.nan, edge)


@styled
def motion_figure(result: ClipResult, motion: OutlineMotion | None = None) -> Figure:
    """The mean outline, coloured by how much each part moves, with a band drawn larger than life."""
    motion = outline_motion(result) if motion is None else motion
    if not len(motion.place_mm):
        return nothing_to_show("no map of motion: fewer than three outlines in the steady part")
    place, rms = motion.place_mm, motion.rms_mm
    ring = np.vstack([place, place[:1]])
    along = np.roll(place, -1, axis=0) - np.roll(place, 1, axis=0)
    normal = np.stack([along[:, 1], -along[:, 0]], axis=1) / np.hypot(*along.T)[:, None]
    extent = float(np.ptp(place, axis=0).max())
    gain = _gain(extent, float(rms.max()))
    figure = new_figure(3.2, width=COLUMN, margins=(0.68, 0.48, 0.85, 0.44))
    axes = figure.subplots()
    for sign in (1, -1):
        edge = _without_loops(place + sign * gain * rms[:, None] * normal, place, gain * rms)
        axes.plot(*np.vstack([edge, edge[:1]]).T, color=PAPER_QUIET, lw=0.7, ls="--")
    lines = LineCollection(
        list(np.stack([ring[:-1], ring[1:]], axis=1)),
        array=rms,
        cmap="cividis",
        linewidths=4,
        capstyle="round",
    )
    lines.set_clim(0, float(rms.max()) or 1.0)
    axes.add_collection(lines)
    axes.plot([0], [0], "+", color=PAPER_INK, ms=9)
    axes.annotate("beam", (0, 0), (5, 5), textcoords="offset points", fontsize=8)
    axes.annotate(
        "travel",
        xy=(0.99, 0.95),
        xytext=(0.86, 0.95),
        xycoords="axes fraction",
        arrowprops={"arrowstyle": "->", "color": PAPER_INK},
        va="center",
        ha="right",
        fontsize=8,
    )
    axes.set_aspect("equal", adjustable="datalim")
    axes.margins(0.12)
    axes.autoscale_view()
    axes.set_xlabel(f"along travel from the beam, {result.unit}")
    axes.set_ylabel(f"across, {result.unit}")
    larger = f", drawn {gain:g} times larger" if gain > 1 else ""
    panel_name(axes, f"dashed: ± root mean square{larger}\n{motion.frames} frames")
    bar = figure.colorbar(lines, cax=bar_axes(figure, axes))
    bar.set_label(f"motion along the normal, rms, {result.unit}")
    bar.outline.set_visible(False)
    return figure


def _gain(extent: float, rms: float) -> float:
    """A round factor that makes the largest motion about a twelfth of the pool."""
    return max(1.0, nice_step(extent / (24 * rms))) if rms > 0 else 1.0


@dataclass(frozen=True)
class SpaceTime:
    """Brightness along the pool's middle line over time.

    Attributes
    ----------
    frames
        Frame numbers, shape (n,), increasing.
    x_mm
        Places along travel from the beam, mm, shape (m,), evenly spaced.
    brightness
        Fraction of full scale, shape (n, m); NaN outside the picture.
    """

    frames: NDArray[np.int64]
    x_mm: NDArray[np.float64]
    brightness: NDArray[np.float32]

    def __post_init__(self) -> None:
        expected = (len(self.frames), len(self.x_mm))
        if self.brightness.shape != expected:
            raise ValueError(f"brightness must have shape {expected}, got {self.brightness.shape}")


def middle_line(
    frame: NDArray[Any], axes: PoolAxes, x_mm: NDArray[np.float64], full_scale: float, rows: int = 3
) -> NDArray[np.float32]:
    """Brightness of one frame along y = 0, the mean of `rows` lines one pixel apart, shape (len(x_mm),)."""
    across = (np.arange(rows) - (rows - 1) / 2) * axes.mm_per_px
    grid = np.stack(np.broadcast_arrays(x_mm[None, :], across[:, None]), axis=-1)
    places = axes.image(grid).astype(np.float32)
    sampled = cv2.remap(
        frame.astype(np.float32),
        places[..., 0],
        places[..., 1],
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=(np.nan,),
    )
    return np.asarray(sampled.mean(axis=0) / full_scale, dtype=np.float32)


def line_places(result: ClipResult, shape: tuple[int, int]) -> NDArray[np.float64]:
    """Places along travel, one a pixel, that span the pool's middle line inside a picture of `shape`, mm."""
    height, width = shape
    reach = np.hypot(height, width) * result.axes.mm_per_px
    x = np.arange(-reach, reach, result.axes.mm_per_px)
    image = result.axes.image(np.stack([x, np.zeros_like(x)], axis=1))
    inside = ((image >= 0) & (image <= (width - 1, height - 1))).all(axis=1)
    return np.asarray(x[inside])


@styled
def space_time_figure(result: ClipResult, rows: SpaceTime) -> Figure:
    """Brightness along the middle line over time, with the pool's front and rear and the beam's place."""
    if not rows.brightness.size:
        return nothing_to_show("no space-time picture: no frames were given")
    time = 1e3 * rows.frames / result.record_rate_hz
    excerpt = len(rows.frames) < len(result.numbers)
    figure = new_figure(3.2, width=COLUMN, margins=(0.68, 0.48, 0.85, 0.44 if excerpt else 0.12))
    axes = figure.subplots()
    if excerpt:
        panel_name(
            axes,
            f"frames {rows.frames[0]} to {rows.frames[-1]} of {len(result.numbers)},\n"
            "around the largest lasting excursion",
        )
    shown = np.ma.masked_invalid(rows.brightness.T)
    high = float(np.quantile(shown.compressed(), 0.999)) if shown.count() else 1.0
    step_t = (time[-1] - time[0]) / max(1, len(time) - 1) or 1.0
    step_x = (rows.x_mm[-1] - rows.x_mm[0]) / max(1, len(rows.x_mm) - 1) or 1.0
    image = axes.imshow(
        shown,
        origin="lower",
        aspect="auto",
        cmap="gray",
        vmin=0,
        vmax=high or 1.0,
        extent=(
            time[0] - step_t / 2,
            time[-1] + step_t / 2,
            rows.x_mm[0] - step_x / 2,
            rows.x_mm[-1] + step_x / 2,
        ),
        interpolation="nearest",
    )
    where = np.searchsorted(result.numbers, rows.frames)
    where = np.clip(where, 0, len(result.numbers) - 1)
    for column, colour, dash, words in (
        ("pool_front_mm", YELLOW, "-", "front"),
        ("pool_rear_mm", SKY, "-", "tail"),
    ):
        axes.plot(time, result.series(column)[where], dash, color=colour, lw=1.0, label=words)
    axes.axhline(0, color=KEYHOLE_ON_PAPER, lw=0.9, ls="--", label="beam")
    axes.grid(visible=False)
    axes.set_xlabel("time, ms")
    axes.set_ylabel(f"along travel from the beam, {result.unit}")
    axes.legend(
        loc="upper right",
        labelcolor="white",
        ncols=3,
        columnspacing=1.0,
        handlelength=1.4,
        facecolor="#1d232a",
        frameon=True,
        framealpha=0.8,
    )
    bar = figure.colorbar(image, cax=bar_axes(figure, axes), extend="max")
    bar.set_label("brightness, of full scale")
    bar.outline.set_visible(False)
    return figure


def gather_space_time(frames: Iterable[tuple[int, NDArray[Any]]], result: ClipResult) -> SpaceTime:
    """A `SpaceTime` from frames of native depth with their numbers, in order; gone through once."""
    numbers: list[int] = []
    lines: list[NDArray[np.float32]] = []
    x = np.empty(0)
    for number, frame in frames:
        if not numbers:
            x = line_places(result, (frame.shape[0], frame.shape[1]))
        numbers.append(number)
        lines.append(middle_line(frame, result.axes, x, result.full_scale))
    brightness = np.stack(lines) if lines else np.empty((0, 0), np.float32)
    return SpaceTime(np.array(numbers, dtype=np.int64), x, brightness)
