"""A trial's page from really measured clips."""

from __future__ import annotations

import os
import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from poolwatch.measure import read_measurement
from poolwatch.measure.pages import clip_evidence
from poolwatch.model.score_words import index_words
from poolwatch.model.tables import SCORE
from poolwatch.simulate import Scene, write_simulation
from poolwatch.trial import report
from poolwatch.trial.process_pool import ProcessPool
from poolwatch.trial.report import SIDE_BY_SIDE, write_report
from poolwatch.trial.run import run_trial

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def trial(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """Manifest and results; the clips differ in length, so that they are compared in a band that is not their own."""
    root = tmp_path_factory.mktemp("trial report")
    rows = ["clip,beam_shape,replicate,record_rate_hz,mm_per_px"]
    for name, seed, frames in (("wéld & 1", 51, 180), ("b", 52, 280)):
        scene = {"frames": frames, "seed": seed, "camera": {"width": 160, "height": 96, "mm_per_px": 0.03}}
        clip = write_simulation(
            Scene.checked(scene, where="test"), root / "clips" / str(seed), format="avi-ffv1"
        )
        moved = clip.rename(clip.with_name(f"{name}.avi"))
        rows.append(f"{moved.relative_to(root).as_posix()},shape-{seed},1,10000,0.03")
    manifest = root / "manifest.csv"
    manifest.write_text("\n".join(rows) + "\n", encoding="utf-8")
    run_trial(manifest, root / "out", workers=1, title="Pilot <1>", about="Two welds, invented.")
    return manifest, root / "out"


def page(out: Path) -> str:
    return (out / "report.html").read_text(encoding="utf-8")


def test_names_and_videos(trial: tuple[Path, Path]) -> None:
    _, out = trial
    text = page(out)
    assert "<h1>Pilot &lt;1&gt;</h1>" in text
    assert "Two welds, invented." in text
    assert 'src="./w%C3%A9ld%20%26%201/overlay.mp4"' in text
    assert (out / "wéld & 1" / "overlay.mp4").exists()
    assert "Side by side" not in text


def test_a_clip_shows_its_figures_as_compared(trial: tuple[Path, Path]) -> None:
    _, out = trial
    text = page(out)
    scores = pd.read_csv(out / "scores.csv")
    own = pd.concat([pd.read_csv(out / f / "score.csv") for f in scores["folder"]], ignore_index=True)
    assert set(SCORE.names) <= set(scores.columns)
    assert (scores["band_low_hz"] - own["band_low_hz"]).abs().max() > 1
    for row in scores.to_dict("records"):
        section = re.search(
            rf'<details class="clip"[^>]*>\s*<summary><h3>[^<]*{row["clip"][-5:]}.*?</summary>', text
        )
        assert section
        assert f"index {index_words(row)}" in section[0]


def test_picture_and_video_show_one_index_and_the_page_says_which(trial: tuple[Path, Path]) -> None:
    _, out = trial
    text, scores = page(out), pd.read_csv(out / "scores.csv")
    for place in range(len(scores)):
        row = scores.iloc[[place]].reset_index(drop=True)
        folder = out / str(row["folder"].iloc[0])
        own = read_measurement(folder)
        evidence = report.clip_evidence(out, row)
        # The picture that stands for the video is painted with the clip's own figures, as the video is.
        assert evidence.poster is not None
        np.testing.assert_array_equal(
            evidence.poster, clip_evidence(own, folder, name=str(row["clip"].iloc[0])).poster
        )
        alone, compared = index_words(own.row), index_words(row.iloc[0])
        assert f"Index in the video: {alone}, this clip alone. Index on this page: {compared}" in text


@pytest.mark.long
def test_clips_drawn_in_processes_give_the_same_page(
    trial: tuple[Path, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    manifest, out = trial
    result = run_trial(manifest, out, workers=1, title="Pilot <1>")
    write_report(result)
    alone = page(out)

    def not_here(*_: object) -> None:
        raise AssertionError("drawn in this process")

    monkeypatch.setattr(report, "_WORTH_PROCESSES", 1)
    monkeypatch.setattr(report, "clip_evidence", not_here)
    with ProcessPool(2) as pool:
        write_report(result, pool)
    assert page(out) == alone


@pytest.mark.long
def test_side_by_side_is_taken_up_when_it_is_there(trial: tuple[Path, Path]) -> None:
    manifest, out = trial
    stamp = (out / "report.html").stat().st_mtime_ns
    run_trial(manifest, out, workers=1, title="Pilot <1>")
    assert (out / "report.html").stat().st_mtime_ns == stamp
    # Any file will do: the page links it and does not read it.
    (out / SIDE_BY_SIDE).write_bytes(b"video")
    os.utime(out / SIDE_BY_SIDE, ns=(stamp + 10**9, stamp + 10**9))
    run_trial(manifest, out, workers=1, title="Pilot <1>")
    assert f'src="./{SIDE_BY_SIDE}"' in page(out)
    # A clip measured after it makes the video say what the page does not.
    table = out / pd.read_csv(out / "scores.csv")["folder"].iloc[0] / "frames.csv"
    os.utime(table, ns=(stamp + 2 * 10**9, stamp + 2 * 10**9))
    (out / "report.html").unlink()
    run_trial(manifest, out, workers=1, title="Pilot <1>")
    assert f'src="./{SIDE_BY_SIDE}"' not in page(out)
    assert f"{SIDE_BY_SIDE} is older than a measurement of its clips" in page(out)


def test_clips_go_by_file_name_and_their_path_is_in_the_details(trial: tuple[Path, Path]) -> None:
    _, out = trial
    text = page(out)
    head, details = text.split('<h2 id="clips">')
    assert "clips/52/b.avi" not in head
    assert ">b.avi</a>" in head
    assert "recording clips/52/b.avi" in details
