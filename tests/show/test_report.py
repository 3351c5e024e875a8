"""The report as text: numbers, escaping, the map from frames to pictures. The browser tests look at the rest."""

from __future__ import annotations

import base64
import io
import json
import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from poolwatch.model.errors import OutputError
from poolwatch.model.flags import FLAGS
from poolwatch.model.score_words import figure, index_words
from poolwatch.model.tables import RANKING, SCORE
from poolwatch.show.report import ClipEvidence, TrialEvidence, clip_report, trial_report
from poolwatch.show.report.figures import key_figures
from poolwatch.show.report.page import CAUTIONS, picture, relative_url
from poolwatch.show.report.series import series_view
from poolwatch.show.segments import OverlayChoices, Segment, pack_segments, plan_overlay, unpack_segments

NASTY = "<img src=x onerror=alert(1)>\"'&{{ 7*7 }}</script>"


def test_intervals_and_key_figures():
    row = {
        "stability_index": 81.37,
        "stability_index_low": 76.1,
        "stability_index_high": 85.8,
        "pool_length_cv": 0.043,
        "pool_length_cv_low": 0.039,
        "pool_length_cv_high": 0.047,
        "pool_length_mean_mm": 4.0912,
        "pool_length_mean_low": 4.05,
        "pool_length_mean_high": 4.13,
    }
    assert index_words(row) == "81 (76 to 86)"
    assert figure(row, "pool_length_cv") == "4.3 (3.9 to 4.7)"
    assert figure(row, "pool_length_mean_mm") == "4.09 (4.05 to 4.13)"
    assert figure(row, "pool_width_cv") == "–"
    named = {words: (value, unit) for words, value, unit in key_figures(row, "px")}
    assert named["length, mean"] == ("4.09 (4.05 to 4.13)", "px")
    assert named["length, fluctuation / mean"][1] == "%"


def test_relative_addresses_cannot_leave_the_page():
    assert relative_url("a #1 50%?/overlay.mp4") == "./a%20%231%2050%25%3F/overlay.mp4"
    assert relative_url("javascript:alert(1)") == "./javascript%3Aalert%281%29"
    assert relative_url("") == ""


def every_frame(mapped):
    """Frame of every picture, as the page's script works it out."""
    shown = []
    for segment in mapped["segments"]:
        assert segment["picture"] == len(shown)
        frames = segment.get("frames") or [
            segment["from"] + i * segment["step"] for i in range(segment["count"])
        ]
        shown += [frame for frame in frames for _ in range(segment["hold"])]
    return shown


def test_map_of_the_video_names_the_frame_of_every_picture(clip):
    segments = plan_overlay(clip.result, OverlayChoices(max_seconds=10))
    uneven = Segment(np.array([3, 4, 9]), 2, "some frames could not be read", 10.0, 30.0)
    single = Segment(np.array([7]), 1, "one", 10.0, 30.0)
    planned = [*segments, uneven, single]
    expected = [int(f) for s in planned for f in s.frames for _ in range(s.hold)]
    packed = pack_segments(planned)
    assert every_frame(packed) == expected
    assert pack_segments([]) == {"rate": 0.0, "segments": []}
    again = unpack_segments(json.loads(json.dumps(packed)))
    assert [s.caption for s in again] == [s.caption for s in planned]
    for a, b in zip(again, planned, strict=True):
        np.testing.assert_array_equal(a.frames, b.frames)
        assert (a.hold, a.slow_motion, a.playback_rate_hz) == (b.hold, b.slow_motion, b.playback_rate_hz)
    with pytest.raises(OutputError, match="write the overlay again"):
        unpack_segments({"rate": 30, "segments": [{"hold": 1}]})


def test_series_keep_extremes_gaps_and_values(clip):
    view = series_view(clip.result, [])
    length = clip.result.series("pool_length_mm")
    lane = view["lanes"][0]
    assert float(lane["high"]) == pytest.approx(np.nanmax(length), abs=0.006)
    # Two blown frames break the curve once.
    assert lane["path"].count("M") == 2
    values = view["data"]["values"][0]
    assert values[500] is None
    np.testing.assert_allclose(np.array(values[:400], float), length[:400], atol=0.006)
    assert view["data"]["status"] == {500: "blown", 501: "blown"}
    assert view["bad_count"] == 2


def test_long_clips_stay_light(drawn):
    clip = drawn(shape=(8, 16), frames=200, seed=2)
    frames = pd.concat([clip.result.frames] * 500, ignore_index=True)
    frames["frame"] = np.arange(len(frames))
    view = series_view(replace(clip.result, frames=frames, steady=(0, len(frames))), [])
    assert len(json.dumps(view)) < 150_000


