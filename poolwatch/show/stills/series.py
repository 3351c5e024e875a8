"""Stills of one clip over time and frequency."""

from __future__ import annotations

import itertools
import math

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.markers import TICKDOWN
from matplotlib.ticker import FuncFormatter, NullLocator
from numpy.typing import NDArray

from ...model.rounding import number
from ..palette import (
    FLAGGED_ON_PAPER,
    KEYHOLE_ON_PAPER,
    PAPER_INK,
    PAPER_QUIET,
    PARTICLE_ON_PAPER,
    POOL_ON_PAPER,
)
from ..result import ClipResult
from .style import COLUMN, new_figure, nothing_to_show, panel_name, styled

_COLUMNS = 1400
_RAISED = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")


def signal_name(signal: str) -> str:
    """A signal as people call it."""
    return signal.removeprefix("pool_").replace("_", " ")


def colour_of(signal: str) -> str:
    """Colour of a signal on paper."""
    if signal.startswith("keyhole"):
        return KEYHOLE_ON_PAPER
    return PARTICLE_ON_PAPER if signal.startswith("spatter") else POOL_ON_PAPER


def thinned(
    x: NDArray[np.floating], y: NDArray[np.float64], columns: int = _COLUMNS
) -> tuple[NDArray[np.floating], NDArray[np.float64]]:
    """A long series with the smallest and largest value of each column kept, so that no peak is lost."""
    if len(x) <= 2 * columns:
        return x, y
    edges = np.linspace(0, len(x), columns + 1).astype(int)
    kept: list[int] = []
    for start, stop in itertools.pairwise(edges):
        piece = y[start:stop]
        known = np.flatnonzero(np.isfinite(piece))
        if not known.size:
            kept.append(int(start))
            continue
        ends = {int(known[np.argmin(piece[known])]), int(known[np.argmax(piece[known])])}
        kept.extend(start + place for place in sorted(ends))
    return x[kept], y[kept]


@styled
def series_figure(result: ClipResult) -> Figure:
    """Length, width, keyhole brightness and particles over time, the steady part shaded, bad frames marked."""
    lanes = (
        ("pool_length_mm", f"length, {result.unit}"),
        ("pool_width_mm", f"width, {result.unit}"),
        ("keyhole_brightness", "keyhole,\nof full scale"),
        ("spatter_in_view", "particles\nin view"),
    )
    time = 1e3 * result.numbers / result.record_rate_hz
    figure = new_figure(4.6)
    rows: list[Axes] = list(figure.subplots(len(lanes), 1, sharex=True))
    bad = time[result.status != "ok"]
    steady = [1e3 * frame / result.record_rate_hz for frame in result.steady]
    for axes, (column, label) in zip(rows, lanes, strict=True):
        axes.axvspan(*steady, color="#eef1f4", zorder=0, lw=0)
        axes.plot(*thinned(time, result.series(column)), color=colour_of(column), lw=0.7)
        axes.set_ylabel(label)
        if len(bad):
            axes.plot(
                bad,
                np.full(len(bad), 0.03),
                "x",
                color=FLAGGED_ON_PAPER,
                ms=3.5,
                transform=axes.get_xaxis_transform(),
                clip_on=False,
            )
        if column == "spatter_in_view":
            axes.set_ylim(bottom=0)
    rows[-1].set_xlabel("time, ms")
    words = "steady part shaded"
    if len(bad):
        words += f"; × {len(bad)} frames not measured: {_counted(result.status)}"
    panel_name(rows[0], words)
    if len(time):
        rows[0].set_xlim(time[0], max(time[-1], time[0] + 1e-9))
    return figure


def _counted(status: NDArray[np.str_]) -> str:
    words, counts = np.unique(status[status != "ok"], return_counts=True)
    order = np.argsort(-counts, kind="stable")
    return ", ".join(f"{counts[i]} {words[i].replace('_', ' ')}" for i in order)


def power_of_ten(value: float, _: int | None = None) -> str:
    """A tick of a logarithmic axis; without mathematical markup, which names from files could abuse."""
    exponent = round(math.log10(value)) if value > 0 else 0
    return f"10{str(exponent).translate(_RAISED)}"


def _minor_marks(axes: Axes, values: NDArray[np.floating]) -> None:
    """Marks between the powers of ten of an axis, as one line: single ticks take a fifth of a figure's time."""
    if not len(values):
        return
    powers = 10.0 ** np.arange(math.floor(math.log10(values.min())), math.log10(values.max()))
    marks = np.outer(powers, np.arange(2, 10)).ravel()
    marks = marks[(marks >= values.min()) & (marks <= values.max())]
    axes.plot(
        marks,
        np.zeros(len(marks)),
        linestyle="",
        marker=TICKDOWN,
        color=PAPER_QUIET,
        ms=2,
        mew=0.6,
        transform=axes.get_xaxis_transform(),
        clip_on=False,
    )


