"""`poolwatch rank` from score rows alone: a page without clips."""

from __future__ import annotations

import re

import pandas as pd
import pytest

from poolwatch.cli.main import main

ROWS = """clip,clip_id,beam_shape,replicate,stability_index,stability_index_low,stability_index_high,factor_power_kw,outcome_pores_percent
a1.mkv,1a,twin-spot,1,62,58,66,3.0,0.4
a2.mkv,2a,twin-spot,2,66,61,70,3.2,0.3
a3.mkv,3a,twin-spot,3,64,60,68,3.4,0.5
b1.mkv,1b,<script>,1,41,37,45,3.0,1.9
b2.mkv,2b,<script>,2,44,40,49,3.2,1.4
b3.mkv,3b,<script>,3,39,35,44,3.4,2.2
"""


def test_page_from_rows_alone(tmp_path, capsys):
    (tmp_path / "scores.csv").write_text(ROWS, encoding="utf-8")
    out = tmp_path / "pilot trial"
    assert main(["rank", str(tmp_path / "scores.csv"), "--out", str(out)]) == 0
    page = (out / "report.html").read_text(encoding="utf-8")
    assert "<h1>pilot trial</h1>" in page
    assert "twin-spot" in page
    assert "&lt;script&gt;" in page
    assert '<th scope="row"><script>' not in page
    assert "Index against laboratory results" in page
    # No clips, so nothing that would lead to one.
    assert "Each clip" not in page
    assert not re.search(r'href="#clip', page)


def test_no_page_where_none_is_wanted(tmp_path, capsys):
    (tmp_path / "scores.csv").write_text(ROWS, encoding="utf-8")
    assert main(["rank", str(tmp_path / "scores.csv"), "--out", str(tmp_path / "o"), "--no-report"]) == 0
    assert {p.name for p in (tmp_path / "o").iterdir()} == {
        "ranking.csv",
        "pairs.csv",
        "excluded.csv",
        "effects.csv",
        "next_welds.csv",
        "outcomes.csv",
    }


@pytest.mark.long
def test_no_page_of_other_rows_stays(tmp_path, capsys):
    (tmp_path / "scores.csv").write_text(ROWS, encoding="utf-8")
    arguments = ["rank", str(tmp_path / "scores.csv"), "--out", str(tmp_path / "o")]
    assert main(arguments) == 0
    assert (tmp_path / "o" / "report.html").exists()
    (tmp_path / "scores.csv").write_text(ROWS.replace("62,58,66", "12,8,16"), encoding="utf-8")
    assert main([*arguments, "--no-report"]) == 0
    assert {p.name for p in (tmp_path / "o").iterdir()} == {
        "ranking.csv",
        "pairs.csv",
        "excluded.csv",
        "effects.csv",
        "next_welds.csv",
        "outcomes.csv",
    }


def test_what_the_plan_forbids_is_not_advised(tmp_path, capsys):
    """Steadier the higher both settings are; the corner where both are high cannot be welded."""
    head = "clip,clip_id,beam_shape,replicate,stability_index,factor_a,factor_b\n"
    runs = [(a, b) for a in (1, 2, 3) for b in (1, 2, 3)] * 2
    rows = [
        f"c{n}.mkv,{n},ring,{n},{20 + 8 * a + 8 * b + (-1) ** n + n % 3},{a},{b}\n"
        for n, (a, b) in enumerate(runs)
    ]
    (tmp_path / "scores.csv").write_text(head + "".join(rows), encoding="utf-8")
    plan = 'forbid = ["a=2.5..3 b=2.5..3"]\n[factors]\na = { range = [1, 3] }\nb = { range = [1, 3] }\n'

    def advised(*more: str) -> list[tuple[float, float]]:
        arguments = ["rank", str(tmp_path / "scores.csv"), "--out", str(tmp_path / "o"), "--no-report", *more]
        assert main(arguments) == 0
        table = pd.read_csv(tmp_path / "o" / "next_welds.csv")
        return list(zip(table["factor_a"], table["factor_b"], strict=True))

    assert any(a > 2.5 and b > 2.5 for a, b in advised())
    elsewhere = tmp_path / "elsewhere.toml"
    elsewhere.write_text(plan, encoding="utf-8")
    for more in (("--plan", str(elsewhere)), ()):
        found = advised(*more)
        assert found
        assert not any(a >= 2.5 and b >= 2.5 for a, b in found)
        # The next turn finds it beside the scores.
        (tmp_path / "plan.toml").write_text(plan, encoding="utf-8")
    assert (
        main(["rank", str(tmp_path / "scores.csv"), "--out", "o", "--plan", str(tmp_path / "no.toml")]) == 2
    )
    assert "no.toml: no such file" in capsys.readouterr().err


def test_the_shape_is_a_factor_and_the_block_is_none(tmp_path, capsys):
    shapes = {
        "flat-top": (63.3, 64.6, 62.4),
        "twin-spot": (53.5, 49.9, 49.1),
        "single-spot": (38.6, 35.1, 39.1),
    }
    lines = [
        "clip,clip_id,beam_shape,replicate,stability_index,stability_index_low,stability_index_high,factor_block"
    ]
    lines += [
        f"{shape}-{n}.mkv,{shape}{n},{shape},{n},{index},{index - 9},{index + 5},day-{n}"
        for shape, values in shapes.items()
        for n, index in enumerate(values, 1)
    ]
    (tmp_path / "scores.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    assert main(["rank", str(tmp_path / "scores.csv"), "--out", str(tmp_path / "o")]) == 0
    page = (tmp_path / "o" / "report.html").read_text(encoding="utf-8")
    for title in ("Effects of the process factors", "Index against process factors", "Index against blocks"):
        assert f">{title}</h3>" in page
    # How to read the numbers is in the sentence that gives them.
    assert "in index points (of a word against the mean of all words): beam_shape (" in page
    assert "Numbers count from" not in page
    # All indices of a column are whole numbers.
    assert re.findall(r"<span>(\d+(?:\.\d+)?) \(\d", page)
    assert not re.findall(r"<span>\d+\.\d+ \(", page)
    pairs = pd.read_csv(tmp_path / "o" / "pairs.csv")
    assert (pairs["df"] == 4).all()
    assert set(pairs["error_from"]) == {"scatter"}
    assert pairs["p"].min() > 1e-5
    assert 'id="words"' in page
    assert "poolwatch explain WORD" in page
