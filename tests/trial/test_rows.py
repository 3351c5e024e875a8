from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from poolwatch.cli.main import main
from poolwatch.model.errors import UsageError
from poolwatch.model.table import csv_text, write_csv
from poolwatch.model.tables import SCORE
from poolwatch.trial import rank_shapes, read_rows
from poolwatch.trial.rows import completed
from tests.trial.simulated import score_rows


def test_reads_back_what_was_written_with_factors_and_outcomes(tmp_path: Path) -> None:
    rows = score_rows(np.random.default_rng(1), (0.5, 0.9), 3).assign(
        factor_power=[1.0, 2, 3, 1, 2, 3], factor_gas=["=argon", "n2"] * 3, outcome_rm=[600.5] * 6
    )
    write_csv(tmp_path / "scores.csv", rows)
    assert "'=argon" in (tmp_path / "scores.csv").read_text()
    back = read_rows(tmp_path / "scores.csv")
    pd.testing.assert_frame_equal(back, rows, check_dtype=False, rtol=1e-8)


def test_saved_again_by_a_spreadsheet_with_semicolons_and_decimal_commas(tmp_path: Path) -> None:
    rows = score_rows(np.random.default_rng(1), (0.5, 0.9), 3)
    write_csv(tmp_path / "a.csv", rows)
    rows.to_csv(
        tmp_path / "b.csv", sep=";", decimal=",", index=False, encoding="utf-8-sig", float_format="%.9g"
    )
    assert csv_text(rank_shapes(read_rows(tmp_path / "a.csv")).table) == csv_text(
        rank_shapes(read_rows(tmp_path / "b.csv")).table
    )


def test_tables_put_one_behind_the_other_are_one(tmp_path: Path) -> None:
    rows = score_rows(np.random.default_rng(1), (0.5, 0.9), 3)
    extra = rows.assign(factor_power=1.0, outcome_pores=2.0)
    first, second = csv_text(extra.iloc[:4]), csv_text(rows.iloc[4:])
    (tmp_path / "both.csv").write_text(first + second)
    back = read_rows(tmp_path / "both.csv")
    assert back["clip"].tolist() == rows["clip"].tolist()
    assert back["outcome_pores"].isna().tolist() == [False] * 4 + [True] * (len(rows) - 4)


def test_of_many_faults_the_first_are_listed(tmp_path: Path) -> None:
    path = tmp_path / "s.csv"
    path.write_text("clip,beam_shape,stability_index\n" + "a,x,high\n" * 40)
    with pytest.raises(UsageError) as caught:
        read_rows(path)
    assert str(caught.value).count("stability_index: 'high'") == 8
    assert "and 32 more like these" in str(caught.value)


def test_three_columns_are_enough(tmp_path: Path) -> None:
    path = tmp_path / "s.csv"
    path.write_text("clip,beam_shape,stability_index\na,x,70\nb,x,72\nc,y,40\nd,y,41\n")
    table = rank_shapes(read_rows(path)).table
    assert table["beam_shape"].tolist() == ["x", "y"]
    assert table["group"].tolist() == ["a", "b"]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("clip,beam_shape\na,x\n", "no column 'stability_index' among clip, beam_shape; give score rows"),
        ("clip,beam_shape,stability_index\n", "no rows"),
        (
            "clip,beam_shape,stability_index\na,x,high\nb,,50\n",
            r"row 2, stability_index: 'high'(.|\n)*row 3, beam_shape: is empty",
        ),
        ("clip,beam_shape,stability_index\na,x,123\n", "outside 0 to 100"),
        ("clip,beam_shape,stability_index,d_keyhole\na,x,50,1.5\n", None),
    ],
)
def test_bad_rows_are_refused(tmp_path: Path, text: str, words: str | None) -> None:
    path = tmp_path / "s.csv"
    path.write_text(text)
    with pytest.raises(UsageError, match=words or "outside 0 to 1"):
        rank_shapes(read_rows(path))


def test_command_ranks_and_writes(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    write_csv(tmp_path / "scores.csv", score_rows(np.random.default_rng(1), (0.4, 1.0), 4))
    assert main(["rank", str(tmp_path / "scores.csv"), "--out", str(tmp_path / "out")]) == 0
    shown = capsys.readouterr()
    assert "single-spot" in shown.out
    assert "no proof of a sound weld" in " ".join(shown.out.split())
    table = pd.read_csv(tmp_path / "out" / "ranking.csv")
    assert table["beam_shape"].tolist() == ["single-spot", "twin-spot"]
    assert (tmp_path / "out" / "pairs.csv").exists()


def test_command_puts_bad_input_on_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["rank", str(tmp_path / "none.csv"), "--out", str(tmp_path)]) == 2
    shown = capsys.readouterr().err
    assert shown.count("\n") == 1
    assert "no such file" in shown


def test_a_table_of_rows_may_lack_all_but_three_columns():
    rows = pd.DataFrame(
        {"clip": ["a", "b"], "beam_shape": ["x", "y"], "stability_index": [60.0, 40.0], "seam": [1, 2]}
    )
    whole = completed(rows)
    assert [*whole] == [*SCORE.names, "seam"]
    assert whole["pool_length_cv"].isna().all()
    with pytest.raises(UsageError, match="lack the column 'beam_shape'"):
        completed(rows.drop(columns="beam_shape"))
    with pytest.raises(UsageError, match="no score rows"):
        completed(rows.iloc[:0])


def test_rows_as_pandas_reads_them_are_ranked_alike(tmp_path: Path) -> None:
    """Without flags a whole column is empty, which pandas reads as NaN."""
    rows = score_rows(np.random.default_rng(1), (0.5, 0.9), 3).assign(flags="")
    write_csv(tmp_path / "scores.csv", rows)
    plain = pd.read_csv(tmp_path / "scores.csv")
    assert plain["flags"].isna().all()
    pd.testing.assert_frame_equal(rank_shapes(plain).table, rank_shapes(rows).table, rtol=1e-6)
    with pytest.raises(UsageError, match="score rows lack the column 'beam_shape'"):
        rank_shapes(plain.drop(columns="beam_shape"))
