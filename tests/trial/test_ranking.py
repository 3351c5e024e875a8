from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from poolwatch.model.errors import UsageError
from poolwatch.model.table import csv_text
from poolwatch.model.tables import RANKING, SCORE
from poolwatch.trial import rank_shapes
from tests.trial.simulated import WEIGHT, score_rows


def rows(
    seed: int = 1, unsteadiness: tuple[float, ...] = (0.4, 0.7, 1.2), welds: int = 4, **more: object
) -> pd.DataFrame:
    return score_rows(np.random.default_rng(seed), unsteadiness, welds, **more)


def test_clear_differences_are_found_in_the_true_order() -> None:
    ranking = rank_shapes(rows())
    assert list(ranking.table.columns) == RANKING.names
    assert ranking.table["beam_shape"].tolist() == ["single-spot", "twin-spot", "flat-top"]
    assert ranking.table["group"].tolist() == ["a", "b", "c"]
    assert ranking.table["probability_best"][0] > 0.99
    assert "differs from every other" in ranking.reading


def test_mean_is_the_mean_over_welds() -> None:
    scores = rows()
    table = rank_shapes(scores).table.set_index("beam_shape")
    mean = scores.groupby("beam_shape")["stability_index"].mean()
    np.testing.assert_allclose(table["stability_index"][mean.index], mean)


def test_order_of_the_rows_changes_nothing() -> None:
    scores = rows()
    shuffled = scores.sample(frac=1, random_state=3)
    pd.testing.assert_frame_equal(rank_shapes(scores).table, rank_shapes(shuffled).table, rtol=1e-12)


def test_same_rows_give_the_same_bytes() -> None:
    assert csv_text(rank_shapes(rows()).table) == csv_text(rank_shapes(rows()).table)


def test_one_weld_a_shape_gives_an_order_and_a_plain_warning() -> None:
    ranking = rank_shapes(rows(welds=1))
    assert ranking.table["group"].tolist() == ["", "", ""]
    assert ranking.table["probability_best"].isna().all()
    assert ranking.pairs["differ"].isna().all()
    assert "weld-to-weld scatter is unknown" in ranking.reading
    assert ranking.table["remarks"].str.contains("one weld only").all()


def test_one_weld_a_shape_has_its_own_interval_however_uneven() -> None:
    scores = rows(welds=1)
    scores["stability_index_low"] = scores["stability_index"] - 15.0
    scores["stability_index_high"] = scores["stability_index"] + 4.0
    table = rank_shapes(scores).table.set_index("beam_shape")
    own = scores.set_index("beam_shape").loc[table.index]
    for column in ("stability_index_low", "stability_index_high"):
        assert table[column].to_numpy() == pytest.approx(own[column].to_numpy(), abs=1e-9)


def test_one_shape_alone() -> None:
    ranking = rank_shapes(rows(unsteadiness=(0.5,)))
    assert ranking.table["rank"].tolist() == [1]
    assert ranking.pairs.empty
    assert "nothing to rank" in ranking.reading


def test_a_part_that_one_clip_lacks_is_left_out_for_all_and_said() -> None:
    scores = rows()
    scores.loc[3, ["d_spatter_mass", "d_spatter_count"]] = np.nan
    ranking = rank_shapes(scores)
    assert ranking.left_out == ("spatter_count", "spatter_mass")
    assert any("spatter count, spatter mass" in note for note in ranking.notes)
    d = scores[
        [f"d_{p}" for p in ("pool_length", "pool_width", "pool_area", "agitation", "keyhole", "collapses")]
    ]
    weights = np.array([0.15, 0.15, 0.10, 0.10, 0.15, 0.10]) / 0.75
    by_hand = 100 * np.prod(d.to_numpy() ** weights, axis=1)
    np.testing.assert_allclose(ranking.welds["stability_index"], by_hand)


def test_the_part_that_makes_the_difference_is_named() -> None:
    scores = rows(unsteadiness=(0.7, 0.7, 0.7), between=0.02, part_noise=0.02, within=0.01)
    for shape, d in zip(("single-spot", "twin-spot", "flat-top"), (0.9, 0.5, 0.2), strict=True):
        scores.loc[scores["beam_shape"] == shape, "d_keyhole"] = d
    d = scores[[c for c in scores if c.startswith("d_")]].to_numpy()
    weights = np.array([0.15, 0.15, 0.10, 0.10, 0.15, 0.10, 0.15, 0.10])
    scores["stability_index"] = 100 * np.exp(np.log(d) @ weights)
    ranking = rank_shapes(scores)
    assert ranking.part_share["keyhole"] > 0.95
    assert sum(ranking.part_share.values()) == pytest.approx(1)
    assert "keyhole" in ranking.reading
    effects = ranking.parts.groupby("beam_shape")["effect"].sum()
    logs = np.log(scores["stability_index"]).groupby(scores["beam_shape"]).mean()
    np.testing.assert_allclose(effects[logs.index], logs - logs.mean(), atol=1e-9)


