"""Run sheet: complete, random, blocked, and a manifest that the trial accepts."""

from __future__ import annotations

import re
from collections import Counter
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from poolwatch.cli.main import main
from poolwatch.experiment.limits import parse_forbidden
from poolwatch.model.errors import UsageError
from poolwatch.plan.candidates import read_candidates
from poolwatch.plan.designs import central_composite, full_factorial
from poolwatch.plan.estimable import estimable
from poolwatch.plan.factors import parse_factor, parse_factors
from poolwatch.plan.runsheet import make_run_sheet, manifest_table
from poolwatch.trial.manifest import read_manifest

SHAPES = "beam_shape=single-spot,twin-spot,flat-top,crescent"


def planned(tmp_path: Path, *arguments: str) -> Path:
    assert main(["plan", "trial", "--out", str(tmp_path), "--seed", "5", *arguments]) == 0
    return tmp_path / "manifest.csv"


def filled(path: Path) -> None:
    """Do what the person does: weld, film, write the clips' names into the manifest."""
    table = pd.read_csv(path, dtype=str, keep_default_na=False)
    table["clip"] = [f"weld-{run}.mkv" for run in table["run"]]
    for name in table["clip"]:
        (path.parent / name).write_bytes(b"film")
    table.to_csv(path, index=False)


FACTS = [
    "--record-rate",
    "10kHz",
    "--mm-per-px",
    "30um",
    "--exposure",
    "20us",
    "--material",
    "austenitic-stainless",
]


@pytest.mark.parametrize(
    "arguments",
    [
        ["--factor", SHAPES, "--replicates", "3", "--blocks", "3"],
        ["--factor", SHAPES, "--factor", "power_w=2000,3000", "--factor", "travel_speed_mm_s=80..120"],
        [
            "--design",
            "composite",
            "--factor",
            "ring_share=0..0.6",
            "--factor",
            "focus_mm=-1..1",
            "--blocks",
            "2",
        ],
        [
            "--design",
            "latin",
            "--runs",
            "9",
            "--factor",
            "ring_share=0..0.6",
            "--factor",
            "gas=argon,nitrogen",
        ],
        [
            "--design",
            "d-optimal",
            "--runs",
            "9",
            "--factor",
            "a=0..1",
            "--factor",
            "b=1,2,3",
            "--outcome",
            "crack_mm",
        ],
    ],
)
def test_the_trial_accepts_the_manifest_once_the_clips_are_named(
    tmp_path: Path, arguments: list[str]
) -> None:
    path = planned(tmp_path, *arguments, *FACTS)
    with pytest.raises(
        UsageError, match=r"0 of \d+ welds filled in.*\n.*rows 2 to \d+: clip to be filled in"
    ):
        read_manifest(path)
    # A direction that nobody gave is asked for, and stays a matter of the clip where the column is left empty.
    assert "travel_direction_deg" in pd.read_csv(path).columns
    filled(path)
    manifest = read_manifest(path)
    assert all("travel_direction_deg" not in e.recording.model_fields_set for e in manifest.entries)
    assert len(manifest.entries) == len(pd.read_csv(path))
    wanted = [text.split("=")[0] for flag, text in pairwise(arguments) if flag == "--factor"]
    for entry in manifest.entries:
        assert entry.recording.record_rate_hz == 10_000
        names = {name.removeprefix("factor_") for name in entry.factors} - {"block"}
        assert names == set(wanted) - {"beam_shape"}
        assert all(value is not None for value in entry.factors.values())
    if any("travel_speed" in text for text in arguments):
        assert {entry.recording.travel_speed_mm_s for entry in manifest.entries} == {80.0, 120.0}