def script_texts(page):
    return re.findall(r"<script(?![^>]*application/json)[^>]*>(.*?)</script>", page, re.S)


@pytest.mark.slow
def test_names_from_files_are_escaped_everywhere(clip, tmp_path):
    score = clip.result.score.assign(clip=NASTY, beam_shape=NASTY, flags=f"no_scale {NASTY.replace(' ', '')}")
    result = replace(
        clip.result, name=NASTY, score=score, run={"settings": {NASTY: NASTY}, "warnings": [NASTY]}
    )
    segments = [Segment(np.arange(5), 1, NASTY, 10.0, 30.0)]
    clip_report(
        tmp_path / "clip.html", ClipEvidence(result, f"{NASTY}/overlay.mp4", segments, excluded=NASTY)
    )
    trial_report(
        tmp_path / "trial.html",
        TrialEvidence(
            name=NASTY,
            ranking=RANKING.frame([{"rank": 1, "beam_shape": NASTY, "remarks": NASTY, "group": NASTY}]),
            scores=score.assign(factor_x=1.0, outcome_y=2.0),
            reading=[NASTY],
            clips=[ClipEvidence(result)],
            excluded=[(NASTY, NASTY)],
            notes=[NASTY],
            run={NASTY: 1},
            sidebyside=NASTY,
        ),
    )
    for name in ("clip.html", "trial.html"):
        page = (tmp_path / name).read_text(encoding="utf-8")
        assert "<img src=x" not in page
        assert "{{ 7*7 }}" in page
        assert ">49<" not in page
        assert len(script_texts(page)) == 1
        # Nothing is fetched: every address is inside the page or beside it.
        assert not re.findall(r"""(?:src|href)=["'](?:https?:)?//""", page)


def test_trial_without_a_single_clip_or_rank_still_makes_a_page(tmp_path):
    trial_report(
        tmp_path / "report.html",
        TrialEvidence("empty", RANKING.frame(), SCORE.frame(), ["no weld could be scored"], []),
    )
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert "no weld could be scored" in page
    assert "Each clip" not in page


def test_clips_left_out_enter_no_scatter(tmp_path):
    index = [50.0, 52.0, 54.0, 10.0]
    scores = SCORE.frame(
        [
            {"clip": f"w{n}", "beam_shape": "ring", "replicate": str(n), "stability_index": value}
            for n, value in enumerate(index)
        ]
    )
    ranking = RANKING.frame([{"rank": 1, "beam_shape": "ring", "clips": 3, "probability_best": 1.0}])
    trial_report(
        tmp_path / "report.html", TrialEvidence("t", ranking, scores, [], [], excluded=[("w3", "too dim")])
    )
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert "3 welds; their index scatters by 2.0 (standard" in page
    assert "w3 (not counted)" in page
    assert "w2 (not counted)" not in page
    assert "over 99 %" in page


def test_flags_cautions_settings_and_exclusions_are_told(clip, tmp_path):
    clip_report(tmp_path / "clip.html", ClipEvidence(clip.result, excluded="its band is too narrow"))
    page = (tmp_path / "clip.html").read_text(encoding="utf-8").replace("&#39;", "'")
    assert FLAGS["keyhole_saturated"] in page
    assert "its band is too narrow" in page
    assert "2 frames blown" in page
    for words in CAUTIONS:
        assert words in page
    assert "steepest" in page


@pytest.mark.long
@pytest.mark.slow
def test_same_results_same_page(clip, tmp_path):
    for name in ("a.html", "b.html"):
        clip_report(tmp_path / name, ClipEvidence(clip.result))
    assert (tmp_path / "a.html").read_bytes() == (tmp_path / "b.html").read_bytes()


def test_pictures_keep_white_greys_and_thin_coloured_lines():
    from matplotlib.figure import Figure
    from PIL import Image

    figure = Figure(figsize=(4, 3), dpi=100)
    axes = figure.add_axes((0, 0, 0.9, 1))
    axes.imshow(np.random.default_rng(3).random((200, 200)), cmap="gray", aspect="auto")
    axes.axhline(100, color="#f0e442", lw=1)
    shown = picture(figure, dpi=100)
    data = base64.b64decode(shown.address.removeprefix("data:image/png;base64,"))
    image = np.asarray(Image.open(io.BytesIO(data)).convert("RGB")).astype(int)
    assert (image[:, -10:] == 255).all()
    assert len(np.unique(image[:, :300])) > 60
    yellow = (np.abs(image - (0xF0, 0xE4, 0x42)) < 40).all(axis=2)
    assert yellow.sum() > 300
    assert (shown.width, shown.height) == (440, 330)
