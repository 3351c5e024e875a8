"""Stills of a trial: ranking, factors, outcomes."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from ...experiment.factors import BLOCK, BLOCK_COLUMN
from ...model.flags import doubts
from ..palette import BLUE, FLAGGED_ON_PAPER, PAPER_INK, SERIES_ON_PAPER
from .style import WIDTH, new_figure, nothing_to_show, panel_name, styled

if TYPE_CHECKING:
    import pandas as pd

MARKERS = "osD^vPX<>*hp"
"""Marker of each beam shape, in order; with the colour, so that nothing rests on colour alone."""
_PANELS_A_ROW = 3
# More levels than this have no means: they are a scatter of numbers.
_MANY = 8
NARROW = 3.3
"""Width of a figure for a phone, inches."""
# Endings of column names, longest first, and the units they stand for.
_UNITS = {
    "_mm_per_s": "mm/s",
    "_percent": "%",
    "_m_min": "m/min",
    "_l_min": "l/min",
    "_mm_s": "mm/s",
    "_n_mm2": "N/mm²",
    "_mpa": "MPa",
    "_deg": "°",
    "_mm2": "mm²",
    "_kw": "kW",
    "_kn": "kN",
    "_hz": "Hz",
    "_um": "µm",
    "_mm": "mm",
    "_ms": "ms",
    "_w": "W",
    "_n": "N",
    "_s": "s",
}


def spread(count: int) -> NDArray[np.float64]:
    """Offsets within ±0.5 that keep dots of one row apart, the same every time."""
    return np.asarray(np.linspace(-0.5, 0.5, count + 2)[1:-1], dtype=np.float64)


def marks(shapes: Sequence[str]) -> dict[str, tuple[str, str]]:
    """Colour and marker of each beam shape."""
    return {
        shape: (SERIES_ON_PAPER[i % len(SERIES_ON_PAPER)], MARKERS[i % len(MARKERS)])
        for i, shape in enumerate(dict.fromkeys(shapes))
    }


@styled
def ranking_figure(
    ranking: pd.DataFrame,
    scores: pd.DataFrame,
    *,
    settings: Mapping[str, str] | None = None,
    narrow: bool = False,
) -> Figure:
    """Mean index of each beam shape with its interval and letters; single welds as dots; the whole scale 0 to 100.

    `settings` are words to write behind the name of a shape. `narrow` is for the width of a phone: names are above
    their bars.
    """
    behind = {shape: f": {words}" for shape, words in (settings or {}).items() if words}
    if not len(ranking):
        return nothing_to_show("no ranking: no weld could be scored")
    ordered = ranking.sort_values("rank", kind="stable")
    pitch = 0.6 if narrow else 0.52
    figure = new_figure(0.9 + pitch * len(ordered), width=NARROW if narrow else WIDTH)
    axes = figure.subplots()
    for row, (_, shape) in enumerate(ordered.iterrows()):
        low, high = float(shape["stability_index_low"]), float(shape["stability_index_high"])
        if math.isfinite(low) and math.isfinite(high):
            axes.plot([low, high], [row, row], color=BLUE, lw=5, alpha=0.35, solid_capstyle="butt")
        axes.plot([shape["stability_index"]] * 2, [row - 0.26, row + 0.26], color=BLUE, lw=2.4)
        welds = scores[(scores["beam_shape"] == shape["beam_shape"]) & scores["stability_index"].notna()]
        _draw_welds(axes, welds["stability_index"], row + 0.5 * spread(len(welds)), flagged_rows(welds))
        letters = str(shape["group"]) if isinstance(shape["group"], str) else ""
        axes.text(101.5, row, _short(letters, 10), va="center", fontweight="bold", clip_on=False)
    names = [_short(f"{name}{behind.get(str(name), '')}", 44) for name in ordered["beam_shape"]]
    axes.set_yticks(range(len(ordered)), [""] * len(names) if narrow else names)
    axes.set_ylim(len(ordered) - (0.6 if narrow else 0.4), -0.85 if narrow else -0.6)
    axes.set_xlim(0, 100)
    axes.grid(visible=False, axis="y")
    axes.tick_params(axis="y", length=0)
    axes.set_xlabel("stability index, 0 to 100, higher is steadier")
    words = ("bar: mean   band: 95 % interval", _weld_words(scores), "same letter: no difference shown")
    panel_name(axes, "\n".join(words) if narrow else f"{words[0]}   {words[1]}\n{words[2]}")
    if narrow:
        _names_above(axes, names)
    return figure


def _names_above(axes: Axes, names: Sequence[str]) -> None:
    """Names of the rows inside the panel, each above its bar; a long one is cut by the panel's edge."""
    axes.title.set_fontsize(8.5)
    for row, name in enumerate(names):
        axes.text(
            0.01,
            row - 0.3,
            name,
            va="bottom",
            clip_on=True,
            transform=axes.get_yaxis_transform(),
            bbox={"fc": "white", "ec": "none", "pad": 0.5},
        ).set_in_layout(False)


