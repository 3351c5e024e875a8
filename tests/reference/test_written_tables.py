"""Every column of every table that is written is explained, and every table that is explained is written so."""

from __future__ import annotations

import csv
import io

import numpy as np
import pytest
from click.testing import CliRunner

from poolwatch.cli.plan_trial import trial as plan_trial
from poolwatch.model.comparison_tables import COMPARISON_TABLES, NEXT_WELDS
from poolwatch.model.tables import SCORE
from poolwatch.model.weld_facts import WELD_FACTS
from poolwatch.reference import sections
from poolwatch.simulate import Scene, Simulation
from poolwatch.simulate.truth_tables import TRUTH_FRAMES, TRUTH_SIGHTINGS, TRUTH_SPATTER
from poolwatch.trial.comparison import compare
from poolwatch.trial.manifest import KNOWN
from tests.trial.simulated import score_rows

WORDS = {section.name: [entry.word for entry in section.entries] for section in sections()}


@pytest.fixture(scope="module")
def tables():
    """What a trial of two factors with a laboratory result writes."""
    rng = np.random.default_rng(5)
    rows = score_rows(rng, [1.0, 1.3, 1.6, 2.0], 3)
    power = {shape: 2000.0 + 250.0 * n for n, shape in enumerate(dict.fromkeys(rows["beam_shape"]))}
    rows["factor_power_w"] = [power[shape] for shape in rows["beam_shape"]]
    rows["factor_travel_speed_mm_s"] = rng.choice([80.0, 100.0, 120.0], len(rows))
    rows["outcome_strength_mpa"] = 500 + rows["stability_index"] + rng.normal(0, 5, len(rows))
    return compare(rows).tables()


def head_of(text: str) -> list[str]:
    return next(csv.reader(io.StringIO(text)))


@pytest.mark.parametrize("table", COMPARISON_TABLES, ids=lambda table: table.name)
def test_a_trials_tables_have_the_columns_that_are_explained(tables, table):
    written = head_of(tables[table.name])
    if table is NEXT_WELDS:
        written = [name for name in written if not name.startswith("factor_") and name != "beam_shape"]
    assert written == table.names == WORDS[table.name]


def test_no_table_of_a_trial_is_left_out(tables):
    for name, text in tables.items():
        known = WORDS[name] + (["beam_shape"] if name == NEXT_WELDS.name else [])
        assert [
            column for column in head_of(text) if column not in known and not column.startswith("factor_")
        ] == []


@pytest.mark.parametrize(
    ("table", "columns"),
    [
        (TRUTH_FRAMES, "truth_frames"),
        (TRUTH_SPATTER, "truth_spatter"),
        (TRUTH_SIGHTINGS, "truth_sightings"),
    ],
    ids=lambda value: getattr(value, "name", ""),
)
def test_tables_of_the_truth_have_the_columns_that_are_explained(table, columns):
    camera = {"width": 96, "height": 64, "mm_per_px": 0.05}
    simulation = Simulation(Scene.checked({"frames": 4, "seed": 1, "camera": camera}, where="test"))
    assert list(getattr(simulation, columns).columns) == table.names == WORDS[table.name]


def test_a_planned_manifest_has_only_columns_that_are_explained(tmp_path):
    done = CliRunner().invoke(
        plan_trial,
        ["--factor", "beam_shape=a,b", "--factor", "power_w=1,2", "--replicates", "2", "--blocks", "2"]
        + ["--outcome", "strength_mpa", "--sheet", "2 mm", "--seed", "1", "--out", str(tmp_path)],
        catch_exceptions=False,
    )
    assert done.exit_code == 0
    written = head_of((tmp_path / "manifest.csv").read_text(encoding="utf-8"))
    plain = [name for name in written if not name.startswith(("factor_", "outcome_"))]
    assert set(plain) <= set(WORDS["manifest"])
    assert {"title", "date", "welder", "sheet", "laser_power_w"} <= set(plain)
    # What is explained there is understood, too.
    assert set(WELD_FACTS.names) <= set(KNOWN)


def test_scores_add_only_what_is_explained():
    assert set(WORDS["scores.csv"]) == {"folder", "facts_confirmed"}
    assert not set(WORDS["scores.csv"]) & set(SCORE.names)
