"""The tables of a trial database, and the way from those of earlier versions to these."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

from ..model.errors import UsageError
from ..model.tables import SCORE

if TYPE_CHECKING:
    from sqlalchemy import Connection, Table

SCORES = "poolwatch_scores"
VALUES = "poolwatch_values"
TRIALS = "poolwatch_trials"
# 1: a clip belonged to one trial, no table of trials. 2: a row for each trial that a clip is in.
VERSION = 2
KEY = ("trial", "clip_id", "settings_id")
_VERSIONS = "poolwatch_schema"
# Any number that other programs are unlikely to lock: one client at a time changes the tables.
_LOCK = 7_019_540_611


class Tables(NamedTuple):
    """Tables as SQLAlchemy knows them.

    Attributes
    ----------
    scores
        A row a weld and trial: columns as in score.csv, as that trial compared it, and ``trial``, ``folder``,
        ``stored_at`` (UTC).
    values
        Factors, outcomes and confirmations: the key of the score row, ``name`` (with its prefix), ``number`` or
        ``words``, ``place`` (of the column among those of its trial, from 0).
    trials
        A row a trial: ``trial`` (its name), ``origin`` (the trial's own number), ``stored_at``, ``plan`` (text of its
        ``plan.toml``).
    version
        One row: the version of these tables.
    """

    scores: Table
    values: Table
    trials: Table
    version: Table


def tables() -> Tables:
    """The tables as they should be."""
    import sqlalchemy as sa

    kinds: dict[str, Any] = {"int": sa.BigInteger, "float": sa.Double, "text": sa.Text}
    data = sa.MetaData()
    return Tables(
        sa.Table(
            SCORES,
            data,
            sa.Column("trial", sa.Text, primary_key=True),
            *(sa.Column(c.name, kinds[c.kind], primary_key=c.name in KEY) for c in SCORE.columns),
            *(sa.Column(name, sa.Text) for name in ("folder", "stored_at")),
        ),
        sa.Table(
            VALUES,
            data,
            *(sa.Column(name, sa.Text, primary_key=True) for name in (*KEY, "name")),
            sa.Column("number", sa.Double),
            sa.Column("words", sa.Text),
            sa.Column("place", sa.BigInteger),
        ),
        sa.Table(
            TRIALS,
            data,
            sa.Column("trial", sa.Text, primary_key=True),
            *(sa.Column(name, sa.Text) for name in ("origin", "stored_at", "plan")),
        ),
        sa.Table(_VERSIONS, data, sa.Column("version", sa.BigInteger)),
    )


def version_of(connection: Connection) -> int:
    """Version of the tables in a database; 0 where there are none.

    Raises
    ------
    UsageError
        They are of a later version than this one knows.
    """
    import sqlalchemy as sa

    present = sa.inspect(connection)
    if not present.has_table(SCORES):
        return 0
    if not present.has_table(_VERSIONS):
        return 1
    version = connection.execute(sa.select(tables().version.c.version)).scalar() or VERSION
    if version > VERSION:
        raise UsageError(
            f"the trial database was made by a later poolwatch (tables of version {version}, this one knows "
            f"{VERSION}); update poolwatch"
        )
    return int(version)


def prepare(connection: Connection) -> None:
    """Make the tables, or bring those of an earlier version up to date; every row stays.

    Part of the caller's transaction, so a fault leaves the database as it was.
    """
    import sqlalchemy as sa
    from sqlalchemy.schema import CreateColumn, CreateTable

    dialect = connection.dialect
    if dialect.name == "postgresql":
        connection.execute(sa.text(f"SELECT pg_advisory_xact_lock({_LOCK})"))
    wanted = tables()
    if version_of(connection) == 1:
        _from_1(connection, wanted)
    for table in wanted:
        connection.execute(CreateTable(table, if_not_exists=True))
    if not connection.execute(sa.select(wanted.version.c.version)).first():
        connection.execute(sa.insert(wanted.version).values(version=VERSION))
    # A later version may know more columns.
    for table in wanted:
        known = {column["name"] for column in sa.inspect(connection).get_columns(table.name)}
        for column in table.columns:
            if column.name not in known:
                text = CreateColumn(column).compile(dialect=dialect)
                connection.execute(sa.text(f"ALTER TABLE {table.name} ADD COLUMN {text}"))


def _from_1(connection: Connection, wanted: Tables) -> None:
    """Give each row the trial it was in as part of its key, and its factors and outcomes, too."""
    import sqlalchemy as sa
    from sqlalchemy.schema import CreateTable

    present = sa.inspect(connection)
    old_scores, old_values = f"{SCORES}_1", f"{VALUES}_1"
    named = [c["name"] for c in present.get_columns(SCORES) if c["name"] != "trial"]
    named = [name for name in named if name in wanted.scores.columns]
    had_values = present.has_table(VALUES)
    connection.execute(sa.text(f"ALTER TABLE {SCORES} RENAME TO {old_scores}"))
    if had_values:
        connection.execute(sa.text(f"ALTER TABLE {VALUES} RENAME TO {old_values}"))
    for table in wanted:
        connection.execute(CreateTable(table, if_not_exists=True))
    columns = ", ".join(named)
    connection.execute(
        sa.text(
            f"INSERT INTO {SCORES} (trial, {columns}) SELECT COALESCE(trial, ''), {columns} FROM {old_scores}"
        )
    )
    connection.execute(
        sa.text(
            f"INSERT INTO {TRIALS} (trial, origin, stored_at) SELECT COALESCE(trial, ''), '', MAX(stored_at) "
            f"FROM {old_scores} GROUP BY COALESCE(trial, '')"
        )
    )
    if had_values:
        connection.execute(
            sa.text(
                f"INSERT INTO {VALUES} (trial, clip_id, settings_id, name, number, words) "
                f"SELECT COALESCE(s.trial, ''), v.clip_id, v.settings_id, v.name, v.number, v.words "
                f"FROM {old_values} v JOIN {old_scores} s ON s.clip_id = v.clip_id AND s.settings_id = v.settings_id"
            )
        )
        connection.execute(sa.text(f"DROP TABLE {old_values}"))
    connection.execute(sa.text(f"DROP TABLE {old_scores}"))
