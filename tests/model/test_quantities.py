"""What the registry says is what tables, settings, manifests and commands take."""

from __future__ import annotations

import click
import pytest

from poolwatch.cli.measure import command
from poolwatch.model.quantities import GIVEN, PARTS, SIGNALS, Fact
from poolwatch.model.recording import Recording
from poolwatch.model.tables import FRAMES, INDEX_PARTS, SCORE, SPATTER
from poolwatch.stability.settings import IndexSettings
from poolwatch.trial.manifest import KNOWN


@pytest.mark.parametrize("fact", GIVEN, ids=lambda fact: fact.name)
def test_a_given_fact_is_taken_and_kept_by_its_name(fact: Fact) -> None:
    assert fact.name in Recording.model_fields
    assert fact.name in KNOWN
    assert fact.name in SCORE.names
    options = {
        option: one.name for one in command.params if isinstance(one, click.Option) for option in one.opts
    }
    assert not fact.option or options[fact.option] == fact.name
    # A unit is in the name of what has one.
    ending = {"Hz": "_hz", "mm": "mm", "°": "_deg", "mm/s": "_mm_s", "s": "_s", "": ""}[fact.unit]
    assert ending in fact.name


def test_a_signal_has_its_columns() -> None:
    units = {column.name: column.unit for column in FRAMES.columns}
    for signal in SIGNALS:
        assert units[signal.column] == signal.unit
        assert {signal.mean_column, f"{signal.name}_cv"} <= set(SCORE.names)
        assert (signal.peak_column in SCORE.names) == signal.peak


def test_a_part_of_the_index_has_its_column_settings_and_source() -> None:
    settings = IndexSettings().parts
    assert tuple(settings) == INDEX_PARTS
    for part in PARTS:
        assert part.column in SCORE.names
        assert (settings[part.name].weight, settings[part.name].half) == (part.weight, part.half)
        assert part.source in {*FRAMES.names, SPATTER.name}
        assert part.signal is None or part.source == part.signal.column
    assert sum(part.weight for part in PARTS) == pytest.approx(1.0)
