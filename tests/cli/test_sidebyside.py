"""`poolwatch sidebyside` as a newcomer runs it."""

from __future__ import annotations

import json
import shutil

import av
import numpy as np
import pytest

from poolwatch.cli.main import main
from poolwatch.measure import write_clips_side_by_side
from poolwatch.model.table import write_csv
from poolwatch.simulate import Scene, write_simulation

pytestmark = pytest.mark.slow


def simulated(folder, seed, mm_per_px, **more):
    width, height = round(4.8 / mm_per_px / 2) * 2, round(2.88 / mm_per_px / 2) * 2
    scene = {
        "frames": 160,
        "seed": seed,
        "camera": {"width": width, "height": height, "mm_per_px": mm_per_px},
        **more,
    }
    return write_simulation(Scene.checked(scene, where="test"), folder, format="avi-ffv1")


@pytest.fixture(scope="module")
def folders(tmp_path_factory):
    """Two measured clips of different scale, and one without a scale."""
    root = tmp_path_factory.mktemp("side")
    clips = [
        simulated(root / "a", 41, 0.03),
        simulated(root / "b", 42, 0.024),
        simulated(root / "c", 43, 0.03),
    ]
    scales = [["--mm-per-px", "0.03"], ["--mm-per-px", "0.024"], []]
    places = []
    for name, clip, scale in zip("abc", clips, scales, strict=True):
        given = ["--out", str(root / f"out_{name}"), "--record-rate", "10000", "--no-overlay", "--no-report"]
        assert main(["measure", str(clip), *given, *scale, "--beam-shape", f"shape-{name}"]) == 0
        places.append(root / f"out_{name}" / clip.stem)
    return places


def fails(capsys, arguments, *, code):
    assert main([str(a) for a in arguments]) == code
    out, err = capsys.readouterr()
    assert "Traceback" not in out + err
    assert err.strip().count("\n") == 0
    return err.strip()


def pictures(path):
    with av.open(str(path)) as container:
        return [frame.to_ndarray(format="rgb24") for frame in container.decode(video=0)]


def test_two_clips_in_one_video(folders, tmp_path, capsys):
    out = tmp_path / "compare.mp4"
    assert main(["sidebyside", *map(str, folders[:2]), "--out", str(out), "--seconds", "1"]) == 0
    assert str(out) in capsys.readouterr().err
    shown = pictures(out)
    assert 29 <= len(shown) <= 31
    # Something moves in both halves.
    first, last = shown[0].astype(int), shown[-1].astype(int)
    middle = first.shape[1] // 2
    moved = np.abs(first - last).max(axis=2) > 40
    assert moved[100:, :middle].any()
    assert moved[100:, middle:].any()


@pytest.mark.long
def test_slow_motion_and_part(folders, tmp_path):
    out = tmp_path / "compare.mp4"
    chosen = ["--slow-motion", "100", "--start", "0.005", "--seconds", "0.5", "--width", "800", "--plain"]
    assert main(["sidebyside", *map(str, folders[:2]), "--out", str(out), *chosen]) == 0
    shown = pictures(out)
    assert len(shown) == 15
    assert shown[0].shape[1] <= 800


@pytest.mark.parametrize("order", ["best_first", "worst_first", "given"])
def test_order_reaches_the_drawing(folders, tmp_path, monkeypatch, order):
    seen = []

    class Stop(Exception):
        pass

    def spy(results, shapes, choices, slow):
        seen.extend(float(r.score_of("stability_index")) for r in results)
        raise Stop

    monkeypatch.setattr("poolwatch.show.sidebyside.SideBySidePainter", spy)
    from poolwatch.show.sidebyside import SideBySideChoices

    with pytest.raises(Stop):
        write_clips_side_by_side(
            folders[:2], tmp_path / "x.mp4", choices=SideBySideChoices.checked({"order": order}, where="test")
        )
    ordered = {"best_first": sorted(seen, reverse=True), "worst_first": sorted(seen), "given": seen}
    assert seen == ordered[order]
    assert len(set(seen)) == 2


def test_clips_of_a_trial_show_the_figures_that_its_report_shows(folders, tmp_path):
    from poolwatch.measure.side_by_side import _read

    trial = tmp_path / "trial"
    shutil.copytree(folders[0], trial / "w1")
    own = _read(trial / "w1").score
    assert own["stability_index"].iloc[0] == _read(folders[0]).score["stability_index"].iloc[0]
    row = own.assign(stability_index=0.25, folder="w1", factor_power=2000.0)
    write_csv(trial / "scores.csv", row)
    assert _read(trial / "w1").score["stability_index"].iloc[0] == 0.25
    # A table of other clips, of another measurement, or damaged says nothing of this one.
    for other in (row.assign(folder="w2"), row.assign(settings_id="x"), row.assign(clip_id="x")):
        write_csv(trial / "scores.csv", other)
        assert _read(trial / "w1").score["stability_index"].iloc[0] == own["stability_index"].iloc[0]
    (trial / "scores.csv").write_bytes(b"\xff\xfe\x00")
    assert _read(trial / "w1").score["stability_index"].iloc[0] == own["stability_index"].iloc[0]


