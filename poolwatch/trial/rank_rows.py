"""Rank from score rows alone: a table, a file or a trial database."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from ..experiment.limits import PLAN_FILE, Limits, limits_of, read_limits
from ..model.errors import UsageError
from ..model.files import remove
from .comparison import Comparison, compare, write_tables
from .report import write_ranking_report
from .rows import completed, read_rows
from .settings import RankSettings, read_rank_settings
from .store_address import is_store

if TYPE_CHECKING:
    import pandas as pd


def rank(
    scores: pd.DataFrame | str | Path,
    *,
    out: str | Path | None = None,
    settings: RankSettings | str | Path | None = None,
    plan: str | Path | None = None,
    trials: Sequence[str] = (),
    settings_id: str | None = None,
    report: bool = True,
) -> Comparison:
    """Rank beam shapes from score rows, with effects and outcomes where the rows hold columns of such.

    Parameters
    ----------
    scores
        Score rows, columns of `poolwatch.model.tables.SCORE`, of which ``clip``, ``beam_shape`` and ``stability_index``
        are needed; or a ``scores.csv``; or the address of a trial database,
        such as ``sqlite:///trials.db``.
    out
        Folder for ``ranking.csv``, the other tables and ``report.html``; None: nothing is written.
    settings
        How to compare, or a TOML file with a table ``[rank]``; the defaults where not given.
    plan
        The ``plan.toml`` of the trial, so that nothing it forbids is advised; None: the one beside the scores' file,
        or those stored with the trials.
    trials, settings_id
        With a database: only the rows of these trials, and only those measured with these settings.
    report
        Whether to write ``report.html``.

    Returns
    -------
    Comparison
        The ranking; effects of factors, outcomes.

    Raises
    ------
    UsageError
        The rows cannot be read or compared, a setting is wrong, or a database holds several trials and none is chosen.
    OutputError
        The folder cannot be written.

    Examples
    --------
    >>> import pandas as pd
    >>> shapes = ["crescent"] * 3 + ["single-spot"] * 3
    >>> welds = {"clip": list("abcdef"), "beam_shape": shapes, "stability_index": [71, 73, 70, 38, 35, 41]}
    >>> rows = pd.DataFrame(welds)
    >>> compared = rank(rows)
    >>> compared.ranking.table[["rank", "beam_shape", "clips", "group"]].to_dict("list")
    {'rank': [1, 2], 'beam_shape': ['crescent', 'single-spot'], 'clips': [3, 3], 'group': ['a', 'b']}
    """
    chosen = read_rank_settings(settings)
    if plan is not None and not Path(plan).exists():
        raise UsageError(f"{plan}: no such file; check the path")
    given = _rows(scores, trials, settings_id)
    limits = given.limits if plan is None else read_limits(plan)
    compared = replace(compare(given.rows, settings=chosen, limits=limits), source=given.source)
    if out is not None:
        _write(Path(out), compared, given, report=report)
    return compared


def _write(out: Path, compared: Comparison, given: _Rows, *, report: bool) -> None:
    # A page of other rows must not stand beside these.
    remove(out / "report.html")
    write_tables(out, compared.tables())
    if report:
        write_ranking_report(out / "report.html", compared, given.rows, given.title or out.resolve().name)


class _Rows(NamedTuple):
    """Score rows, the name of their trial, which they are of a database, in words, and what their plan forbids."""

    rows: pd.DataFrame
    title: str = ""
    source: str = ""
    limits: Limits = Limits()


def _rows(scores: pd.DataFrame | str | Path, trials: Sequence[str], settings_id: str | None) -> _Rows:
    if isinstance(scores, (str, Path)) and is_store(str(scores)):
        return _from_store(str(scores), trials, settings_id)
    if trials or settings_id is not None:
        raise UsageError(
            "a trial and settings_id can be chosen only in a trial database (--trial, --settings-id)"
        )
    if not isinstance(scores, (str, Path)):
        return _Rows(completed(scores))
    return _Rows(read_rows(scores), limits=read_limits(Path(scores).parent / PLAN_FILE))


def _from_store(address: str, trials: Sequence[str], settings_id: str | None) -> _Rows:
    """Rows of the trials asked for, or of the only one there is."""
    from .store import open_store

    store = open_store(address)
    there = store.trials()
    if not trials and len(there) > 1:
        listed = ", ".join(f"{name!r} ({count} welds)" for name, count in there.items())
        raise UsageError(f"{store.name}: holds {len(there)} trials: {listed}; choose with --trial NAME")
    chosen = tuple(trials) or tuple(there)
    rows = store.read(trial=chosen, settings_id=settings_id)
    title = ", ".join(chosen)
    both = sum(there[trial] for trial in set(chosen)) - len(rows) if settings_id is None else 0
    once = f"; {both} welds are in several of them and count once, as stored last" if both else ""
    limits = Limits()
    for trial, plan in store.plans().items():
        if trial in chosen:
            limits = limits.with_those_of(limits_of(plan, f"{store.name}, plan of trial {trial!r}"))
    return _Rows(rows, title, f"{len(rows)} welds of trial {title} in {store.name}{once}", limits)
