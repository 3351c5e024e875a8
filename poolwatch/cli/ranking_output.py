"""What `poolwatch rank`, `trial` and `demo` print: the ranking, effects, what to weld next."""

from __future__ import annotations

from collections import Counter
from collections.abc import Hashable, Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from ..model.rounding import share_of_draws, with_uncertainty
from ..model.score_words import index_words

if TYPE_CHECKING:
    from ..trial import Ranking
    from ..trial.comparison import Comparison


def show_ranking(ranking: Ranking) -> None:
    """Print the ranking, its reading and what to know before using it."""
    from rich.console import Console
    from rich.markup import escape
    from rich.table import Table

    console = Console()
    table = Table(box=None, pad_edge=False)
    table.add_column("rank", justify="right")
    table.add_column("beam shape", overflow="fold")
    table.add_column("welds", justify="right")
    table.add_column("index, 95 % interval", justify="right")
    table.add_column("group")
    table.add_column("best", justify="right")
    table.add_column("rank kept,\nother weights", justify="right")
    for row in ranking.table.itertuples():
        table.add_row(
            str(row.rank),
            escape(row.beam_shape),
            str(row.clips),
            index_words(row._asdict()),
            row.group or "–",
            share_of_draws(row.probability_best, short=True),
            share_of_draws(row.order_holds, short=True),
        )
    console.print(table)
    console.print()
    console.print(escape(ranking.reading))
    remarks = _together(zip(ranking.table["beam_shape"], ranking.table["remarks"], strict=True))
    excluded = _together(zip(ranking.excluded["clip"], ranking.excluded["reason"], strict=True))
    for line in [*ranking.notes, *remarks, *(f"not counted: {line}" for line in excluded)]:
        console.print("- " + escape(line))
    console.print(
        "A steady pool is no proof of a sound weld: judge welds by your local codes and licensed practice."
    )


def _together(said: Iterable[tuple[str, str]]) -> list[str]:
    """What is said of several shapes or clips, one line for those of which the same is said."""
    kinds: dict[str, list[str]] = {}
    for name, words in said:
        if words:
            kinds.setdefault(words, []).append(name)
    return [f"{', '.join(names)}: {words}" for words, names in kinds.items()]


def show_studies(compared: Comparison, notes: Sequence[str] = ()) -> None:
    """Print what factors and outcomes say, and notes."""
    from rich.console import Console
    from rich.markup import escape

    console = Console()
    for reading in compared.readings:
        console.print()
        console.print(escape(reading))
    if compared.factors is not None and len(compared.factors.next_welds):
        console.print()
        console.print("What to weld next (mean index ± standard uncertainty; 95 % of welds):")
        settings = Counter(_setting(weld) for weld in compared.factors.next_welds.to_dict("records"))
        for setting, times in settings.items():
            console.print("  " + escape(setting + (f", {times} welds" if times > 1 else "")))
    for line in [*compared.remarks, *notes]:
        console.print("- " + escape(line))


def _setting(weld: Mapping[Hashable, Any]) -> str:
    """A setting to weld next in one line."""
    named = (
        f"{str(name).removeprefix('factor_')} {value if isinstance(value, str) else f'{value:.4g}'}"
        for name, value in weld.items()
        if name == "beam_shape" or str(name).startswith("factor_")
    )
    low, high = (f"{weld[f'weld_{end}']:.0f}" for end in ("low", "high"))
    return f"{', '.join(named)}: {with_uncertainty(weld['predicted'], weld['predicted_u'])}; {low} to {high}"


def _number(value: float, form: str) -> str:
    return "–" if value != value else form.format(value)