@pytest.mark.long
def test_what_cannot_be_is_said(folders, tmp_path, capsys):
    a, b, bare = folders
    out = tmp_path / "x.mp4"
    empty = tmp_path / "empty"
    empty.mkdir()
    for arguments, code, said in (
        ([a], 2, "two to six"),
        ([a, a], 2, "given twice"),
        ([a, tmp_path / "none"], 1, "no such folder"),
        ([a, empty], 1, "no finished measurement"),
        ([a, b.parent], 2, f"give those instead: {b.name}"),
        ([a, bare], 2, "--mm-per-px"),
        ([a, b, "--start", "9"], 2, "start at an earlier time"),
        ([a, b, "--slow-motion", "0"], 2, "slow_motion"),
    ):
        assert said in fails(capsys, ["sidebyside", *arguments, "--out", out], code=code), said
    assert ".mp4" in fails(capsys, ["sidebyside", a, b, "--out", tmp_path / "x.avi"], code=2)
    assert not out.exists()


@pytest.mark.long
def test_moved_recordings_are_told_by_content(folders, tmp_path, capsys):
    import json

    copies = []
    for n, folder in enumerate(folders[:2]):
        copy = tmp_path / f"measured_{n}"
        shutil.copytree(folder, copy)
        run = json.loads((copy / "run.json").read_text(encoding="utf-8"))
        moved = tmp_path / f"moved_{n}.avi"
        shutil.copy(run["input"]["path"], moved)
        run["input"]["path"] = str(tmp_path / "gone" / "clip.avi")
        (copy / "run.json").write_text(json.dumps(run), encoding="utf-8")
        copies.append(copy)
    out = tmp_path / "x.mp4"
    command = ["sidebyside", *copies, "--out", out, "--seconds", "0.2"]
    assert "--clip" in fails(capsys, command, code=1)
    given = ["--clip", tmp_path / "moved_1.avi", "--clip", tmp_path / "moved_0.avi"]
    assert main([str(a) for a in [*command, *given]]) == 0
    assert out.exists()


def changed(folder, place, **cells):
    """A measured clip with another score row."""
    import pandas as pd

    shutil.copytree(folder, place)
    row = pd.read_csv(place / "score.csv", dtype=str, keep_default_na=False).assign(**cells)
    row.to_csv(place / "score.csv", index=False)
    if "flags" in cells:
        run = json.loads((place / "run.json").read_text(encoding="utf-8"))
        run["flags"] = cells["flags"].split()
        (place / "run.json").write_text(json.dumps(run), encoding="utf-8")
    return place


def test_clips_that_a_ranking_would_not_compare_are_in_no_order(folders, tmp_path, capsys):
    a, b, _ = folders
    other = changed(b, tmp_path / "lit", footage="illuminated")
    out = tmp_path / "x.mp4"
    err = fails(capsys, ["sidebyside", a, other, "--out", out, "--order", "best-first"], code=2)
    assert "cannot be put in an order" in err
    assert "illuminated footage cannot be ranked beside glowing footage" in err
    assert not out.exists()
    assert main(["sidebyside", str(a), str(other), "--out", str(out), "--seconds", "200ms"]) == 0
    assert "no index is shown, the clips are not like for like" in capsys.readouterr().err


def test_a_partial_index_is_compared_over_the_parts_that_both_have(folders, tmp_path):
    from poolwatch.trial.alike import scored_alike

    a, b, _ = folders
    partial = changed(b, tmp_path / "partial", d_spatter_count="")
    rows, reason = scored_alike([a, partial])
    assert reason == ""
    assert rows["d_spatter_count"].isna().all()
    assert rows["flags"].str.contains("index_partial").all()
    again, _ = scored_alike([partial, a])
    assert again["stability_index"].tolist() == rows["stability_index"].tolist()[::-1]


@pytest.mark.long
def test_flags_are_shown_beside_the_index(folders, tmp_path):
    """A flagged clip does not look like any other."""
    a, b, _ = folders
    out = {}
    for name, flags in (("plain", ""), ("flagged", "pool_cut_off edge_unseen")):
        places = [
            changed(folder, tmp_path / name / folder.parent.name / folder.name, flags=flags)
            for folder in (a, b)
        ]
        path = tmp_path / f"{name}.mp4"
        assert main(["sidebyside", *map(str, places), "--out", str(path), "--seconds", "100ms"]) == 0
        out[name] = pictures(path)[0]
    differ = np.abs(out["plain"].astype(int) - out["flagged"].astype(int)).max(axis=2) > 60
    assert 500 < differ.sum() < 20_000