def test_a_manifest_that_is_filled_in_is_not_written_over(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = planned(tmp_path, "--factor", SHAPES, "--outcome", "pores")
    planned(tmp_path, "--factor", SHAPES, "--outcome", "pores")
    table = pd.read_csv(path, dtype=str, keep_default_na=False)
    for column, text in (("clip", "weld.mkv"), ("outcome_pores", "3")):
        changed = table.copy()
        changed.loc[1, column] = text
        changed.to_csv(path, index=False)
        before = path.read_bytes()
        assert main(["plan", "trial", "--out", str(tmp_path), "--factor", SHAPES]) == 2
        assert "is there already and filled in" in capsys.readouterr().err
        assert path.read_bytes() == before


def test_every_run_stands_once_a_replicate_in_random_order() -> None:
    plan = full_factorial(parse_factors([SHAPES, "power=1,2,3"]))
    orders = set()
    for seed in range(5):
        sheet = make_run_sheet(plan, model="main", replicates=2, blocks=2, seed=seed)
        for block in (1, 2):
            here = [tuple(run.values()) for run, b in zip(sheet.runs, sheet.block, strict=True) if b == block]
            assert sorted(here) == sorted(tuple(run.values()) for run in plan.runs)
        orders.add(tuple(sheet.standard))
    assert len(orders) == 5
    again = make_run_sheet(plan, model="main", replicates=2, blocks=2, seed=3)
    assert tuple(again.standard) in orders


def test_places_in_the_order_are_uniform() -> None:
    """Chi-squared of where the first run stands over 600 seeds, 12 places."""
    plan = full_factorial(parse_factors(["a=1,2,3", "b=1,2", "c=1,2"]))
    places = [make_run_sheet(plan, model="main", seed=seed).standard.tolist().index(1) for seed in range(600)]
    counts = np.bincount(places, minlength=12)
    assert ((counts - 50) ** 2 / 50).sum() < 31.3  # 99.9 % of chi-squared with 11 degrees of freedom


def test_settings_are_named_alike_where_they_are_alike() -> None:
    plan = central_composite(parse_factors(["a=0..1", "b=0..1"]), centres=3)
    table = manifest_table(make_run_sheet(plan, model="quadratic", seed=1), {})
    count = Counter(table["beam_shape"])
    assert sorted(count.values()) == [1] * 8 + [3]
    assert table["replicate"].tolist().count("3") == 1
    assert not table.duplicated(["beam_shape", "replicate"]).any()


def test_degrees_of_freedom_and_precision() -> None:
    plan = full_factorial(parse_factors(["a=0..1", "b=0..1"]))
    runs = plan.runs * 3
    told = estimable(plan.factors, runs, "interactions")
    assert (told.runs, told.coefficients, told.error_df, told.pure_error_df) == (12, 4, 8, 8)
    # Difference of two means of six: sd sqrt(2 / 6).
    assert told.precisions[0].error == pytest.approx((2 / 6) ** 0.5)
    assert told.precisions[0].vif == pytest.approx(1)
    blocked = estimable(plan.factors, runs, "interactions", np.repeat([0, 1, 2], 4))
    assert (blocked.error_df, blocked.pure_error_df) == (6, 6)


def test_precision_is_what_least_squares_gives_on_simulated_welds() -> None:
    plan = central_composite(parse_factors(["a=0..4", "b=0..1"]), centres=3)
    told = estimable(plan.factors, plan.runs, "quadratic")
    rng = np.random.default_rng(3)
    x = np.array([[1, r["a"] / 2 - 1, 2 * r["b"] - 1] for r in plan.runs], dtype=float)  # type: ignore[operator]
    x = np.column_stack([x, x[:, 1] * x[:, 2], x[:, 1] ** 2, x[:, 2] ** 2])
    fits = np.linalg.lstsq(x, rng.standard_normal((len(x), 4000)), rcond=None)[0]
    assert told.precisions[0].error == pytest.approx(2 * fits[1].std(), rel=0.05)
    assert told.precisions[3].error == pytest.approx(fits[4].std(), rel=0.05)


class Page(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.rows = 0
        self.outside: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.outside += [value or "" for name, value in attrs if name in ("src", "href")]
        if tag not in ("meta", "br"):
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag
        self.rows += tag == "tr"


def test_printed_sheet_is_whole_and_needs_nothing_from_outside(tmp_path: Path) -> None:
    planned(
        tmp_path, "--factor", SHAPES, "--replicates", "2", "--title", "Ring & <spot>", "--outcome", "crack_mm"
    )
    text = (tmp_path / "run_sheet.html").read_text(encoding="utf-8")
    page = Page()
    page.feed(text)
    assert page.open == []
    assert page.outside == []
    assert page.rows == 9
    assert "Ring &amp; &lt;spot&gt;" in text
    assert "eye protection" in text
    assert "no proof of a sound weld" in text
    assert "crack_mm" in text


def test_the_sheet_has_the_fixed_settings_and_lines_for_what_is_not_known(tmp_path: Path) -> None:
    facts = (
        "--record-rate",
        "10kHz",
        "--power",
        "2.5kW",
        "--sheet",
        "2 mm, batch 7",
        "--welder",
        "A. <Example>",
    )
    planned(tmp_path, "--factor", SHAPES, "--factor", "travel_speed_mm_s=80,120", *facts)
    text = (tmp_path / "run_sheet.html").read_text(encoding="utf-8")
    fixed = dict(re.findall(r"<div><dt>(.*?)</dt><dd>(.*?)</dd></div>", text))
    assert fixed["laser power, W"] == "2500"
    assert fixed["sheet: thickness, grade, batch"] == "2 mm, batch 7"
    assert fixed["welder"] == "A. &lt;Example&gt;"
    assert fixed["record rate, Hz"] == "10000"
    assert fixed["date"] == fixed["exposure, µs"] == ""
    # A factor is no fixed setting.
    assert "travel speed, mm/s" not in fixed
    table = pd.read_csv(tmp_path / "manifest.csv")
    assert set(table["laser_power_w"]) == {2500}
    assert set(table["title"]) == {"Welding trial"}
    assert table["date"].isna().all()


def test_power_as_a_factor_fills_its_column(tmp_path: Path) -> None:
    planned(tmp_path, "--factor", "laser_power_w=2000,2500")
    table = pd.read_csv(tmp_path / "manifest.csv")
    assert (table["laser_power_w"] == table["factor_laser_power_w"]).all()


def test_impossible_combinations_are_left_out(tmp_path: Path) -> None:
    path = planned(
        tmp_path,
        *["--factor", "ring_share=0,0.5", "--factor", "ring_mm=1,2", "--forbid", "ring_share=0 ring_mm=2"],
    )
    runs = pd.read_csv(path)
    assert len(runs) == 3
    assert not ((runs["factor_ring_share"] == 0) & (runs["factor_ring_mm"] == 2)).any()


def test_candidates_from_a_file(tmp_path: Path) -> None:
    factors = parse_factors(["ring_share=0..0.6", "gas=argon,nitrogen"])
    path = tmp_path / "runs.csv"
    path.write_text("factor_ring_share;gas\n0;argon\n0.25;nitrogen\n0.6;argon\n", encoding="utf-8")
    assert read_candidates(path, factors)[1] == {"ring_share": 0.25, "gas": "nitrogen"}
    path.write_text("ring_share,gas\n0.7,argon\n0,helium\n", encoding="utf-8")
    with pytest.raises(UsageError, match=r"row 2, ring_share: '0\.7'.*row 3, gas: 'helium'"):
        read_candidates(path, factors)


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("power", "write name=low"),
        ("Power=1,2", "small letters"),
        ("power=1", "no two levels"),
        ("power=1,1", "names a level twice"),
        ("power=1,two", "mixes numbers and words"),
        ("power=3..1", "low below high"),
        ("power=nan,1", "mixes numbers and words"),
    ],
)
def test_wrong_factors_are_refused(text: str, word: str) -> None:
    with pytest.raises(UsageError, match=word):
        parse_factor(text)


