"""Tables: schema, CSV text, reading back."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from poolwatch.model.table import cell, csv_text, read_csv, write_csv
from poolwatch.model.tables import FRAMES, SCORE, SPATTER, TABLES


def test_empty_table_has_all_columns():
    for table in TABLES:
        frame = table.frame()
        assert list(frame.columns) == table.names
        assert len(frame) == 0


def test_strangers_are_refused():
    with pytest.raises(KeyError, match="no columns"):
        FRAMES.frame({"colour": [1]})


def test_missing_is_an_empty_cell_and_never_zero():
    text = csv_text(FRAMES.frame([{"frame": 0, "status": "dark"}]))
    header, row = text.splitlines()
    values = dict(zip(header.split(","), row.split(","), strict=True))
    assert values["pool_length_mm"] == ""
    assert values["spatter_in_view"] == ""
    assert values["frame"] == "0"


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (1 / 3, "0.333333333"),
        (0.0, "0"),
        (-0.0, "0"),
        (math.nan, ""),
        (None, ""),
        (True, "1"),
        (7, "7"),
        (np.int64(7), "7"),
        (pd.NA, ""),
        (1e-12, "1e-12"),
        ("=1+1", "'=1+1"),
        ("plain", "plain"),
        ("@x", "'@x"),
    ],
)
def test_cells(value, text):
    assert cell(value) == text


def test_round_trip(tmp_path):
    frame = SCORE.frame(
        [{"clip": "=cmd", "beam_shape": "Krüger, «ring»\n2", "stability_index": 61.25, "spatter_count": 3}]
    )
    write_csv(tmp_path / "score.csv", frame)
    again = read_csv(tmp_path / "score.csv", SCORE)
    pd.testing.assert_frame_equal(frame, again)
    assert csv_text(again) == csv_text(frame)


def test_extra_columns_are_kept_at_the_end(tmp_path):
    (tmp_path / "s.csv").write_text("particle,wind\n1,north\n", encoding="utf-8")
    again = read_csv(tmp_path / "s.csv", SPATTER)
    assert list(again.columns) == [*SPATTER.names, "wind"]
    assert again["wind"].tolist() == ["north"]


def test_bad_files_say_so(tmp_path):
    with pytest.raises(OSError, match="no such file"):
        read_csv(tmp_path / "none.csv", SPATTER)
    (tmp_path / "bad.csv").write_text("particle\nmany\n", encoding="utf-8")
    with pytest.raises(OSError, match="no number"):
        read_csv(tmp_path / "bad.csv", SPATTER)


def test_contract_columns_are_there_and_in_order():
    contract = {
        "frames.csv": "frame time_s status pool_length_mm pool_width_mm pool_area_mm2 pool_front_mm pool_rear_mm keyhole_brightness keyhole_area_mm2 spatter_in_view",
        "spatter.csv": "particle first_frame last_frame frames_seen first_x_mm first_y_mm direction_deg speed_mm_s diameter_mm diameter_u_mm mass_ug",
        "spectra.csv": "signal frequency_hz psd psd_unit",
        "score.csv": "clip clip_id settings_id poolwatch_version beam_shape replicate stability_index stability_index_low stability_index_high frames_measured steady_start_s steady_end_s pool_length_mean_mm pool_length_cv pool_width_mean_mm pool_width_cv pool_area_mean_mm2 pool_area_cv keyhole_brightness_mean keyhole_brightness_cv pool_length_peak_hz pool_width_peak_hz keyhole_brightness_peak_hz spatter_count spatter_per_s spatter_per_m spatter_mass_mg_per_m spatter_min_diameter_mm flags",
        "ranking.csv": "rank beam_shape clips stability_index stability_index_low stability_index_high group probability_best",
    }
    for table in TABLES:
        names = contract.get(table.name, "").split()
        assert table.names[: len(names)] == names
