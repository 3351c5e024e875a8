"""The head of a trial's report: facts that its welds share, and what was varied."""

from __future__ import annotations

import pandas as pd

from poolwatch.model.tables import SCORE
from poolwatch.show.report.head import head_lines, title_of


def rows(**columns):
    count = len(next(iter(columns.values())))
    known = {name: values for name, values in columns.items() if not name.startswith("factor_")}
    table = SCORE.frame({"clip": [f"{i}.mkv" for i in range(count)], **known})
    return table.assign(**{name: values for name, values in columns.items() if name not in known})


def test_facts_are_in_units_that_a_reader_knows():
    table = rows(
        beam_shape=["a", "b"],
        material=["iron", "iron"],
        travel_speed_mm_s=[100.0, 100.0],
        record_rate_hz=[10_000.0, 20_000.0],
        exposure_s=[2e-5, 2e-5],
    )
    assert head_lines(table) == [
        ("material", "iron"),
        ("travel speed", "100 mm/s"),
        ("record rate", "10, 20 kHz"),
        ("exposure", "20 µs"),
        ("welds", "2, of 2 beam shapes"),
    ]


def test_what_was_varied_is_named_with_its_levels():
    table = rows(
        beam_shape=["a"] * 8,
        factor_ring_share=[0.0, 0.3, 0.0, 0.3, 0.0, 0.3, 0.0, 0.3],
        factor_power_w=[1000.0 + 10 * i for i in range(8)],
        factor_gas=["argon"] * 8,
        factor_tail=["absent", 1.0] * 4,
    )
    head = dict(head_lines(table))
    assert head["varied: ring share"] == "0, 0.3"
    assert head["varied: power, W"] == "1000 to 1070, 8 values"
    assert head["varied: tail"] == "1, absent"
    assert "varied: gas" not in head


def test_what_no_row_says_has_no_line():
    assert head_lines(rows(beam_shape=["a"])) == [("welds", "1, of 1 beam shape")]
    assert isinstance(head_lines(pd.DataFrame({"beam_shape": []})), list)


def test_the_manifest_says_for_whom_when_on_what_and_by_whom():
    table = rows(
        beam_shape=["a", "b"],
        factor_laser_power_w=[2000.0, 2500.0],
    ).assign(
        title="Ring beams",
        customer="Example Ltd",
        date=["2026-11-28", "2026-11-29"],
        welder=["A. Example", None],
        machine=None,
        sheet="2 mm, batch 7",
        laser_power_w=[2000.0, 2500.0],
    )
    assert title_of(table) == "Ring beams"
    assert head_lines(table) == [
        ("for", "Example Ltd"),
        ("welded on", "2026-11-28, 2026-11-29"),
        ("welded by", "A. Example"),
        ("sheet", "2 mm, batch 7"),
        ("varied: laser power", "2000, 2500 W"),
        ("welds", "2, of 2 beam shapes"),
    ]
    assert title_of(table.assign(title=["one", "other"])) == title_of(rows(beam_shape=["a"])) == ""
