"""A trial as it goes: planned with parts nested in one another, beams drawn and pictured, welds filmed, judged, advised.

By default the recordings are small text files with invented score rows; run as long, the simulator films them and they
are measured.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from poolwatch.cli.main import main
from poolwatch.simulate import write_simulation
from poolwatch.trial.results import TrialResult
from poolwatch.trial.run import run_trial
from tests.accuracy.test_ranking_footage import scene
from tests.trial.invented import InventedMeasurer, recording
from tests.trial.nested import APART, FACTORS, NESTED

pytestmark = pytest.mark.slow
MM_PER_PX = 0.02


def beam(run: pd.Series) -> np.ndarray:
    """The intensity of a designed beam: a core, with a ring around it or a tail before or behind it."""
    yy, xx = np.mgrid[0:400, 0:400].astype(float)
    x, y = (xx - 199.6) * MM_PER_PX, (200.3 - yy) * MM_PER_PX
    r = np.hypot(x, y)
    core = np.exp(-2 * (r / 0.16) ** 2)
    light = core / core.sum()
    share, length = float(run["factor_ring_share"]), float(run["factor_tail_length_mm"])
    if share:
        ring = np.exp(-((np.abs(r - float(run["factor_ring_diameter_mm"]) / 2) / 0.1) ** 4))
        light = (1 - share) * light + share * ring / ring.sum()
    if length:
        along = x * np.cos(np.radians(float(run["factor_tail_direction_deg"])))
        tail = ((along > 0) & (along < length / 0.95)) * np.exp(-2 * (y / 0.14) ** 2)
        light = 0.7 * light + 0.3 * tail / tail.sum()
    return np.asarray(light / light.max())


def unsteadiness(run: pd.Series) -> float:
    """A ring calms the weld, a trailing tail more, a leading tail does harm, speed does a little."""
    share, length = float(run["factor_ring_share"]), float(run["factor_tail_length_mm"])
    way = np.cos(np.radians(float(run["factor_tail_direction_deg"]))) if length else 0.0
    speed = (float(run["factor_travel_speed_mm_s"]) - 100) / 20
    return float(np.exp(-1.0 * share / 0.6 + 0.8 * way * length / 2 + 0.2 * speed))


def film(place: Path, manifest: Path, *, really: bool) -> None:
    """What the person does: draw the beams, weld, film, write the clips' names into the manifest."""
    table = pd.read_csv(manifest, dtype=str, keep_default_na=False)
    rng = np.random.default_rng(7)
    for number, run in table.iterrows():
        np.save(place / f"{run['beam_shape']}.npy", beam(run))
        name = f"weld-{run['run']}"
        if really:
            one = scene(rng, unsteadiness(run), 500)
            clip = write_simulation(one, place, name=name, truth_dir=place / "truth" / name).name
            table.loc[number, "record_rate_hz"] = f"{one.camera.rate_hz:g}"
            table.loc[number, "mm_per_px"] = f"{one.camera.mm_per_px:g}"
        else:
            clip = f"{name}.avi"
            (place / clip).write_text(recording(f"unsteadiness = {unsteadiness(run)}\n", name))
        table.loc[number, "clip"] = clip
    table.to_csv(manifest, index=False)


def judged(manifest: Path, out: Path, *, really: bool) -> TrialResult:
    if really:
        return run_trial(manifest, out, workers=2, overlay=False, report=False)
    return run_trial(manifest, out, workers=1, overlay=False, report=False, measurer=InventedMeasurer())


