"""`poolwatch bead` as a newcomer runs it, on one drawn photo."""

from __future__ import annotations

import shutil
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
import pytest
from skimage import data

from poolwatch.cli.main import main
from poolwatch.model.bead_tables import BEAD
from poolwatch.model.flags import BEAD_FLAGS
from poolwatch.model.sheet import read_sheet
from poolwatch.model.table import write_csv
from poolwatch.model.tables import SCORE
from tests.simulated_welds.photo import write_weld
from tests.simulated_welds.scene import Bead, Sheet, WeldScene

MM = 0.04


@pytest.fixture(scope="module")
def weld(tmp_path_factory):
    """A drawn weld with ripples 12 px apart: its photo and truth."""
    scene = WeldScene(
        seed=3,
        width_px=900,
        height_px=320,
        direction_deg=4,
        mm_per_px=MM,
        bead=Bead(length=700, width=40, edge_rms=0.8, ripple_spacing=12, ripple_depth=0.15),
        sheet=Sheet(deposits=12, scratches=3),
    )
    path = tmp_path_factory.mktemp("weld") / "weld.jpg"
    return path, write_weld(scene, path)


def run(*arguments) -> int:
    return main(["bead", *map(str, arguments)])


def test_row_pictures_and_words(weld, tmp_path, capsys) -> None:
    path, truth = weld
    assert (
        run(
            path,
            "--mm-per-px",
            MM,
            "--travel-speed",
            "60",
            "--out",
            tmp_path / "b.csv",
            "--details",
            tmp_path / "d",
        )
        == 0
    )
    out, err = capsys.readouterr()
    row = pd.read_csv(tmp_path / "b.csv").iloc[0]
    assert list(row.index) == BEAD.names
    assert row["bead_width_mean_mm"] == pytest.approx(
        float(np.mean(truth.left - truth.right)) * MM, abs=0.5 * MM
    )
    assert row["bead_ripple_spacing_mm"] == pytest.approx(truth.spacing(-300, 300) * MM, rel=0.02)
    assert set(row["flags"].split()) <= set(BEAD_FLAGS)
    assert "bead_no_scale_uncertainty: " in err
    rate = 60 / row["bead_ripple_spacing_mm"]
    assert f"ripples froze at {rate:.1f}" in out
    assert cv2.imread(str(tmp_path / "d" / "weld.png")).shape[1] > 900
    along = pd.read_csv(tmp_path / "d" / "weld_along.csv")
    judged = along[along["judged"] == 1]
    assert judged["width_mm"].mean() == pytest.approx(row["bead_width_mean_mm"], rel=0.02)


@pytest.mark.long
def test_turned_by_the_camera_and_mirrored_gives_the_same(weld, tmp_path) -> None:
    """A photo stored on its side with an EXIF orientation is read upright."""
    from PIL import Image

    path, _ = weld
    with Image.open(path) as picture:
        turned = picture.transpose(Image.Transpose.ROTATE_90)
        exif = Image.Exif()
        exif[0x0112] = 6  # turn by 90 degrees clockwise to see it upright
        turned.save(tmp_path / "turned.png", exif=exif)
        picture.save(tmp_path / "straight.png")
    rows = []
    for name in ("turned", "straight"):
        assert run(tmp_path / f"{name}.png", "--mm-per-px", MM, "--out", tmp_path / f"{name}.csv") == 0
        rows.append((tmp_path / f"{name}.csv").read_text().replace(name, ""))
    assert rows[0] == rows[1]


def test_manifest_is_filled_and_never_written_over_in_silence(weld, tmp_path, capsys) -> None:
    path, _ = weld
    manifest = tmp_path / "manifest.csv"
    manifest.write_text(
        "clip,beam_shape,replicate,record_rate_hz,mm_per_px,travel_speed_mm_s,bead_photo\n"
        f"a.avi,flat-top,1,10000,0.02,60,{path}\nb.avi,flat-top,2,10000,0.02,60,\n"
    )
    scores = tmp_path / "scores.csv"
    frame = SCORE.frame(
        [{"clip": "a.avi", "pool_length_peak_hz": 60 / (12 * MM), "steady_start_s": 0.0, "steady_end_s": 0.5}]
    )
    write_csv(scores, frame)
    options = ["--mm-per-px", MM, "--manifest", manifest]
    assert run(*options, "--scores", scores) == 0
    out, err = capsys.readouterr()
    assert "agrees with the peak of the pool length" in out
    assert "1 rows of" in err
    sheet = pd.read_csv(manifest)
    assert sheet.loc[0, "outcome_bead_width_mean_mm"] == pytest.approx(40 * MM, rel=0.05)
    assert np.isnan(sheet.loc[1, "outcome_bead_width_mean_mm"])
    before = manifest.read_text()
    assert run(*options) == 2
    assert "already holds outcome_bead_" in capsys.readouterr().err
    assert manifest.read_text() == before
    assert run(*options, "--replace") == 0
    assert "(1 written over)" in capsys.readouterr().err
    assert manifest.read_text() == before


