"""Stills: the same bytes every time, honest axes, nothing lost, and never an error for an empty table."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from poolwatch.model.tables import RANKING, SCORE
from poolwatch.show.stills.outline import (
    _without_loops,
    gather_space_time,
    motion_figure,
    outline_motion,
    space_time_figure,
)
from poolwatch.show.stills.series import series_figure, spectra_figure, thinned
from poolwatch.show.stills.spatter import sector_counts, spatter_figure
from poolwatch.show.stills.style import figure_bytes, save_figure
from poolwatch.show.stills.trial import (
    effects_figure,
    factor_columns,
    factor_figure,
    outcomes_figure,
    plain,
    ranking_figure,
)
from poolwatch.show.stills.write import write_clip_stills

PNG, SVG = b"\x89PNG", b"<?xml"


def texts(figure):
    from matplotlib.text import Text

    figure.canvas.draw()
    return " | ".join(t.get_text() for t in figure.findobj(Text))


@pytest.fixture(scope="module")
def trial():
    rng = np.random.default_rng(2)
    rows = [
        {"beam_shape": s, "replicate": str(k), "clip": f"{s}_{k}", "stability_index": m + rng.normal(0, 3)}
        for s, m in (("crescent", 81), ("$\\frac{1}{0}$", 66), ("<b>twin</b>", 42))
        for k in range(3)
    ]
    scores = SCORE.frame(rows)
    scores["factor_power_kw"] = [2.0, 2.0, 2.5] * 3
    scores["factor_gas"] = ["argon", "helium", "argon"] * 3
    scores["outcome_tensile_strength_mpa"] = 500 + scores["stability_index"]
    ranking = RANKING.frame(
        [
            {
                "rank": i + 1,
                "beam_shape": s,
                "clips": 3,
                "stability_index": m,
                "stability_index_low": m - 5,
                "stability_index_high": m + 5,
                "group": "ab"[: i + 1],
            }
            for i, (s, m) in enumerate((("crescent", 81), ("$\\frac{1}{0}$", 66), ("<b>twin</b>", 42)))
        ]
    )
    return ranking, scores


@pytest.mark.long
@pytest.mark.slow
def test_same_figure_same_bytes_as_png_and_svg(clip, tmp_path):
    for kind, start in (("png", PNG), ("svg", SVG)):
        first = figure_bytes(spectra_figure(clip.result), kind)
        assert first.startswith(start)
        assert first == figure_bytes(spectra_figure(clip.result), kind)
    png, svg = save_figure(series_figure(clip.result), tmp_path / "clip.1.png")
    assert (png.name, svg.name) == ("clip.1.png", "clip.1.svg")
    assert png.read_bytes().startswith(PNG)
    assert svg.read_bytes().startswith(SVG)


def test_users_own_matplotlib_settings_do_not_leak_in_or_out(clip):
    import matplotlib

    reference = figure_bytes(spectra_figure(clip.result), "png")
    with matplotlib.rc_context({"font.size": 30, "axes.facecolor": "red"}):
        assert figure_bytes(spectra_figure(clip.result), "png") == reference
        assert matplotlib.rcParams["font.size"] == 30


def test_every_axis_has_its_unit(clip, trial):
    words = texts(series_figure(clip.result))
    for unit in ("length, mm", "width, mm", "of full scale", "time, ms", "2 blown"):
        assert unit in words
    words = texts(spectra_figure(clip.result))
    for unit in ("frequency, Hz", "mm²/Hz", "1/Hz", "420 Hz", "1130 Hz", "red-noise background"):
        assert unit in words
    bare = clip.result.score.assign(flags="no_scale")
    assert "length, px" in texts(series_figure(replace(clip.result, score=bare)))
    assert plain("factor_power_kw") == "power, kW"
    assert plain("outcome_crack_length_mm") == "crack length, mm"
    assert plain("outcome_gas") == "gas"


def test_thinning_keeps_every_extreme_and_every_gap():
    rng = np.random.default_rng(8)
    x = np.arange(100_000.0)
    y = rng.normal(size=x.size)
    y[31_234], y[77_777] = 40.0, -40.0
    y[50_000:51_000] = np.nan
    thin_x, thin_y = thinned(x, y, 500)
    assert len(thin_x) <= 1000
    assert (np.nanmax(thin_y), np.nanmin(thin_y)) == (40.0, -40.0)
    assert np.isnan(thin_y[(thin_x > 50_300) & (thin_x < 50_700)]).all()
    assert (np.diff(thin_x) > 0).all()


def test_motion_map_finds_planted_motion(drawn):
    # The outline moves along x only, front by 0.1 and tail by 0.9 of the change of length.
    clip = drawn(frames=600, seed=11, direction=140)
    motion = outline_motion(clip.result)
    steady = slice(*clip.result.steady)
    tail = np.argmin(motion.place_mm[:, 0])
    front = np.argmax(motion.place_mm[:, 0])
    length = clip.length_px[steady] * clip.mm
    assert motion.rms_mm[tail] == pytest.approx(0.9 * length.std(ddof=1), rel=0.03)
    assert motion.rms_mm[front] == pytest.approx(0.1 * length.std(ddof=1), rel=0.05)
    side = np.argmax(motion.place_mm[:, 1])
    assert motion.rms_mm[side] == pytest.approx(0.5 * (clip.width_px[steady] * clip.mm).std(ddof=1), rel=0.1)
    assert texts(motion_figure(clip.result, motion))


def test_the_band_of_the_motion_map_does_not_fold_over_itself_at_a_pointed_tail():
    angle = np.linspace(0, 2 * np.pi, 240, endpoint=False)
    # A drop whose tail bends by 0.03 mm and moves by 0.04 mm, drawn 5 times larger.
    place = np.stack([1.2 * np.cos(angle), 0.6 * np.sin(angle) * (1 + 0.5 * np.cos(angle)) / 1.5], axis=1)
    along = np.roll(place, -1, axis=0) - np.roll(place, 1, axis=0)
    normal = np.stack([along[:, 1], -along[:, 0]], axis=1) / np.hypot(*along.T)[:, None]
    off = 0.02 + 0.18 * np.clip(-np.cos(angle), 0, 1) ** 4
    raw = place - off[:, None] * normal
    assert (np.sign(raw[:, 1]) != np.sign(place[:, 1])).sum() > 4
    inner = _without_loops(raw, place, off)
    kept = ~np.isnan(inner[:, 0])
    assert 0.7 < kept.mean() < 1
    assert (np.sign(inner[kept, 1]) == np.sign(place[kept, 1])).mean() > 0.99
    # What does not fold stays whole: the outer edge, and a narrow band.
    assert np.isfinite(_without_loops(place + off[:, None] * normal, place, off)).all()
    assert np.isfinite(_without_loops(place - 0.01 * normal, place, np.full(240, 0.01))).all()


def test_rose_counts_sectors_centred_on_forward():
    counts = sector_counts(np.array([0.0, 7.4, -7.4, 7.6, 180.0, -179.0, 90.0]))
    assert counts[0] == 3
    assert counts[1] == 1
    assert counts[12] == 2
    assert counts[6] == 1
    assert counts.sum() == 7


def test_ranking_shows_the_whole_scale_intervals_letters_and_welds(trial):
    figure = ranking_figure(*trial)
    axes = figure.axes[0]
    assert axes.get_xlim() == (0, 100)
    dots = [line for line in axes.lines if line.get_marker() == "o"]
    assert sorted(np.concatenate([d.get_xdata() for d in dots])) == sorted(trial[1]["stability_index"])
    words = texts(figure)
    assert "| ab" in words
    # Names from files are text, never markup.
    assert "$\\frac{1}{0}$" in words


def test_trial_figures_hold_every_weld(trial):
    figure = factor_figure(trial[1], factor_columns(trial[1]))
    assert len(figure.axes) == 2
    assert {axes.get_xlabel() for axes in figure.axes} == {"power, kW", "gas"}
    assert sum(len(line.get_xdata()) for line in outcomes_figure(trial[1]).axes[0].lines) == 9
    effects = pd.DataFrame(
        {
            "term": ["power_kw", "gas", "gas"],
            "level": ["", "any", "argon"],
            "effect": [3.0, np.nan, -1.0],
            "effect_low": [1.0, np.nan, np.nan],
            "effect_high": [5.0, np.nan, np.nan],
        }
    )
    axes = effects_figure(effects).axes[0]
    assert axes.get_xlabel() == "effect on the stability index, points"
    assert [label.get_text() for label in axes.get_yticklabels()] == ["power, kW", "gas: argon"]


def test_a_peak_is_marked_at_its_fitted_frequency(drawn):
    """The fitted frequency may lie in the bin beside the highest one: the dot is where the label says."""
    result = drawn(frames=600).result
    bins = np.unique(result.spectra["frequency_hz"])
    peak = float(bins[4] + 0.3 * (bins[5] - bins[4]))
    figure = spectra_figure(replace(result, score=result.score.assign(pool_length_peak_hz=peak)))
    dots = [line for line in figure.axes[0].lines if line.get_marker() == "o"]
    assert [line.get_xdata().tolist() for line in dots] == [[peak]]
    (label,) = [text for text in figure.axes[0].texts if text.get_text() == f"{peak:.0f} Hz"]
    assert label.xy[0] == peak
    part = result.spectra[result.spectra["signal"] == "pool_length"].set_index("frequency_hz")
    assert dots[0].get_ydata()[0] == pytest.approx(part.loc[bins[4], "psd"])


def test_blocks_are_no_factor(trial):
    scores = trial[1].assign(factor_block=np.resize(["mon", "tue"], len(trial[1])))
    assert factor_columns(scores) == factor_columns(trial[1])
    (axes,) = factor_figure(scores, ["factor_block"]).axes
    assert axes.get_xlabel() == "block: day, sheet or batch"


def test_empty_tables_say_so_and_do_not_fail(drawn, trial):
    clip = drawn(frames=30, bad=tuple(range(30))).result
    empty = replace(clip, spatter=clip.spatter.iloc[:0], spectra=clip.spectra.iloc[:0])
    assert "no particle left the pool" in texts(spatter_figure(empty))
    assert "no spectrum" in texts(spectra_figure(empty))
    assert "fewer than three outlines" in texts(motion_figure(empty))
    assert "no frames were given" in texts(space_time_figure(empty, gather_space_time([], empty)))
    assert "not measured: 30 blown" in texts(series_figure(empty))
    assert "no ranking" in texts(ranking_figure(trial[0].iloc[:0], trial[1]))
    bare = SCORE.frame([{"beam_shape": "a", "stability_index": 3.0}])
    assert "no process factor varies" in texts(factor_figure(bare, factor_columns(bare)))
    assert "no laboratory result" in texts(outcomes_figure(bare))
    assert texts(
        ranking_figure(RANKING.frame([{"rank": 1, "beam_shape": "a", "stability_index": 3.0}]), bare)
    )
    figure_bytes(spatter_figure(clip), "png")


@pytest.mark.slow
def test_all_stills_are_written(clip, tmp_path):
    (tmp_path / "clip").mkdir()
    (tmp_path / "clip" / "middle_line.png").write_bytes(b"from frames that are gone")
    written = write_clip_stills(tmp_path / "clip", clip.result)
    assert sorted(p.name for p in written if p.suffix == ".png") == [
        "outline_motion.png",
        "series.png",
        "spatter.png",
        "spectra.png",
    ]
    assert all(path.is_file() for path in written)
    assert not (tmp_path / "clip" / "middle_line.png").exists()
