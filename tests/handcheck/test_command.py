"""`poolwatch handcheck`: the page, the result in run.json and the reports, and what happens to a stale check."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from poolwatch.cli.main import main
from poolwatch.handcheck.page import write_page
from poolwatch.handcheck.sampling import draw_frames
from poolwatch.measure import measure_clip, read_measurement, write_clip_report, write_overlay
from poolwatch.measure.result import STALE_CHECK, read_run
from poolwatch.model.tables import RANKING
from poolwatch.show.report import ClipPiece, TrialEvidence, trial_report
from poolwatch.simulate import Scene, write_simulation
from poolwatch.trial.report import clip_evidence

pytestmark = pytest.mark.slow

SCENE = {
    "frames": 300,
    "seed": 5,
    "camera": {"width": 160, "height": 96, "mm_per_px": 0.03},
    "pool": {"length": {"noise_sd": 0.02}, "width": {"noise_sd": 0.01}},
}
ENDS = ("front", "rear", "left", "right")


@pytest.fixture(scope="module")
def kept(tmp_path_factory):
    """A measured clip with its report, never changed."""
    place = tmp_path_factory.mktemp("hand")
    clip = write_simulation(Scene.checked(SCENE, where="test"), place, format="npy")
    measured = measure_clip(clip, record_rate_hz=10_000, mm_per_px=0.03, beam_shape="crescent")
    measured.write(place / "weld")
    write_clip_report(measured, place / "weld")
    return place


@pytest.fixture
def folder(kept, tmp_path):
    """A copy of it, in a trial whose shapes differ by 0.5 mm in length."""
    shutil.copytree(kept / "weld", tmp_path / "weld")
    score = read_measurement(kept / "weld").score
    rows = [
        score.assign(clip=f"{shape}.npy", beam_shape=shape, pool_length_mean_mm=length)
        for shape, length in (("crescent", 2.0), ("twin-spot", 2.5))
    ]
    pd.concat(rows).to_csv(tmp_path / "scores.csv", index=False)
    return tmp_path / "weld"


def marked(folder, written, path, *, number=1, off=0.5):
    """Marks `off` px behind the measured front, and with a scatter of half a pixel."""
    measured = read_measurement(folder)
    draw, axes = draw_frames(measured, 1), measured.axes
    rng = np.random.default_rng(number)
    rows = []
    for frame in draw.frames:
        row = measured.frames.iloc[frame]
        front = row["pool_front_mm"] / axes.mm_per_px - off
        rear = row["pool_rear_mm"] / axes.mm_per_px
        half = row["pool_width_mm"] / axes.mm_per_px / 2
        places = {"front": (front, 0), "rear": (rear, 0), "left": (-9, half), "right": (-9, -half)}
        for mark, place in places.items():
            x, y = axes.image((np.array(place) + rng.normal(scale=0.5, size=2)) * axes.mm_per_px)
            rows.append(
                {
                    "clip_id": measured.score["clip_id"].iloc[0],
                    "settings_id": measured.score["settings_id"].iloc[0],
                    "seed": 1,
                    "drawn": draw.wanted.words,
                    "frame": frame,
                    "mark": mark,
                    "x_px": f"{x:.3f}",
                    "y_px": f"{y:.3f}",
                    "tone": "linear",
                    "person": "AB",
                    "round": number,
                }
            )
    return written(path, rows)


def test_page_holds_nothing_measured(folder, tmp_path):
    measured = read_measurement(folder)
    draw = draw_frames(measured, 1)
    one = write_page(measured, tmp_path / "one", draw).read_bytes()
    # Other figures, outlines, tracks and origin, the same draw: not a byte changes.
    frames = measured.frames.copy()
    for name in frames.columns[3:]:
        frames[name] = frames[name] * 1.3 + 0.1
    run = json.loads(json.dumps(measured.run))
    run["axes"]["origin_x"] += 20.0
    run["look"]["keyhole_x_px"] += 20.0
    other = replace(
        measured,
        frames=frames,
        tracks=measured.tracks.iloc[:0],
        outlines=lambda frame: np.empty((0, 2)),
        run=run,
    )
    assert write_page(other, tmp_path / "two", draw).read_bytes() == one
    text = one.decode("utf-8")
    data = json.loads(text.split('id="data">', 1)[1].split("</script>", 1)[0])
    assert set(data) == {
        "clip", "clip_id", "settings_id", "seed", "drawn", "width", "height", "linear", "axes", "forward", "frames",
        "run",
    }  # fmt: skip
    assert all(set(one) == {"frame", "pictures"} for one in data["frames"])
    assert "://" not in text


def test_result_goes_into_run_and_report(folder, written, tmp_path, capsys):
    marks = [marked(folder, written, tmp_path / f"{n}.csv", number=n) for n in (1, 2)]
    assert main(["handcheck", str(folder), "--marks", str(marks[0]), "--marks", str(marks[1])]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "checked by hand on 20 frames, 15 of them drawn at random: length +0." in said
    check = read_run(folder)["handcheck"]
    bias = check["quantities"]["length"]["bias"]
    assert bias["low"] < 0.5 < bias["high"]
    assert check["shapes_differ_mm"] == {"length": pytest.approx(0.5)}
    assert f"{100 * bias['value'] * 0.03 / 0.5:.1f} %" in said
    pictures = sorted(path.name for path in (folder / "handcheck").iterdir())
    assert len(pictures) == 5
    report = (folder / "report.html").read_text(encoding="utf-8")
    assert "Checked by hand on 20 frames" in report
    assert report.count("frames in which tool and hand differ most") >= 4
    # Another video leaves the check where it is.
    write_overlay(folder)
    assert read_run(folder)["handcheck"] == check


@pytest.mark.long
def test_report_of_a_trial_says_so(folder, written, tmp_path):
    marks = marked(folder, written, tmp_path / "1.csv")
    assert main(["handcheck", str(folder), "--marks", str(marks)]) == 0
    measured = read_measurement(folder)
    row = measured.score.assign(folder="weld")
    evidence = clip_evidence(tmp_path, row)
    assert len(evidence.checked) == 4
    ranking = RANKING.frame([{"rank": 1, "beam_shape": "crescent", "clips": 1, "stability_index": 50.0}])
    trial = TrialEvidence(name="t", ranking=ranking, scores=row, reading=["one shape"], clips=[evidence])
    trial_report(tmp_path / "report.html", trial)
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert '<a href="#clip-1">clip.npy: checked by hand on 20 frames' in page
    assert ClipPiece("", "", "").checked == ""


@pytest.mark.long
def test_measuring_again_drops_the_check_and_says_so(kept, folder, written, tmp_path):
    marks = marked(folder, written, tmp_path / "1.csv")
    assert main(["handcheck", str(folder)]) == 0
    assert main(["handcheck", str(folder), "--marks", str(marks)]) == 0
    again = replace(read_measurement(folder), run=read_measurement(kept / "weld").run)
    again.write(folder)
    run = read_run(folder)
    assert "handcheck" not in run
    assert run["warnings"] == [STALE_CHECK]
    assert not (folder / "handcheck.html").exists()
    assert not list((folder / "handcheck").glob("*.png"))
    # Same clip and settings: the marks hold, and the warning goes.
    assert main(["handcheck", str(folder), "--marks", str(marks)]) == 0
    assert read_run(folder)["warnings"] == []


@pytest.mark.long
@pytest.mark.parametrize("name", ["clip_id", "settings_id", "poolwatch"])
def test_a_check_of_another_measurement_is_not_shown(folder, written, tmp_path, name):
    marks = marked(folder, written, tmp_path / "1.csv")
    assert main(["handcheck", str(folder), "--marks", str(marks)]) == 0
    path = folder / "run.json"
    run = json.loads(path.read_text(encoding="utf-8"))
    run["handcheck"][name] = "another"
    path.write_text(json.dumps(run), encoding="utf-8")
    assert "handcheck" not in read_run(folder)


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (["--marks", "none.csv"], 2, "none.csv: no such file"),
        (["--trial", "."], 2, "--trial goes with --marks"),
        (["--seed", "3", "--marks", "none.csv"], 2, "--seed goes without --marks"),
        (["--frames", "10"], 2, "at least 6 must be drawn at random"),
        (["--frames", "900"], 1, "too few to draw 900"),
        (["--clip", "none.npy"], 1, "no longer there"),
        (["--frames", "x"], 2, "not a valid integer"),
    ],
)
def test_wrong_usage_is_one_line(folder, capsys, arguments, code, words):
    assert main(["handcheck", str(folder), *arguments]) == code
    said = capsys.readouterr().err
    assert words in said
    assert "Traceback" not in said


def test_no_measured_folder(tmp_path, capsys):
    assert main(["handcheck", str(tmp_path)]) == 1
    assert "no finished measurement here" in capsys.readouterr().err
