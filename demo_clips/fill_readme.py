#!/usr/bin/env python3
"""Puts the tables and the picture of a demo run into the README.

Run ``poolwatch demo``, then ``python demo_clips/fill_readme.py demo_results``.
"""

from __future__ import annotations

import re
import shlex
import sys
from pathlib import Path
from typing import Any

import pandas as pd
from click.testing import CliRunner
from PIL import Image

from poolwatch.cli.main import main, poolwatch
from poolwatch.model.rounding import with_interval
from poolwatch.model.score_words import index_words

ROOT = Path(__file__).resolve().parents[1]
README = ROOT / "README.md"
FRAME = 300
Row = dict[str, Any]


def table(heads: list[str], rows: list[list[str]]) -> str:
    """A table in Markdown."""
    lines = [heads, ["---"] * len(heads), *rows]
    return "\n".join("| " + " | ".join(cells) + " |" for cells in lines)


def plan_table(text: str) -> str:
    """What the README's own `plan recording` prints, as a table."""
    command = re.search(r"^poolwatch (plan recording .*?)\n```", text, re.DOTALL | re.MULTILINE)
    assert command is not None
    printed = (
        CliRunner()
        .invoke(poolwatch, shlex.split(command[1].replace("\\\n", " ")), catch_exceptions=False)
        .stdout
    )
    shown = printed.split("limits, strictest first")[0].splitlines()[1:]
    return table(["record", "", ""], [re.split(r"\s{2,}", line.strip(), maxsplit=2) for line in shown])


def clips_table(scores: pd.DataFrame) -> str:
    """The clips with figures that a reader understands at once."""
    rows = []
    for row in scores.to_dict("records"):
        length, fluctuation = (
            with_interval(*(row[f"pool_length_{what}{end}"] for end in ends), factor=factor)
            for what, ends, factor in (
                ("mean", ("_mm", "_low", "_high"), 1.0),
                ("cv", ("", "_low", "_high"), 100.0),
            )
        )
        rows.append(
            [
                str(row["clip"]),
                length,
                fluctuation,
                str(row["spatter_count"]),
                index(row),
            ]
        )
    return table(["clip", "pool length, mm", "its fluctuation, %", "particles", "stability index"], rows)


def ranking_table(ranking: pd.DataFrame) -> str:
    """The order of the beam shapes."""
    rows = [
        [str(row["rank"]), str(row["beam_shape"]), str(row["clips"]), index(row), str(row["group"] or "–")]
        for row in ranking.to_dict("records")
    ]
    return table(["rank", "beam shape", "welds", "index, 95 % interval", "group"], rows)


def index(row: Row) -> str:
    """The stability index with its interval."""
    return index_words(row)


def filled(text: str, name: str, block: str) -> str:
    """The text with a block between its marks."""
    marks = re.compile(rf"(<!-- {name} -->\n).*?(<!-- end -->)", re.DOTALL)
    assert len(marks.findall(text)) == 1, name
    return marks.sub(lambda found: f"{found[1]}{block}\n{found[2]}", text)


def fill(results: Path) -> None:
    """Renew tables and picture."""
    text = README.read_text(encoding="utf-8")
    for name, block in (
        ("plan", plan_table(text)),
        ("clips", clips_table(pd.read_csv(results / "scores.csv"))),
        (
            "ranking",
            ranking_table(
                pd.read_csv(results / "ranking.csv", dtype={"group": "str"}, keep_default_na=False)
            ),
        ),
    ):
        text = filled(text, name, block)
    README.write_text(text, encoding="utf-8", newline="\n")
    picture = ROOT / "demo_clips" / "overlay.png"
    assert (
        main(["overlay", str(results / "single-spot-1"), "--still", str(FRAME), "--out", str(picture)]) == 0
    )
    with Image.open(picture) as large:
        width = 960
        small = large.resize((width, round(width * large.height / large.width)), Image.Resampling.LANCZOS)
    small.quantize(200, dither=Image.Dither.NONE).save(picture, optimize=True)


if __name__ == "__main__":
    fill(Path(sys.argv[1]))