def test_an_outlying_weld_is_pointed_out_and_not_dropped() -> None:
    scores = rows(unsteadiness=(0.5, 0.6, 0.7), between=0.03, part_noise=0.03, within=0.01, welds=5)
    place = 7
    scores.loc[place, "stability_index"] /= 3
    scores.loc[place, [f for f in scores if f.startswith("d_")]] /= 3
    ranking = rank_shapes(scores)
    assert ranking.welds.loc[ranking.welds["outlying"] == 1, "clip"].tolist() == [scores["clip"][place]]
    assert ranking.table["clips"].tolist() == [5, 5, 5]
    assert scores["clip"][place] in ranking.reading


def test_order_that_hangs_on_the_weights_is_seen() -> None:
    scores = rows(unsteadiness=(0.7, 0.7), between=0.02, part_noise=0.02)
    first = scores["beam_shape"] == "single-spot"
    scores.loc[first, "d_pool_length"], scores.loc[~first, "d_pool_length"] = 0.9, 0.3
    scores.loc[first, "d_keyhole"], scores.loc[~first, "d_keyhole"] = 0.3, 0.9
    assert 0.2 < rank_shapes(scores).table["order_holds"][0] < 0.8
    sure = rank_shapes(rows())
    assert sure.table["order_holds"][0] > 0.99
    # Shares of random draws are never called certain, and it is said that the welds were not varied.
    assert "stays first in over 99 % of the draws; the welds stay the same" in sure.reading
    assert "100%" not in sure.reading


def test_the_rarer_kind_of_footage_is_refused_by_name() -> None:
    scores = rows()
    scores.loc[2, "footage"] = "illuminated"
    ranking = rank_shapes(scores)
    assert ranking.excluded["clip"].tolist() == [scores["clip"][2]]
    assert "illuminated footage cannot be ranked beside glowing" in ranking.excluded["reason"][0]
    assert ranking.table["clips"].sum() == len(scores) - 1


def test_a_clip_without_an_index_is_excluded_by_name() -> None:
    scores = rows()
    scores.loc[0, "stability_index"] = np.nan
    ranking = rank_shapes(scores)
    assert scores["clip"][0] in ranking.table["remarks"][0]


@pytest.mark.parametrize(
    ("column", "value", "words"),
    [
        ("record_rate_hz", 5000.0, "record rate"),
        ("exposure_s", 5e-5, "exposure"),
        ("mm_per_px", 0.06, "scale"),
        ("travel_speed_mm_s", 90.0, "travel speed"),
        ("band_high_hz", 400.0, "band, upper end"),
        ("material", "copper", "material"),
        ("settings_id", "s2", "settings"),
    ],
)
def test_differences_that_cannot_be_put_right_are_named(column: str, value: object, words: str) -> None:
    scores = rows()
    ordinary = {
        "record_rate_hz": 10_000.0,
        "exposure_s": 1e-5,
        "mm_per_px": 0.02,
        "travel_speed_mm_s": 60.0,
        "material": "austenitic-stainless",
    }
    for name, usual in ordinary.items():
        scores[name] = usual
    scores.loc[4, column] = value
    ranking = rank_shapes(scores)
    assert any(note.startswith(words) for note in ranking.notes)
    remark = ranking.table.set_index("beam_shape")["remarks"][scores["beam_shape"][4]]
    assert scores["clip"][4] in remark
    assert words in remark
    assert "e+04" not in " ".join(ranking.notes)


def test_a_travel_speed_that_is_a_factor_is_no_oddity_of_each_weld() -> None:
    scores = rows()
    scores["travel_speed_mm_s"] = [60.0, 90.0] * 6
    assert "travel speed" in " ".join(rank_shapes(scores).table["remarks"])
    ranking = rank_shapes(scores.assign(factor_travel_speed_mm_s=scores["travel_speed_mm_s"]))
    assert "travel speed" not in " ".join(ranking.table["remarks"])
    assert "travel speed: 60 to 90 mm/s between clips: a factor of the trial" in ranking.notes


def test_clips_compressed_with_loss_beside_others_are_named() -> None:
    scores = rows()
    scores["flags"] = "lossy_video"
    assert not any(note.startswith("compression") for note in rank_shapes(scores).notes)
    scores.loc[2:, "flags"] = "no_exposure"
    ranking = rank_shapes(scores)
    (note,) = (note for note in ranking.notes if note.startswith("compression"))
    assert f"with loss in {scores['clip'][0]}, {scores['clip'][1]}, without" in note
    assert " ".join(ranking.table["remarks"]).count("compressed with loss") == 2


