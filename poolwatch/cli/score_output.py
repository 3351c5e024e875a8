"""What `poolwatch measure` prints of a clip: its figures, and what to know before using them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any

from ..model.rounding import known, number
from ..model.score_words import figure, index_words

if TYPE_CHECKING:
    from rich.table import Table

    from ..measure import Measurement
    from ..model.recording import Recording

_CAUTION = "A steady pool is no proof of a sound weld: judge welds by your local codes and licensed practice."


def show_score(result: Measurement, recording: Recording) -> None:
    """Print the figures of one clip and what to know before using them."""
    from rich.console import Console

    from ..model.flags import FLAGS

    row = result.row.to_dict()
    unit = "mm" if recording.mm_per_px is not None else "px"
    console = Console()
    console.print(_signal_table(row, unit))
    console.print(f"stability index {index_words(row)}, 100 is steadiest; in brackets: 95 % interval")
    console.print("  (it often reaches further down than up: `poolwatch explain interval`)")
    console.print(_spatter_line(row, unit))
    for line in _frame_lines(result, row):
        console.print(line)
    for words in result.run.get("warnings", []):
        console.print(f"- {words}")
    for flag in result.flags:
        console.print(f"- {flag}: {FLAGS[flag]}")
    console.print(_CAUTION)


def _signal_table(row: Mapping[Any, Any], unit: str) -> Table:
    """Mean, fluctuation and peak of each signal."""
    from rich.markup import escape
    from rich.table import Table

    from ..model.quantities import SIGNALS

    table = Table(box=None, pad_edge=False, title=escape(str(row["clip"])), title_justify="left")
    table.add_column("", justify="left")
    for name in ("mean", "fluctuation, %", "peak"):
        table.add_column(name, justify="right")
    for signal in SIGNALS:
        name = signal.name
        own_unit = f" {signal.unit.replace('mm', unit)}" if signal.unit.startswith("mm") else ""
        table.add_row(
            signal.words,
            figure(row, signal.mean_column) + own_unit,
            figure(row, f"{name}_cv"),
            _number(row.get(f"{name}_peak_hz"), "{:.0f} Hz"),
        )
    return table


def _spatter_line(row: Mapping[Any, Any], unit_of_length: str) -> str:
    if not known(row["spatter_count"]):
        return "spatter: particles were not looked for, which is not 0 (see spatter_not_sought)"
    said = [f"{row['spatter_count']} particles", f"{figure(row, 'spatter_per_s')} a second"]
    for column, unit in (("spatter_per_m", ""), ("spatter_mass_mg_per_m", " mg")):
        if known(row[column]):
            said.append(f"{figure(row, column)}{unit} a metre of weld")
    smallest = f"smallest that this clip could show {number(row['spatter_min_diameter_mm'])} {unit_of_length}"
    return f"spatter: {', '.join(said)}; {smallest}"


def _frame_lines(result: Measurement, row: Mapping[Any, Any]) -> Iterator[str]:
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