def resolution_hz(result: ClipResult, signal: str) -> float:
    """Width of a bin of a signal's spectrum, Hz; 0 where it has none."""
    spectra = result.spectra
    frequency = spectra.loc[spectra["signal"] == signal, "frequency_hz"].to_numpy(dtype=float)
    return float(np.median(np.diff(frequency))) if len(frequency) > 1 else 0.0


def _mark_peak(
    axes: Axes,
    frequency: NDArray[np.float64],
    psd: NDArray[np.float64],
    result: ClipResult,
    signal: str,
) -> None:
    """Mark the strongest peak at its fitted frequency, which is finer than a bin, on the step of the bin it lies in."""
    peak = result.score_of(f"{signal}_peak_hz")
    if not (isinstance(peak, float) and math.isfinite(peak) and len(frequency) > 1):
        return
    distance = np.abs(frequency - peak)
    # The label is above the bins around, where it hides none of them.
    top = float(psd[distance <= 1.5 * float(np.median(np.diff(frequency)))].max(initial=0.0))
    height = float(psd[int(distance.argmin())])
    axes.plot([peak, peak], [height, top], color=PAPER_INK, lw=0.7)
    axes.plot(peak, height, "o", color=PAPER_INK, ms=3.5)
    axes.annotate(
        f"{peak:.0f} Hz", (peak, top), (0, 5), textcoords="offset points", fontweight="bold", ha="center"
    )
    axes.set_ylim(top=max(axes.get_ylim()[1], 6 * top))


@styled
def spectra_figure(result: ClipResult) -> Figure:
    """Power spectral density of each signal with its red-noise background, peak level and named peak."""
    spectra = result.spectra
    signals = list(dict.fromkeys(spectra["signal"]))
    if not signals:
        return nothing_to_show("no spectrum: no steady part was long enough")
    figure = new_figure(0.6 + 1.4 * len(signals), width=COLUMN, margins=(0.8, 0.7, 0.12, 0.28))
    rows = list(np.atleast_1d(figure.subplots(len(signals), 1, sharex=True, gridspec_kw={"hspace": 0.32})))
    for axes, signal in zip(rows, signals, strict=True):
        part = spectra[(spectra["signal"] == signal) & (spectra["frequency_hz"] > 0)]
        frequency = part["frequency_hz"].to_numpy(dtype=float)
        psd = part["psd"].to_numpy(dtype=float)
        # As steps: what is tested is a bin, and its width is the resolution.
        axes.loglog(
            frequency,
            psd,
            color=colour_of(signal),
            lw=0.9,
            drawstyle="steps-mid",
            label="measured",
        )
        for column, dash, words in (
            ("red_noise_psd", "--", "red-noise background"),
            ("peak_level_psd", ":", "level of a peak"),
        ):
            level = part[column].to_numpy(dtype=float)
            if np.isfinite(level).any():
                axes.plot(frequency, level, dash, color=PAPER_INK, lw=0.9, label=words)
        _mark_peak(axes, frequency, psd, result, signal)
        unit = (
            str(part["psd_unit"].iloc[0]).replace("(mm)²", "mm²").replace("(mm²)²", "mm⁴")
            if len(part)
            else ""
        )
        unit = unit.replace("mm", result.unit)
        axes.set_ylabel(f"density,\n{unit}" if unit else "density")
        step = resolution_hz(result, signal)
        panel_name(axes, signal_name(signal) + (f", bins of {number(step)} Hz" if step else ""))
        axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
        axes.yaxis.set_major_formatter(FuncFormatter(power_of_ten))
        axes.xaxis.set_minor_locator(NullLocator())
        axes.yaxis.set_minor_locator(NullLocator())
        axes.margins(x=0.01)
        _minor_marks(axes, frequency)
    band = [result.score_of(f"band_{end}_hz") for end in ("low", "high")]
    banded = all(isinstance(edge, float) and math.isfinite(edge) for edge in band)
    if banded:
        for axes in rows:
            axes.axvspan(*band, color="#eef1f4", zorder=0, lw=0)
    shaded = ", shaded: band of the fluctuation" if banded else ""
    rows[-1].set_xlabel(f"frequency, Hz{shaded}")
    # Under the panels, where it hides no curve.
    figure.legend(
        *rows[0].get_legend_handles_labels(),
        loc="lower center",
        ncols=3,
        columnspacing=1.0,
        handlelength=1.4,
    )
    return figure
