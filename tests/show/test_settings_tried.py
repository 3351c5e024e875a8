"""The settings behind each point of a designed trial, and notes of one kind as one line."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
import pytest

from poolwatch.model.flags import FLAGS
from poolwatch.model.tables import RANKING, SCORE
from poolwatch.show.beam_profile import SIDE, BeamProfile, draw_profiles
from poolwatch.show.report import TrialEvidence, trial_report
from poolwatch.show.report.notes import NoteGroup, grouped, grouped_reasons
from poolwatch.show.report.settings_tried import (
    is_designed,
    setting,
    setting_words,
    settings_of,
    short_settings,
)
from poolwatch.show.stills.trial import flagged_rows, ranking_figure

pytestmark = pytest.mark.slow

EFFECTS = pd.DataFrame(
    {
        "term": ["power_w", "travel_speed_mm_s"],
        "effect": [9.0, -4.0],
        "effect_low": [5.0, -7.0],
        "effect_high": [13.0, -1.0],
    }
)


def designed() -> pd.DataFrame:
    """Two factors at two levels, each setting welded twice; one weld is flagged."""
    rows = [
        {
            "clip": f"w{2 * k + n}",
            "beam_shape": f"setting-{k + 1}",
            "stability_index": 50.0 + 9 * power - 4 * speed + n,
        }
        for k, (power, speed) in enumerate((p, s) for p in (0, 1) for s in (0, 1))
        for n in (0, 1)
    ]
    table = SCORE.frame(rows)
    table["flags"] = ["tail_faint no_material", *["no_material"] * 7]
    table["factor_power_w"] = [2000.0, 2000.0, 2000.0, 2000.0, 2500.0, 2500.0, 2500.0, 2500.0]
    table["factor_travel_speed_mm_s"] = [80.0, 80.0, 120.0, 120.0] * 2
    table["factor_block"] = ["day-1", "day-2"] * 4
    return table


def ranking_of(scores: pd.DataFrame) -> pd.DataFrame:
    means = scores.groupby("beam_shape")["stability_index"].mean().sort_values(ascending=False)
    return RANKING.frame(
        [
            {"rank": n, "beam_shape": shape, "clips": 2, "stability_index": mean}
            for n, (shape, mean) in enumerate(means.items(), 1)
        ]
    )


def test_settings_of_each_shape():
    table = designed()
    assert settings_of(table) == {
        "setting-1": ["2000", "80"],
        "setting-2": ["2000", "120"],
        "setting-3": ["2500", "80"],
        "setting-4": ["2500", "120"],
    }
    assert short_settings(table)["setting-3"] == "2500 W, 80 mm/s"
    words = setting_words(table.iloc[0], ["factor_power_w", "factor_travel_speed_mm_s"])
    assert words == "power 2000 W; travel speed 80 mm/s"
    assert [setting(value) for value in (2387.5, 0.578502193, -5.0, "absent", None)] == [
        "2387.5",
        "0.5785",
        "−5",
        "absent",
        "–",
    ]


def test_a_trial_is_designed_where_a_shape_is_a_setting_and_effects_are_known():
    table = designed()
    assert is_designed(table, EFFECTS)
    assert not is_designed(table, None)
    assert not is_designed(table, EFFECTS.assign(effect=np.nan))
    assert not is_designed(table.assign(beam_shape=["ring", "spot"] * 4), EFFECTS)
    # Four shapes with names of their own and three figures of their beams: no design.
    named = table.assign(beam_shape=[f"shape-{letter}" for letter in "aabbccdd"])
    assert not is_designed(named.assign(factor_core_share=[0, 0, 0, 0, 1, 1, 1, 1]), EFFECTS)


def test_a_designed_trial_leads_with_the_factors_and_shows_every_setting(tmp_path):
    table = designed()
    beams = draw_profiles({"setting-3": BeamProfile(np.eye(40), 0.01)})
    evidence = TrialEvidence(
        name="t",
        ranking=ranking_of(table),
        scores=table,
        reading=["setting-3 is first."],
        factor_reading=["power_w +9."],
        clips=[],
        effects=EFFECTS,
        beams=beams,
    )
    trial_report(tmp_path / "report.html", evidence)
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert (
        page.index("What the factors do") < page.index("power_w +9.") < page.index("Ranking of the settings")
    )
    rows = re.findall(r"<tr>(.*?)</tr>", page, re.S)
    first = next(row for row in rows if "setting-3" in row and 'data-label="rank"' in row)
    assert 'data-label="power, W"><span>2500<' in first
    assert 'data-label="travel speed, mm/s"><span>80<' in first
    assert page.count("Profile of the beam setting-3") == 1
    trial_report(tmp_path / "plain.html", TrialEvidence("t", ranking_of(table), table, ["First."], []))
    plain = (tmp_path / "plain.html").read_text(encoding="utf-8")
    assert plain.index("Ranking of beam shapes") < plain.index("What the factors do")


def test_what_is_flagged_looks_flagged(tmp_path):
    table = designed()
    trial_report(tmp_path / "report.html", TrialEvidence("t", ranking_of(table), table, [], []))
    page = (tmp_path / "report.html").read_text(encoding="utf-8").replace("&#39;", "'")
    assert '<strong class="flag">1 of 2 welds flagged</strong>' in page
    assert '<strong class="flag">tail faint</strong>: w0' in page
    assert FLAGS["tail_faint"] in page
    assert page.count('class="flag">tail faint</abbr>') == 1
    assert '<abbr title="no material was given' in page
    assert flagged_rows(table).tolist() == [True] + [False] * 7
    figure = ranking_figure(ranking_of(table), table)
    rings = [line for line in figure.axes[0].lines if line.get_markersize() == 9]
    assert sum(len(line.get_xdata()) for line in rings) == 1
    assert "flagged" in figure.axes[0].get_title(loc="left")
    clean = ranking_figure(ranking_of(table), table.assign(flags=""))
    assert "flagged" not in clean.axes[0].get_title(loc="left")


def test_a_flag_is_explained_once(tmp_path):
    table = designed()
    ranking = ranking_of(table).assign(remarks="w0: tail_faint, no_material; one weld only: scatter unknown")
    notes = [f"w0: {FLAGS['tail_faint']}", "something else"]
    trial_report(tmp_path / "report.html", TrialEvidence("t", ranking, table, [], [], notes=notes))
    page = (tmp_path / "report.html").read_text(encoding="utf-8").replace("&#39;", "'")
    assert page.count(f"{FLAGS['tail_faint']}.</p>") + page.count(f"{FLAGS['tail_faint']}. ") == 1
    assert f"w0: {FLAGS['tail_faint']}" not in page
    assert "something else" in page
    assert "one weld only: scatter unknown" in page
    assert "w0: tail_faint" not in page


def test_notes_of_one_kind_are_one_line():
    notes = ["w1: 12 frames lost", "other", "w2: 3 frames lost", "w1 and w2 differ", "other"]
    assert grouped(notes, ["w1", "w2", ""]) == [
        NoteGroup("w1: 12 frames lost", ("w2: 3 frames lost",)),
        NoteGroup("other"),
        NoteGroup("w1 and w2 differ"),
    ]
    assert grouped_reasons([("a.mkv", "too dim"), ("b.mkv", "too dim")], []) == [
        NoteGroup("a.mkv: too dim", ("b.mkv: too dim",))
    ]
    # A name inside another is not cut out of it.
    assert len(grouped(["w1: lost", "w12: lost", "w1: found"], ["w1", "w12"])) == 2


@pytest.mark.parametrize("half", [10, 20])
def test_profiles_of_known_scale_are_shown_at_one_scale(half):
    def disc(radius: float) -> np.ndarray:
        y, x = np.mgrid[-100:100, -100:100]
        return (np.hypot(x, y) <= radius).astype(float)

    drawn = draw_profiles({"one": BeamProfile(disc(half), 0.01), "wide": BeamProfile(disc(40), 0.01)})
    widths = {name: (image[SIDE // 2, :, 2] > 200).sum() for name, image in drawn.items()}
    assert widths["wide"] / widths["one"] == pytest.approx(40 / half, rel=0.1)
    # Also a beam that fills most of its picture.
    filled = draw_profiles({"wide": BeamProfile(disc(90), 0.01)})["wide"]
    assert (filled[SIDE // 2, :, 2] > 200).sum() == pytest.approx(SIDE / 1.25, rel=0.1)
    alone = draw_profiles({"one": BeamProfile(disc(half))})["one"]
    assert (alone[SIDE // 2, :, 2] > 200).sum() == pytest.approx(SIDE / 1.25, rel=0.1)