@pytest.mark.long
def test_what_is_filled_in_while_photos_are_measured_stays(weld, tmp_path, monkeypatch) -> None:
    import poolwatch.measure.bead as bead

    manifest = tmp_path / "manifest.csv"
    manifest.write_text(f"clip,beam_shape,bead_photo\n,flat-top,{weld[0]}\n")
    measure = bead.measure_bead_photo

    def slow(*given, **more):
        manifest.write_text(f"clip,beam_shape,bead_photo\nb.avi,crescent,\na.avi,flat-top,{weld[0]}\n")
        return measure(*given, **more)

    monkeypatch.setattr(bead, "measure_bead_photo", slow)
    assert run("--mm-per-px", MM, "--manifest", manifest) == 0
    sheet = pd.read_csv(manifest)
    assert sheet["clip"].tolist() == ["b.avi", "a.avi"]
    assert sheet["outcome_bead_width_mean_mm"].notna().tolist() == [False, True]


@pytest.mark.long
def test_manifest_of_a_spreadsheet_stays_readable(weld, tmp_path, capsys) -> None:
    """Decimal commas, and folders as Windows writes them."""
    (tmp_path / "photos").mkdir()
    shutil.copy(weld[0], tmp_path / "photos" / "weld.jpg")
    manifest = tmp_path / "manifest.csv"
    manifest.write_text("clip;beam_shape;mm_per_px;bead_photo\na.avi;flat-top;0,02;photos\\weld.jpg\n")
    assert run("--mm-per-px", MM, "--manifest", manifest) == 0
    sheet = read_sheet(manifest)
    numbers = {name: cell for name, cell in sheet.rows[0].items() if name.startswith("outcome_bead_")}
    assert sheet.number(numbers["outcome_bead_width_mean_mm"]) == pytest.approx(40 * MM, rel=0.05)
    assert not any("." in cell for cell in numbers.values())


@pytest.mark.long
def test_changes_are_where_the_table_along_the_weld_has_them(tmp_path, capsys) -> None:
    scene = WeldScene(
        seed=5,
        width_px=800,
        height_px=300,
        mm_per_px=MM,
        bead=Bead(length=640, width=40, edge_rms=0.8, start_crater=0.5, end_crater=0.4),
    )
    write_weld(scene, tmp_path / "weld.png")
    assert run(tmp_path / "weld.png", "--mm-per-px", MM, "--details", tmp_path / "d") == 0
    said = [float(line.split()[2]) for line in capsys.readouterr().out.splitlines() if " crater at " in line]
    along = pd.read_csv(tmp_path / "d" / "weld_along.csv")
    places = along.loc[along["change"] == "crater", "along_mm"]
    assert min(said) == pytest.approx(places.min(), abs=0.5 * 40 * MM)
    assert min(said) >= 0