@pytest.mark.parametrize("text", ["ring=1", "a", "a=x", "gas=helium", " "])
def test_wrong_combinations_are_refused(text: str) -> None:
    with pytest.raises(UsageError, match="--forbid"):
        parse_forbidden(text, parse_factors(["a=0..1", "gas=argon,nitrogen"]))


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        (["--factor", "a=0..1", "--factor", "a=0..2"], "given twice"),
        (["--factor", "a=0..1", "--design", "d-optimal"], "needs --runs"),
        (["--factor", "a=0..1", "--runs", "4"], "sets its own number"),
        (["--factor", "a=0..1", "--factor", "b=0..1", "--blocks", "3"], "fewer than two runs"),
        (["--factor", "a=0..1", "--material", "cheese"], "unknown material"),
        (["--factor", "a=0..1", "--forbid", "a=0", "--forbid", "a=1"], "every combination is forbidden"),
        (
            ["--design", "box-behnken", *(f"--factor={n}=0..1" for n in "abc"), "--forbid", "a=0 b=0"],
            "use --design d-optimal --runs 14",
        ),
    ],
)
def test_impossible_trials_are_refused(
    arguments: list[str], word: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["plan", "trial", "--out", str(tmp_path / "p"), *arguments]) == 2
    assert word in capsys.readouterr().err
    assert not (tmp_path / "p").exists()


@pytest.mark.slow
def test_the_command_says_what_few_welds_show(tmp_path, capsys):
    factor = "beam_shape=single-spot,twin-spot,flat-top"
    facts = ["--record-rate", "10kHz", "--mm-per-px", "20um", "--out"]
    blocked = ["plan", "trial", "--factor", factor, "--replicates", "3", "--blocks", "3"]
    assert main([*blocked, *facts, str(tmp_path / "a")]) == 0
    said = capsys.readouterr().out
    assert main(["plan", "welds", "--shapes", "3", "--welds", "3", "--scatter", "4", "--blocked"]) == 0
    (points,) = re.findall(r"show (\S+) points with a power", capsys.readouterr().out)
    assert f"that is {float(points):.0f} points where welds of a shape scatter by 4" in said
    assert "inflation 1 is best" in said
    assert "interactions" not in said
    assert main(["plan", "trial", "--factor", factor, *facts, str(tmp_path / "b")]) == 0
    assert "one weld a shape shows no difference" in capsys.readouterr().out