def _short(name: object, most: int = 28) -> str:
    text = str(name)
    return text if len(text) <= most else text[: most - 1] + "…"


def flagged_rows(scores: pd.DataFrame) -> NDArray[np.bool_]:
    """Which score rows have a flag that casts a doubt on them."""
    if "flags" not in scores:
        return np.zeros(len(scores), dtype=bool)
    return np.array([bool(doubts(str(flags or "").split())) for flags in scores["flags"]], dtype=bool)


def _draw_welds(axes: Axes, x: Any, y: Any, flagged: NDArray[np.bool_]) -> None:
    """Single welds as dots, those of flagged clips with a ring around them."""
    x, y = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    axes.plot(x, y, "o", ms=4, mfc="white", mec=PAPER_INK, mew=0.9, zorder=3)
    _ring(axes, x[flagged], y[flagged])


def _ring(axes: Axes, x: NDArray[np.float64], y: NDArray[np.float64]) -> None:
    axes.plot(x, y, "o", ms=9, mfc="none", mec=FLAGGED_ON_PAPER, mew=1.4, zorder=4)


def _weld_words(scores: pd.DataFrame) -> str:
    return "○ one weld" + ("   ◎ flagged" if flagged_rows(scores).any() else "")


def factor_columns(scores: pd.DataFrame) -> list[str]:
    """Columns of process factors that vary; blocks are none."""
    return [
        name
        for name in scores
        if str(name).startswith("factor_") and name != BLOCK_COLUMN and len(set(scores[name].dropna())) > 1
    ]


def outcome_columns(scores: pd.DataFrame) -> list[str]:
    """Columns of laboratory results that hold at least three numbers."""
    import pandas as pd

    return [
        name
        for name in scores
        if str(name).startswith("outcome_") and pd.to_numeric(scores[name], errors="coerce").count() >= 3
    ]


def plain(column: str) -> str:
    """A column's name as words, without its prefix, with its unit as written."""
    if column in (BLOCK, BLOCK_COLUMN):
        return "block: day, sheet or batch"
    words = column.removeprefix("factor_").removeprefix("outcome_")
    for ending, unit in _UNITS.items():
        if words.endswith(ending) and words != ending:
            return f"{words.removesuffix(ending).replace('_', ' ')}, {unit}"
    return words.replace("_", " ")


def _term_words(term: str) -> str:
    """A term of a model as words: units stand with lone factors only."""
    bare = [
        plain(part.removesuffix("²")).split(", ")[0] + "²" * part.endswith("²") for part in term.split(" x ")
    ]
    return plain(term) if len(bare) == 1 and not term.endswith("²") else " x ".join(bare)