def test_a_flag_that_many_clips_share_is_told_once() -> None:
    scores = rows()
    scores["flags"] = "pool_askew"
    scores.loc[[1, 2], "flags"] = "gain_drift pool_askew"
    notes = [note for note in rank_shapes(scores).notes if "does not lie along" in note or "drifts" in note]
    assert len(notes) == 2
    askew, drift = sorted(notes, key=len, reverse=True)
    assert askew.startswith(", ".join(scores["clip"][:5]) + " and 7 more: ")
    assert drift.startswith(f"{scores['clip'][1]}, {scores['clip'][2]}: ")


def test_a_settings_id_that_follows_from_other_facts_is_no_other_setting() -> None:
    scores = rows()
    scores["record_rate_hz"] = [10_000.0, 5_000.0] * 6
    scores["settings_id"] = ["a", "b"] * 6
    assert not any(note.startswith("settings") for note in rank_shapes(scores).notes)


def test_a_differing_tilt_is_named_as_a_view_not_as_settings() -> None:
    scores = rows()
    scores["view_stretch"], scores["view_stretch_deg"] = 1.22, 88.0
    # Half a turn further, and a little off: the same view.
    scores.loc[7, ["view_stretch", "view_stretch_deg"]] = [1.225, -90.0]
    scores["settings_id"] = "a"
    assert not any(note.startswith(("view", "settings")) for note in rank_shapes(scores).notes)
    scores.loc[4, ["view_stretch", "view_stretch_deg", "settings_id"]] = [1.22, 0.0, "b"]
    scores.loc[9, ["view_stretch", "view_stretch_deg", "settings_id"]] = [1.0, np.nan, "c"]
    ranking = rank_shapes(scores)
    assert any(note.startswith("view: the camera was tilted differently") for note in ranking.notes)
    assert not any(note.startswith("settings") for note in ranking.notes)
    remarks = " ".join(ranking.table["remarks"])
    assert f"{scores['clip'][4]}: view stretched 1.22 times along 0°" in remarks
    assert f"{scores['clip'][9]}: view square" in remarks
    assert len(ranking.welds) == len(scores)


def test_weights_given_are_used_and_said() -> None:
    scores = rows()
    weights = dict.fromkeys(WEIGHT, 0.0) | {"keyhole": 1.0}
    ranking = rank_shapes(scores, weights=weights)
    np.testing.assert_allclose(ranking.welds["stability_index"], 100 * scores["d_keyhole"])
    assert any("weights given here" in note for note in ranking.notes)
    scores["stability_index"] = scores["stability_index"] * 0.9
    stands = rank_shapes(scores)
    np.testing.assert_allclose(stands.welds["stability_index"], scores["stability_index"])
    assert any("stands as it is" in note for note in stands.notes)


@pytest.mark.parametrize(
    "weights", [{"keyhole": 1.0}, dict.fromkeys(WEIGHT, 0.0), dict.fromkeys(WEIGHT, -1.0)]
)
def test_impossible_weights_are_refused(weights: dict[str, float]) -> None:
    with pytest.raises(UsageError, match="weight"):
        rank_shapes(rows(), weights=weights)


def test_a_clip_named_twice_is_refused_with_its_rows() -> None:
    scores = rows()
    with pytest.raises(UsageError, match=r"rows 2 and 14: the same recording .* a weld counts once"):
        rank_shapes(pd.concat([scores, scores.iloc[:1]], ignore_index=True))


def test_rows_without_desirabilities_can_be_ranked() -> None:
    scores = rows()
    scores[[c for c in scores if c.startswith("d_")]] = np.nan
    ranking = rank_shapes(scores)
    assert ranking.table["order_holds"].isna().all()
    assert ranking.part_share == {}
    assert any("no desirabilities" in note for note in ranking.notes)


def test_nothing_left_to_rank_is_said() -> None:
    scores = rows(welds=1, unsteadiness=(0.5,))
    scores["stability_index"] = np.nan
    with pytest.raises(UsageError, match="no clip is left to rank"):
        rank_shapes(scores)


def test_few_welds_say_how_often_they_mislead() -> None:
    few = rank_shapes(rows(unsteadiness=(0.2, 2.0), welds=3))
    assert (few.pairs["differ"] == 1).all()
    assert any(note.startswith("few welds") and "can reach 9 %" in note for note in few.notes)
    two = rank_shapes(rows(unsteadiness=(0.1, 0.7, 5.0), welds=2))
    assert any(note.startswith("few welds") and "can reach 18 %" in note for note in two.notes)
    assert not any(note.startswith("few welds") for note in rank_shapes(rows()).notes)
    alike = rank_shapes(rows(unsteadiness=(0.7, 0.7), welds=3))
    assert (alike.pairs["differ"] == 0).all()
    assert not any(note.startswith("few welds") for note in alike.notes)


