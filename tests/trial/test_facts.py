"""Facts that the footage or the other clips refute: no figure that rests on them is ranked."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from poolwatch.model.errors import TableError
from poolwatch.trial import rank_shapes, read_manifest
from poolwatch.trial.facts import StatedFacts, refuted_facts
from tests.trial.simulated import score_rows

HEADER = "clip,beam_shape,replicate,record_rate_hz,mm_per_px,travel_speed_mm_s"


def clips(
    rates: list[float], settings: list[object] | None = None, factors: list[float] | None = None
) -> list[StatedFacts]:
    return [
        StatedFacts(
            {"record_rate_hz": rate},
            (settings[n] if settings else "x",),
            {"factor_rate_khz": factors[n]} if factors else {},
        )
        for n, rate in enumerate(rates)
    ]


def test_one_rate_ten_times_too_low_is_refuted() -> None:
    found = refuted_facts(clips([10_000] * 4 + [1_000] + [10_000] * 4))
    assert [(n, name) for n, name, _ in found] == [(4, "record_rate_hz")]
    assert "1000 Hz where most other clips have about 10000" in found[0][2]


def test_rates_that_a_camera_may_well_have_are_not() -> None:
    assert refuted_facts(clips([10_000, 10_000, 8_000, 5_000])) == []
    assert refuted_facts(clips([10_000, 1_000])) == [], "two clips: nobody knows which is wrong"
    assert refuted_facts(clips([1_000, 3_000, 10_000, 30_000])) == [], "a scale of rates, no middle"


def test_what_a_factor_plans_is_not() -> None:
    rates = [10_000.0] * 6 + [2_000.0]
    assert refuted_facts(clips(rates))
    assert refuted_facts(clips(rates, factors=[rate / 1000 for rate in rates])) == []


def test_welds_of_one_setting_refute_each_other() -> None:
    speeds, settings = [10.0, 10.0, 1.0, 100.0, 100.0, 100.0], ["slow"] * 3 + ["fast"] * 3
    found = refuted_facts(
        [StatedFacts({"travel_speed_mm_s": v}, (s,)) for v, s in zip(speeds, settings, strict=True)]
    )
    assert [n for n, _, _ in found] == [2]


def test_a_planned_speed_is_refuted_neither_by_the_other_settings() -> None:
    speeds = [10.0, 10.0, 40.0, 40.0, 120.0, 120.0]
    assert refuted_facts([StatedFacts({"travel_speed_mm_s": v}, (v,)) for v in speeds]) == []


@pytest.fixture
def place(tmp_path: Path) -> Path:
    for n in range(9):
        (tmp_path / f"{n}.avi").write_bytes(b"x")
    return tmp_path


def manifest(place: Path, odd: str, more: str = "", cell: str = "") -> Path:
    rows = [
        f"{n}.avi,{'ring' if n < 5 else 'spot'},{n},{odd if n == 4 else 10_000},0.02,100{cell if n == 4 else cell and ','}"
        for n in range(9)
    ]
    path = place / "manifest.csv"
    path.write_text("\n".join([HEADER + more, *rows]))
    return path


def test_the_manifest_is_refused_before_anything_is_measured(place: Path) -> None:
    with pytest.raises(TableError) as caught:
        read_manifest(manifest(place, "1000"))
    assert caught.value.problems == (
        "(1) row 6, record_rate_hz: 1000 Hz where most other clips have about 10000; mend it, or write yes into a column "
        "facts_confirmed of this row if it is right",
    )


def test_who_has_checked_it_may_confirm_it(place: Path) -> None:
    read = read_manifest(manifest(place, "1000", ",facts_confirmed", ",yes"))
    assert [entry.confirmed for entry in read.entries] == [n == 4 for n in range(9)]
    with pytest.raises(TableError, match="'perhaps' is neither yes nor no"):
        read_manifest(manifest(place, "1000", ",facts_confirmed", ",perhaps"))


def test_a_fact_and_its_factor_must_agree(place: Path) -> None:
    path = place / "manifest.csv"
    rows = [
        f"{n}.avi,ring,{n},10000,0.02,{v},{f}" for n, (v, f) in enumerate([(80, 80), (100, 100), (10, 100)])
    ]
    path.write_text("\n".join([HEADER + ",factor_travel_speed_mm_s", *rows]))
    with pytest.raises(
        TableError, match="row 4, travel_speed_mm_s: 10, but factor_travel_speed_mm_s says 100"
    ):
        read_manifest(path)


def rows(flags: dict[int, str]) -> pd.DataFrame:
    scores = score_rows(np.random.default_rng(3), (0.4, 0.9), 4)
    scores["flags"] = [flags.get(n, "") for n in range(len(scores))]
    return scores


@pytest.mark.parametrize("flag", ["scale_disagrees", "direction_disagrees", "footage_disagrees"])
def test_a_clip_whose_facts_the_footage_refutes_does_not_count(flag: str) -> None:
    ranking = rank_shapes(rows({2: f"{flag} no_material"}))
    assert ranking.excluded["clip"].tolist() == ["single-spot_3.avi"]
    reason = ranking.excluded["reason"][0]
    assert reason.startswith(f"{flag}: ")
    assert "mend it and measure again" in reason
    assert ranking.table["clips"].sum() == 7
    confirmed = rows({2: flag}).assign(facts_confirmed=["", "", "yes"] + [""] * 5)
    assert not len(rank_shapes(confirmed).excluded)


def test_rows_out_of_a_database_are_held_to_it_too() -> None:
    """One rate ten times too low no longer drags the band of all clips down: it is not counted, by name."""
    scores = rows({}).assign(record_rate_hz=[10_000.0] * 7 + [1_000.0])
    ranking = rank_shapes(scores)
    assert ranking.excluded["clip"].tolist() == ["twin-spot_4.avi"]
    assert ranking.excluded["reason"][0].startswith("record_rate_hz: 1000 Hz where most")