def _panels(count: int, height: float, narrow: bool) -> tuple[Figure, list[Axes]]:
    columns = 1 if narrow else min(count, _PANELS_A_ROW)
    rows = -(-count // columns)
    figure = new_figure(height * rows, width=NARROW if narrow else max(3.6, WIDTH * columns / _PANELS_A_ROW))
    grid = figure.subplots(rows, columns, squeeze=False, sharey=False)
    for empty in grid.ravel()[count:]:
        empty.remove()
    return figure, list(grid.ravel()[:count])


@styled
def factor_figure(scores: pd.DataFrame, names: Sequence[str], *, narrow: bool = False) -> Figure:
    """Index of every weld against each of some columns, with the mean of each level.

    Parameters
    ----------
    scores
        Score rows.
    names
        Columns: process factors, ``beam_shape`` where it is one, or the block.
    narrow
        For the width of a phone.
    """
    if not names:
        return nothing_to_show("no process factor varies in this trial")
    figure, panels = _panels(len(names), 2.7, narrow)
    limits = _limits(scores["stability_index"].to_numpy(dtype=float))
    for axes, name in zip(panels, names, strict=True):
        known = scores[scores[name].notna() & scores["stability_index"].notna()]
        _factor_panel(axes, known, name)
        axes.set_ylim(*limits)
        axes.set_xlabel(_short(plain(name), 34))
    panels[0].set_ylabel("stability index")
    words = (_weld_words(scores), "bar: mean of the level")
    panel_name(panels[0], "\n".join(words) if narrow else "   ".join(words))
    return figure


def _factor_panel(axes: Axes, known: pd.DataFrame, name: str) -> None:
    """Welds and the mean of each level; levels of numbers that are the same on the page count as one."""
    import pandas as pd

    cells = known[name].astype(str).str.strip()
    absent = cells.str.lower() == "absent"
    numbers = pd.to_numeric(cells[~absent], errors="coerce")
    if numbers.notna().all() and len(numbers):
        values = numbers.to_numpy(dtype=np.float64)
        angles = name.endswith("_direction_deg")
        middles, level = _levels(values, 360.0 if angles else 0.0)
        x = pd.Series(np.where(level < 0, np.nan, middles[level]), index=numbers.index)
        gap = max(float(np.ptp(middles)), 0.02 * abs(float(middles[0])), 1e-9)
        # What lacks the part stands apart, to the left of the numbers.
        place = x.reindex(known.index, fill_value=float(middles.min()) - 0.5 * gap)
        shown = pd.Series(values if len(middles) > _MANY else x, index=numbers.index)
        dots = place.where(absent, shown.reindex(known.index))
        ticks = [float(m) for m in middles] if len(middles) <= 5 else []
        if absent.any():
            ticks = ticks or [float(middles.min()), float(middles.max())]
        named = [f"{(round(tick) + 179) % 360 - 179:.0f}" if angles else f"{tick:.4g}" for tick in ticks]
        labels = _apart(ticks, named, 0.14 * gap)
        if absent.any():
            ticks, labels = [float(place[absent].iloc[0]), *ticks], ["absent", *labels]
        if ticks:
            axes.set_xticks(ticks, labels)
        axes.margins(x=0.15)
    else:
        levels = sorted(cells.unique())
        place = cells.map(levels.index).astype(float)
        dots = place
        axes.set_xticks(range(len(levels)), [_short(one, 14) for one in levels], **_tilted(levels))
        axes.set_xlim(-0.5, len(levels) - 0.5)
    index = known["stability_index"].to_numpy(dtype=np.float64)
    _draw_welds(axes, dots, index, flagged_rows(known))
    means = known["stability_index"].groupby(place.to_numpy()).mean()
    if len(means) <= _MANY:
        # Bars alone: a line from level to level would say that all else was the same in them.
        axes.plot(means.index, means, "_", color=BLUE, ms=16, mew=2.4)


def _levels(values: NDArray[np.float64], period: float) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Middle of each level, rising, and the level of each value: those within a fiftieth of the range are one."""
    if period:
        # Cut the circle where there is the widest gap.
        turned = np.sort(values % period)
        gaps = np.diff(np.append(turned, turned[0] + period))
        start = turned[(int(gaps.argmax()) + 1) % len(turned)]
        values = start + (values - start + 1e-9) % period
    order = np.sort(np.unique(values))
    cut = np.diff(order) > 0.02 * max(float(np.ptp(order)), 1e-12)
    bounds = (order[:-1][cut] + order[1:][cut]) / 2
    level = np.searchsorted(bounds, values)
    middles = np.array([values[level == k].mean() for k in range(len(bounds) + 1)])
    return (np.round(middles, 1) if period else middles), level


def _apart(ticks: list[float], labels: list[str], least: float) -> list[str]:
    """Labels with those left empty that would run into the one before."""
    shown, last = [], -np.inf
    for tick, label in zip(ticks, labels, strict=True):
        keep = tick - last >= least
        shown.append(label if keep else "")
        last = tick if keep else last
    return shown


def _tilted(levels: Sequence[str]) -> dict[str, Any]:
    """Words that would run into each other stand at an angle."""
    crowded = sum(min(len(level), 14) for level in levels) > 22
    return {"rotation": 40, "ha": "right", "rotation_mode": "anchor"} if crowded else {}


@styled
def effects_figure(effects: pd.DataFrame, *, narrow: bool = False) -> Figure:
    """Estimated effects with their 95 % intervals.

    Parameters
    ----------
    effects
        Columns ``term``, ``effect``, ``effect_low``, ``effect_high``, index points; ``level`` too where a
        factor has several words. Rows without an effect are left out; an interval that is not known is not
        drawn.
    narrow
        For the width of a phone: names stand above their bars.
    """
    effects = effects[effects["effect"].notna()]
    if not len(effects):
        return nothing_to_show("no effects could be estimated")
    levels = effects["level"].fillna("").astype(str) if "level" in effects else [""] * len(effects)
    names = [
        f"{_term_words(str(term))}: {level}" if level else _term_words(str(term))
        for term, level in zip(effects["term"], levels, strict=True)
    ]
    pitch = 0.55 if narrow else 0.36
    figure = new_figure(0.9 + pitch * len(effects), width=NARROW if narrow else WIDTH)
    axes = figure.subplots()
    rows = np.arange(len(effects))
    axes.axvline(0, color=PAPER_INK, lw=0.9)
    axes.hlines(rows, effects["effect_low"], effects["effect_high"], color=BLUE, lw=5, alpha=0.35)
    axes.plot(effects["effect"], rows, "|", color=BLUE, ms=14, mew=2.4)
    axes.set_yticks(rows, [""] * len(names) if narrow else [_short(name, 40) for name in names])
    axes.set_ylim(len(effects) - (0.6 if narrow else 0.4), -0.85 if narrow else -0.6)
    axes.grid(visible=False, axis="y")
    several = effects["term"].value_counts().max() > 2
    against = f",{chr(10) if narrow else ' '}of a word against the mean of all words" if several else ""
    axes.set_xlabel(f"effect on the stability index, points{against}")
    words = ("bar: estimate   band: its 95 % interval", "across 0: sign unknown")
    panel_name(axes, "\n".join(words) if narrow else "   ".join(words))
    if narrow:
        _names_above(axes, [_short(name, 34) for name in names])
    return figure


@styled
def outcomes_figure(scores: pd.DataFrame, *, narrow: bool = False) -> Figure:
    """Each laboratory result against the index, one dot a weld, a colour and a marker for each beam shape."""
    import pandas as pd

    names = outcome_columns(scores)
    if not names:
        return nothing_to_show("no laboratory result with at least three welds")
    figure, panels = _panels(len(names), 2.9, narrow)
    looks = marks([str(shape) for shape in scores["beam_shape"]])
    flagged = flagged_rows(scores)
    if flagged.any():
        panel_name(panels[0], "◯ around a weld: flagged")
    for axes, name in zip(panels, names, strict=True):
        values = pd.to_numeric(scores[name], errors="coerce")
        _ring(axes, scores["stability_index"].to_numpy(dtype=np.float64)[flagged], values.to_numpy()[flagged])
        for shape, (colour, marker) in looks.items():
            mine = scores["beam_shape"].astype(str) == shape
            axes.plot(
                scores["stability_index"][mine],
                values[mine],
                marker,
                color=colour,
                ms=5,
                alpha=0.9,
                label=_short(shape, 14 if narrow else 28) if shape else "no shape given",
            )
        axes.set_xlabel("stability index")
        axes.set_ylabel(_short(plain(name), 34))
        axes.set_xlim(0, 100)
    # Outside the panels, where it hides no weld.
    columns = max(1, min(len(looks), int(figure.get_figwidth() / 1.7)))
    figure.set_figheight(figure.get_figheight() + 0.2 * -(-len(looks) // columns))
    figure.legend(
        *panels[0].get_legend_handles_labels(), loc="outside upper left", ncols=columns, handletextpad=0.2
    )
    return figure


def _limits(index: NDArray[np.float64]) -> tuple[float, float]:
    known = index[np.isfinite(index)]
    if not known.size:
        return 0.0, 100.0
    low, high = float(known.min()), float(known.max())
    margin = max(2.0, 0.15 * (high - low))
    return max(0.0, low - margin), min(100.0, high + margin)
