"""One clip from file to figures, against the simulation's truth."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest

import poolwatch
from poolwatch.clips import open_clip
from poolwatch.footage import write_frames
from poolwatch.measure import MeasureSettings, read_measurement, rescore
from poolwatch.model.axes import PoolAxes
from poolwatch.model.recording import Recording
from poolwatch.model.table import csv_text
from poolwatch.model.tables import FRAMES, SCORE, SPATTER, SPECTRA

pytestmark = pytest.mark.slow


def truth(clip):
    return pd.read_csv(clip.parent / "truth_frames.csv"), pd.read_csv(clip.parent / "truth_spatter.csv")


def test_frames_agree_with_the_truth(weld_clip, measured):
    frames, _ = truth(weld_clip)
    ok = measured.frames["status"] == "ok"
    assert ok.mean() > 0.985
    for column in ("pool_length_mm", "pool_width_mm"):
        error = (measured.frames[column] - frames[column.removeprefix("pool_")])[ok] / 0.03
        assert abs(error.mean()) < 0.12, column
        assert error.std() < 0.2, column


def test_tones_are_found(measured):
    row = measured.score.iloc[0]
    duration = row["steady_end_s"] - row["steady_start_s"]
    for name, hz in (("pool_length", 310), ("pool_width", 520), ("keyhole_brightness", 880)):
        assert abs(row[f"{name}_peak_hz"] - hz) < 0.2 / duration, name


def test_fluctuation_is_the_planted_one(weld_clip, measured):
    frames, _ = truth(weld_clip)
    row = measured.score.iloc[0]
    for name, column in (("pool_length", "length_mm"), ("pool_width", "width_mm")):
        true = frames[column].std() / frames[column].mean()
        assert row[f"{name}_cv"] == pytest.approx(true, rel=0.06), name
        assert row[f"{name}_cv_low"] < true < row[f"{name}_cv_high"]


def test_particles_are_the_thrown_ones(weld_clip, measured):
    _, thrown = truth(weld_clip)
    seen = thrown[thrown["frames_seen"] >= 4]
    assert len(measured.spatter) == pytest.approx(len(seen), abs=max(2, 0.08 * len(seen)))
    assert measured.spatter["mass_ug"].notna().all()
    mass = 6900 * np.pi / 6 * measured.spatter["diameter_mm"] ** 3
    assert measured.spatter["mass_ug"].to_numpy() == pytest.approx(mass.to_numpy(), rel=1e-9)


def test_index_has_all_parts_and_an_interval(measured):
    row = measured.score.iloc[0]
    assert 0 < row["stability_index_low"] < row["stability_index"] < row["stability_index_high"] < 100
    assert all(
        0 < row[f"d_{part}"] <= 1 for part in ("pool_length", "keyhole", "spatter_count", "spatter_mass")
    )


def test_schemas_hold(measured):
    for table, frame in (
        (FRAMES, measured.frames),
        (SPATTER, measured.spatter),
        (SPECTRA, measured.spectra),
        (SCORE, measured.score),
    ):
        assert list(frame.columns) == table.names


def test_spectrum_integrates_to_the_variance(measured):
    part = measured.spectra[measured.spectra["signal"] == "pool_length"]
    step = part["frequency_hz"].diff().median()
    row = measured.score.iloc[0]
    total = np.sqrt((part["psd"] * step).sum())
    assert total == pytest.approx(row["pool_length_cv"] * row["pool_length_mean_mm"], rel=0.05)


@pytest.mark.long
@pytest.mark.parametrize(("workers", "block"), [(1, 64), (3, 17), (2, 500)])
def test_workers_and_blocks_change_no_digit(weld_clip, measured, facts, workers, block):
    again = poolwatch.measure_clip(weld_clip, workers=workers, block_size=block, **facts)
    for name in ("frames", "spatter", "spatter_rejected", "tracks", "spectra", "score"):
        assert csv_text(getattr(again, name)) == csv_text(getattr(measured, name)), name


@pytest.mark.long
@pytest.mark.often("avi-ffv1")
@pytest.mark.parametrize("format_name", ["tiff-lzw", "npy", "avi-ffv1", "hdf5"])
def test_another_container_changes_no_digit(weld_clip, measured, facts, tmp_path, format_name):
    from poolwatch.footage import FORMATS

    with open_clip(weld_clip) as reader:
        blocks = [block.frames for block in reader.blocks()]
    path = tmp_path / f"clip{FORMATS[format_name].ending}"
    write_frames(path, blocks, format=format_name, depth_bits=8)
    again = poolwatch.measure_clip(path, **facts)
    for name in ("frames", "spatter", "spectra"):
        assert csv_text(getattr(again, name)) == csv_text(getattr(measured, name)), name
    strip = ["clip", "clip_id", "flags"]
    assert csv_text(again.score.drop(columns=strip)) == csv_text(measured.score.drop(columns=strip))


@pytest.mark.long
def test_8_bits_kept_in_16_change_no_digit(weld_clip, measured, facts, tmp_path):
    with open_clip(weld_clip) as reader:
        frames = np.concatenate([block.frames for block in reader.blocks()])
    assert frames.dtype == np.uint8
    np.save(tmp_path / "clip.npy", frames.astype(np.uint16))
    again = poolwatch.measure_clip(tmp_path / "clip.npy", **facts)
    for name in ("frames", "spatter", "spatter_rejected", "tracks", "spectra"):
        assert csv_text(getattr(again, name)) == csv_text(getattr(measured, name)), name
    strip = ["clip", "clip_id", "flags"]
    assert csv_text(again.score.drop(columns=strip)) == csv_text(measured.score.drop(columns=strip))
    # That the depth was found is all that may be said besides.
    assert set(again.flags) - {"depth_found"} == set(measured.flags)


def test_written_and_read_back(measured, tmp_path):
    folder = measured.write(tmp_path / "weld")
    again = read_measurement(folder)
    for name in ("frames", "spatter", "tracks", "spectra", "score"):
        assert csv_text(getattr(again, name)) == csv_text(getattr(measured, name)), name
    assert np.array_equal(again.outlines(100), measured.outlines(100))
    assert not list(folder.glob("*.partial*"))


@pytest.mark.long
def test_run_again_from_its_own_provenance(weld_clip, measured, tmp_path):
    folder = measured.write(tmp_path / "weld")
    run = json.loads((folder / "run.json").read_text(encoding="utf-8"))
    again = poolwatch.measure_clip(
        run["input"]["path"],
        recording=Recording.checked(run["recording"], where="run.json"),
        settings=MeasureSettings.checked(run["settings"], where="run.json"),
    )
    assert csv_text(again.score) == csv_text(measured.score)
    assert again.run["settings_id"] == run["settings_id"]


def test_scoring_again_gives_the_same_row(measured, tmp_path):
    folder = measured.write(tmp_path / "weld")
    again = rescore(folder)
    numbers = again.select_dtypes("number").columns
    # The tables keep nine digits, the first scoring had all.
    for name in numbers:
        assert again[name].astype(float).to_numpy() == pytest.approx(
            measured.score[name].astype(float).to_numpy(), rel=1e-5, nan_ok=True
        ), name
    less = rescore(folder, band_hz=(50, 2000), leave_out=("spatter_mass",))
    assert np.isnan(less["d_spatter_mass"].iloc[0])
    assert less["band_high_hz"].iloc[0] == 2000


def test_outline_lies_where_the_pool_is(measured):
    axes: PoolAxes = measured.axes
    outline = axes.mm(measured.outlines(50))
    row = measured.frames.iloc[50]
    assert outline[:, 0].max() == pytest.approx(row["pool_front_mm"], abs=0.01)
    assert outline[:, 0].min() == pytest.approx(row["pool_rear_mm"], abs=0.03)


@pytest.mark.long
def test_a_playback_rate_given_for_the_record_rate_is_pointed_out(weld_clip, measured, facts):
    """At 25 Hz nothing of a pool's fluctuation is seen, whatever the figures say."""
    assert "record_rate_low" not in measured.flags
    slow = poolwatch.measure_clip(weld_clip, **{**facts, "record_rate_hz": 25.0, "exposure_s": None})
    assert "record_rate_low" in slow.flags