def test_from_plan_to_advice(many: bool, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    plan = [
        "--design",
        "d-optimal",
        "--runs",
        "24",
        "--seed",
        "5",
        "--forbid",
        APART,
        "--title",
        "Ring or tail",
    ]
    plan += [word for factor in FACTORS for word in ("--factor", factor)]
    plan += [word for part in NESTED for word in ("--nested", part)]
    facts = ["--record-rate", "10kHz", "--mm-per-px", "20um", "--travel-direction", "0"]
    assert main(["plan", "trial", *plan, *facts, "--out", str(tmp_path)]) == 0
    manifest = tmp_path / "manifest.csv"
    before = pd.read_csv(manifest, dtype=str, keep_default_na=False)
    assert set(before.loc[before["factor_ring_share"] == "0", "factor_ring_diameter_mm"]) == {"absent"}
    film(tmp_path, manifest, really=many)
    pictures = [str(path) for path in sorted(tmp_path.glob("setting-*.npy"))]
    capsys.readouterr()
    assert main(["beam", *pictures, "--mm-per-px", "20um", "--manifest", str(manifest)]) == 0
    # The pictures show what was planned, so nothing is said; what was planned is kept.
    assert "planned, not as measured" not in capsys.readouterr().out
    after = pd.read_csv(manifest, dtype=str, keep_default_na=False)
    planned = [name for name in before if name.startswith("factor_")]
    pd.testing.assert_frame_equal(after[planned], before[planned])
    result = judged(manifest, tmp_path / "out", really=many)
    study = result.factors
    assert study is not None
    assert not any("left out" in remark or "not varied" in remark for remark in study.remarks)
    effects = study.effects.set_index("term")
    assert effects.loc["ring_share", "effect_low"] > 0
    # From 0 (leading) to 180 (trailing).
    assert effects.loc["tail_direction_deg", "level"] == "0° to 180°"
    assert effects.loc["tail_direction_deg", "effect_low"] > 0
    assert effects.loc["ring_diameter_mm", "p_holm"] > 0.05
    advised = study.next_welds
    assert 1 <= len(advised) <= 3
    for row in advised.to_dict("records"):
        share, length = float(row["factor_ring_share"]), float(row["factor_tail_length_mm"])
        assert share == 0 or length == 0
        assert (row["factor_ring_diameter_mm"] == "absent") == (share == 0)
        assert (row["factor_tail_direction_deg"] == "absent") == (length == 0)
        assert row["factor_tail_direction_deg"] in ("absent", 180.0)
    assert (tmp_path / "out" / "effects.csv").exists()
    # Once more from the tables alone, as `rank` reads them.
    from poolwatch.trial.factors import study_factors
    from poolwatch.trial.rows import read_rows

    again = study_factors(read_rows(tmp_path / "out" / "scores.csv"))
    assert again.effects["effect"].tolist() == pytest.approx(study.effects["effect"].tolist())


@pytest.mark.long
def test_figures_of_pictures_alone_make_a_trial(tmp_path: Path) -> None:
    """A manifest without planned figures, all of them out of pictures: spots, rings and tails; nothing is left out."""
    rows: list[str] = []
    shapes = {
        "spot": (0, 1, 0, 0),
        "ring-30": (0.3, 0.8, 0, 0),
        "ring-60": (0.6, 1.2, 0, 0),
        "tail": (0, 1, 1.5, 180),
    }
    for shape, (share, diameter, length, way) in shapes.items():
        run = pd.Series(
            {
                "factor_ring_share": share,
                "factor_ring_diameter_mm": diameter,
                "factor_tail_length_mm": length,
                "factor_tail_direction_deg": way,
                "factor_travel_speed_mm_s": 100,
            }
        )
        np.save(tmp_path / f"{shape}.npy", beam(run))
        for weld in (1, 2, 3):
            clip = f"{shape}-{weld}.avi"
            (tmp_path / clip).write_text(
                recording(f"unsteadiness = {unsteadiness(run)}\n", f"{shape}/{weld}")
            )
            rows.append(f"{clip},{shape},{weld},10000,0.02")
    manifest = tmp_path / "manifest.csv"
    manifest.write_text("clip,beam_shape,replicate,record_rate_hz,mm_per_px\n" + "\n".join(rows) + "\n")
    pictures = [str(tmp_path / f"{shape}.npy") for shape in shapes]
    assert main(["beam", *pictures, "--mm-per-px", "20um", "--manifest", str(manifest)]) == 0
    result = run_trial(
        manifest, tmp_path / "out", workers=1, overlay=False, report=False, measurer=InventedMeasurer()
    )
    study = result.factors
    assert study is not None
    assert not any("left out" in remark for remark in study.remarks)
    assert len(study.remarks) <= 6
    assert "No factor was varied" not in study.reading
    assert {"core_share", "ring_share"} <= set(study.effects["term"]) | {"tail_share"}
    advised = study.next_welds
    assert (
        advised.loc[advised["factor_ring_share"].astype(float) == 0, "factor_ring_diameter_mm"] == "absent"
    ).all()