@pytest.mark.long
def test_peaks_are_those_of_the_row_s_own_clip(weld, tmp_path, capsys) -> None:
    """Clips of one name in two folders."""
    manifest = tmp_path / "manifest.csv"
    manifest.write_text(f"clip,beam_shape,travel_speed_mm_s,bead_photo\nb/a.avi,flat-top,60,{weld[0]}\n")
    scores = tmp_path / "scores.csv"
    known = {"steady_start_s": 0.0, "steady_end_s": 0.5}
    peaks = [
        {"clip": "a.avi", "pool_length_peak_hz": 777.0},
        {"clip": "b/a.avi", "pool_length_peak_hz": 111.0},
    ]
    write_csv(scores, SCORE.frame([{**peak, **known} for peak in peaks]))
    assert run("--mm-per-px", MM, "--manifest", manifest, "--scores", scores) == 0
    assert "the pool length, 111.0" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["a.png", "--details", "."], "--details would write over a.png"),
        (["a.png", "--out", "./a.png"], "--out would write over a.png"),
        (["a.png", "b/a.png", "--details", "."], "--details would write over a.png"),
        (["--manifest", "m.csv", "--out", "m.csv"], "--out would write over m.csv"),
        (["a.png", "--scores", "trial.csv"], "--scores trial.csv: holds 2 clips"),
        (["--manifest", "twice.csv"], "rows 2 and 4 name the same photo"),
    ],
)
def test_what_is_read_is_never_written_over(arguments, words, tmp_path, monkeypatch, capsys) -> None:
    monkeypatch.chdir(tmp_path)
    Path("b").mkdir()
    for path in ("a.png", "b/a.png"):
        cv2.imwrite(path, np.full((64, 64), 90, np.uint8))
    Path("m.csv").write_text("clip,bead_photo\nx.avi,a.png\n")
    Path("trial.csv").write_text("clip\nx.avi\ny.avi\n")
    Path("twice.csv").write_text("clip,bead_photo\nx.avi,a.png\ny.avi,\nz.avi,b/../a.png\n")
    before = {path: path.read_bytes() for path in tmp_path.rglob("*.*")}
    assert run(*arguments, "--mm-per-px", MM) == 2
    assert words in capsys.readouterr().err
    assert {path: path.read_bytes() for path in tmp_path.rglob("*.*")} == before


OTHER_THINGS = (
    "overlay", "coins", "brick", "grass", "gravel", "camera", "coffee", "moon", "page", "text", "astronaut",
)  # fmt: skip


@pytest.mark.often("overlay")
@pytest.mark.parametrize("name", OTHER_THINGS)
def test_pictures_of_other_things_are_refused_or_doubted(name, tmp_path, capsys) -> None:
    """A page of the tool's own, and photos that scikit-image carries."""
    path = Path(__file__).parents[2] / "demo_clips" / "overlay.png"
    if name != "overlay":
        picture = getattr(data, name)()
        path = tmp_path / f"{name}.png"
        cv2.imwrite(str(path), picture[..., ::-1] if picture.ndim == 3 else picture)
    code = run(path, "--mm-per-px", "0.1", "--out", tmp_path / "b.csv")
    err = capsys.readouterr().err.strip()
    if code == 0:
        assert "bead_doubtful" in pd.read_csv(tmp_path / "b.csv").loc[0, "flags"].split()
    else:
        assert code == 1
        assert len(err.splitlines()) == 1
        assert "no weld bead found" in err


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        ([], 2, "no photo"),
        (["plain.png"], 2, "give the size of a pixel"),
        (["--mm-per-px", "0.02"], 2, "no photo"),
        (["none.jpg", "--mm-per-px", "0.02"], 1, "no such file"),
        (["text.jpg", "--mm-per-px", "0.02"], 1, "no picture that can be read"),
        (["plain.png", "--mm-per-px", "0.02"], 1, "no weld bead found"),
        (["plain.png", "plain.png", "--mm-per-px", "0.02"], 2, "given twice"),
        (["plain.png", "--mm-per-px", "0.02", "--replace"], 2, "--replace goes with --manifest"),
        (["plain.png", "--mm-per-px", "0.02", "--near", "900,3"], 2, "is outside"),
        (["plain.png", "--mm-per-px", "0.02", "--manifest", "table.csv"], 2, "no column 'bead_photo'"),
        (["plain.png", "--scale", "none.toml"], 2, "none.toml"),
    ],
)
def test_refusals_are_one_line(arguments, code, words, tmp_path, monkeypatch, capsys) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "text.jpg").write_text("no picture")
    (tmp_path / "table.csv").write_text("clip,beam_shape\na.avi,x\n")
    noise = np.random.default_rng(1).normal(120, 6, (300, 400))
    cv2.imwrite("plain.png", noise.astype(np.uint8))
    assert run(*arguments) == code
    err = capsys.readouterr().err.strip().splitlines()
    assert words in err[-1]
    assert len(err) == 1
