"""What `poolwatch measure` prints of a clip: its figures, and what to know before using them."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas as pd
    from rich.table import Table

    from ..measure import Measurement
    from ..model.recording import Recording

_CAUTION = "A steady pool is no proof of a sound weld: judge welds by your local codes and licensed practice."


def show_score(result: Measurement, recording: Recording) -> None:
    """Print the figures of one clip and what to know before using them."""
    from rich.console import Console

    from ..model.flags import FLAGS

    row = result.row
    unit = "mm" if recording.mm_per_px is not None else "px"
    console = Console()
    console.print(_signal_table(row, unit))
    low, high = _number(row["stability_index_low"], "{:.1f}"), _number(row["stability_index_high"], "{:.1f}")
    console.print(
        f"stability index {_number(row['stability_index'], '{:.1f}')} (95 %: {low} to {high}), 100 is steadiest"
    )
    console.print(_spatter_line(row, unit))
    for line in _frame_lines(result, row):
        console.print(line)
    for words in result.run.get("warnings", []):
        console.print(f"- {words}")
    for flag in result.flags:
        console.print(f"- {flag}: {FLAGS[flag]}")
    console.print(_CAUTION)


def _signal_table(row: pd.Series, unit: str) -> Table:
    """Mean, fluctuation and peak of each signal."""
    from rich.markup import escape
    from rich.table import Table

    from ..model.quantities import SIGNALS

    table = Table(box=None, pad_edge=False, title=escape(str(row["clip"])), title_justify="left")
    table.add_column("", justify="left")
    for name in ("mean", "fluctuation", "95 % interval", "peak"):
        table.add_column(name, justify="right")
    for signal in SIGNALS:
        name = signal.name
        own_unit = f" {signal.unit.replace('mm', unit)}" if signal.unit.startswith("mm") else ""
        table.add_row(
            signal.words,
            _number(row[signal.mean_column], "{:.3f}") + own_unit,
            _number(row[f"{name}_cv"], "{:.2%}"),
            f"{_number(row[f'{name}_cv_low'], '{:.2%}')} to {_number(row[f'{name}_cv_high'], '{:.2%}')}",
            _number(row.get(f"{name}_peak_hz"), "{:.0f} Hz"),
        )
    return table


def _spatter_line(row: pd.Series, unit: str) -> str:
    if str(row["spatter_count"]) == "<NA>":
        return "spatter: particles were not looked for, which is not 0 (see spatter_not_sought)"
    per_m = _number(row["spatter_per_m"], "{:.0f} a metre of weld, ")
    mass = _number(row["spatter_mass_mg_per_m"], "{:.2f} mg a metre, ")
    return (
        f"spatter: {row['spatter_count']} particles, {_number(row['spatter_per_s'], '{:.0f}')} a second, "
        f"{'' if per_m == '–' else per_m}{'' if mass == '–' else mass}"
        f"smallest that this clip could show {_number(row['spatter_min_diameter_mm'], '{:.3f}')} {unit}"
    )


def _frame_lines(result: Measurement, row: pd.Series) -> Iterator[str]:
    from ..model.flags import STATUSES

    counts = result.run["statuses"]
    yield (
        f"frames: {counts.get('ok', 0)} of {sum(counts.values())} measured; steady part "
        f"{row['steady_start_s'] * 1e3:.1f} to {row['steady_end_s'] * 1e3:.1f} ms"
    )
    for word, count in counts.items():
        if word != "ok":
            yield f"- {count} frames {word}: {STATUSES[word]}"


def _number(value: Any, form: str) -> str:
    try:
        number = float(value)
    except (TypeError, ValueError):
        return "–"
    return "–" if number != number else form.format(number)
