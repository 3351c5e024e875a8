"""An illuminated clip from file to figures."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

import poolwatch
from poolwatch.cli.score_output import show_score
from poolwatch.measure import MeasureSettings, rescore, write_clip_report
from poolwatch.model.recording import Recording
from poolwatch.model.table import csv_text
from poolwatch.simulate import Scene, write_simulation

pytestmark = pytest.mark.slow

FACTS = {"record_rate_hz": 10_000.0, "mm_per_px": 0.03, "travel_speed_mm_s": 60.0}


@pytest.fixture(scope="module")
def lit_clip(tmp_path_factory):
    scene = {
        "kind": "illuminated",
        "frames": 160,
        "seed": 71,
        "travel_speed_mm_s": 60.0,
        "camera": {"width": 220, "height": 130, "mm_per_px": 0.03, "exposure_s": 2e-5},
        "pool": {"length": {"noise_sd": 0.02}, "width": {"noise_sd": 0.01}},
        "spatter": {"rate_per_s": 300.0, "speed_mm_s": 1500.0, "diameter_mm": 0.16, "diameter_sigma": 0.1,
                    "dark_share": 0.4, "dark_brightness": 0.05},
    }  # fmt: skip
    return write_simulation(Scene.checked(scene, where="test"), tmp_path_factory.mktemp("lit"), format="npy")


UNSOUGHT = MeasureSettings(spatter_in_illuminated=False)


@pytest.fixture(scope="module")
def lit(lit_clip):
    return poolwatch.measure_clip(lit_clip, **FACTS)


def test_kind_is_found_and_the_pool_measured(lit_clip, lit):
    assert lit.run["look"]["footage"] == "illuminated"
    assert lit.score["footage"].iloc[0] == "illuminated"
    ok = (lit.frames["status"] == "ok").to_numpy()
    assert ok.mean() >= 0.95
    truth = pd.read_csv(lit_clip.parent / "truth_frames.csv")
    for column, bias in (("length", 1.5), ("width", 1.0)):
        error = (lit.frames[f"pool_{column}_mm"] - truth[f"{column}_mm"]).to_numpy()[ok] / 0.03
        assert abs(error.mean()) < bias, column
        assert error.std() < 1.5, column


@pytest.fixture(scope="module")
def unsought(lit_clip):
    return poolwatch.measure_clip(lit_clip, settings=UNSOUGHT, **FACTS)


def test_particles_are_sought_and_found(lit_clip, lit):
    assert "spatter_not_sought" not in lit.flags
    assert lit.run["spatter_not_sought"] == ""
    # Where the outline is not known the pool would be full of sightings.
    assert (lit.frames["spatter_in_view"].notna() == (lit.frames["status"] == "ok")).all()
    truth = pd.read_csv(lit_clip.parent / "truth_spatter.csv")
    seen = pd.read_csv(lit_clip.parent / "truth_sightings.csv")
    often = seen[seen["visible"] > 0.99].groupby("particle").size()
    wanted = truth[truth["particle"].isin(often.index[often >= 4])]
    assert {0.05, 0.7} == set(wanted["brightness"])
    assert abs(len(lit.spatter) - len(wanted)) <= 2
    assert lit.spatter["diameter_mm"].median() == pytest.approx(wanted["diameter_mm"].median(), rel=0.06)
    assert lit.spatter["speed_mm_s"].median() == pytest.approx(wanted["speed_mm_s"].median(), rel=0.1)


@pytest.mark.long
def test_particles_are_not_sought_and_it_says_so(unsought):
    assert "spatter_not_sought" in unsought.flags
    assert unsought.run["spatter_not_sought"] == "the settings do not ask for it"
    assert unsought.frames["spatter_in_view"].isna().all()
    assert unsought.score["spatter_count"].isna().all()
    assert "index_partial" in unsought.flags
    assert np.isfinite(unsought.score["stability_index"].iloc[0])


def test_not_looked_for_is_never_told_as_none(unsought, tmp_path, capsys):
    unsought.write(tmp_path / "lit")
    # A trial scores clips again from their tables.
    again = rescore(tmp_path / "lit")
    assert again["spatter_count"].isna().all()
    assert again["spatter_per_s"].isna().all()
    assert again["stability_index"].iloc[0] == pytest.approx(
        unsought.score["stability_index"].iloc[0], rel=1e-6
    )
    write_clip_report(unsought, tmp_path / "lit")
    page = (tmp_path / "lit" / "report.html").read_text(encoding="utf-8")
    assert "Particles were not looked for: empty is not 0." in page
    assert "particles in view: not looked for" in page
    assert "0 particles" not in page
    show_score(unsought, Recording(**FACTS))
    assert "particles were not looked for, which is not 0" in " ".join(capsys.readouterr().out.split())


@pytest.mark.long
@pytest.mark.parametrize(("workers", "block"), [(1, 9), (2, 100)])
def test_workers_and_blocks_change_no_digit(lit_clip, lit, workers, block):
    again = poolwatch.measure_clip(lit_clip, workers=workers, block_size=block, **FACTS)
    assert csv_text(again.frames) == csv_text(lit.frames)
    assert csv_text(again.spatter) == csv_text(lit.spatter)


@pytest.mark.long
def test_a_wrong_direction_is_flagged(lit_clip):
    turned = poolwatch.measure_clip(lit_clip, **{**FACTS, "travel_direction_deg": 180.0})
    assert "direction_disagrees" in turned.flags