@pytest.mark.parametrize("end", [0.0, 100.0])
@pytest.mark.parametrize("welds", [1, 3])
def test_an_index_at_an_end_of_the_scale_breaks_nothing(end: float, welds: int) -> None:
    scores = rows(welds=welds)
    at_end = scores["beam_shape"] == "flat-top"
    scores.loc[at_end, ["stability_index", "stability_index_low", "stability_index_high"]] = end
    scores = scores.drop(columns=[name for name in scores if name.startswith("d_")])
    table = rank_shapes(scores).table.set_index("beam_shape")
    assert table["stability_index"]["flat-top"] == end
    assert table["rank"]["flat-top"] == (1 if end else 3)
    low, high = table["stability_index_low"], table["stability_index_high"]
    assert ((low <= table["stability_index"]) & (table["stability_index"] <= high)).all()
    assert low.between(0, 100).all()
    assert high.between(0, 100).all()
    # And with the desirabilities that such an index has.
    again = rows(welds=welds)
    for name in [name for name in again if name.startswith("d_")]:
        again.loc[at_end, name] = end / 100
    again.loc[at_end, ["stability_index", "stability_index_low", "stability_index_high"]] = end
    ranking = rank_shapes(again)
    assert ranking.table.set_index("beam_shape")["rank"]["flat-top"] == (1 if end else 3)
    assert np.isfinite(ranking.parts["effect"]).all()
    assert np.isfinite(list(ranking.part_share.values())).all()


def test_blocks_are_said_to_be_scatter() -> None:
    scores = rows()
    assert not any(note.startswith("blocks:") for note in rank_shapes(scores).notes)
    scores["factor_block"] = ["monday", "tuesday"] * 6
    assert any(note.startswith("blocks:") for note in rank_shapes(scores).notes)


def bare(**columns: list[object]) -> pd.DataFrame:
    """Rows as somebody types them: shape, clip, index, and what else is given."""
    count = len(columns["stability_index"])
    return SCORE.frame({"clip": [f"{k}.avi" for k in range(count)]} | columns)


def test_copies_give_no_certainty() -> None:
    """Two identical welds a shape: no p, no interval without width, nobody is surely the steadiest."""
    ranking = rank_shapes(bare(beam_shape=["a", "a", "b", "b"], stability_index=[60.0, 60, 50, 50]))
    assert ranking.pairs["p"].isna().all()
    assert ranking.pairs["differ"].isna().all()
    assert ranking.table["probability_best"].isna().all()
    assert ranking.table["stability_index_low"].isna().all()
    assert "agree to the last digit" in ranking.reading
    assert any("same to the last digit" in note for note in ranking.notes)
    tied = rank_shapes(bare(beam_shape=["a", "a", "b", "b"], stability_index=[60.0, 60, 60, 60]))
    assert tied.table["probability_best"].isna().all()


def test_a_lone_weld_is_not_tested() -> None:
    ranking = rank_shapes(bare(beam_shape=["a", "b", "b", "b"], stability_index=[90.0, 50, 51, 52]))
    assert ranking.pairs["differ"].isna().all()
    assert "differs from every other" not in ranking.reading
    assert "Of a there is one weld only: no test is made with it" in ranking.reading
    assert ranking.table["group"].tolist() == ["a", "a"]


def test_the_same_clip_twice_is_no_second_weld() -> None:
    scores = bare(beam_shape=["a", "a", "b", "b"], stability_index=[60.0, 61, 50, 53])
    scores["clip"] = ["one.avi", "one.avi", "three.avi", "four.avi"]
    with pytest.raises(UsageError, match=r"rows 2 and 3: the same clip"):
        rank_shapes(scores)
    # Folders that tell them apart, or replicates, make them two.
    rank_shapes(scores.assign(folder=["x", "y", "z", "w"]))
    rank_shapes(scores.assign(replicate=["1", "2", "1", "2"]))


@pytest.mark.slow
def test_an_index_at_an_end_gives_an_interval_that_means_something() -> None:
    low, high = (
        rank_shapes(
            bare(beam_shape=["a"] * 3 + ["b"] * 3, stability_index=[97.0, 98, 100, 50, 52, 51])
        ).table[name][0]
        for name in ("stability_index_low", "stability_index_high")
    )
    assert 80 < low < 98.4 < high
    low, high = (
        rank_shapes(bare(beam_shape=["a"] * 3 + ["b"] * 3, stability_index=[50.0, 52, 51, 0, 4, 2])).table[
            name
        ][1]
        for name in ("stability_index_low", "stability_index_high")
    )
    assert low < 2 < high < 20
