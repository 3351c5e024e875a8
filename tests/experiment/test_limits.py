"""Parts, forbidden pairs and levels of a plan: said once, written, read again."""

from __future__ import annotations

from pathlib import Path

import pytest

from poolwatch.cli.main import main
from poolwatch.experiment.limits import complete, nest, parse_nested, read_limits
from poolwatch.model.errors import UsageError
from poolwatch.plan.candidates import grid
from poolwatch.plan.factors import parse_factors
from tests.trial.nested import APART, FACTORS, NESTED


def test_parts_are_absent_where_their_parent_is_nothing() -> None:
    factors = nest(parse_factors(FACTORS), parse_nested(NESTED))
    runs = grid(factors, "interactions")
    # (1 + 2 x 2) ways of a ring, as many of a tail, three speeds; each once.
    assert len(runs) == 5 * 5 * 3
    for run in runs:
        assert (run["ring_diameter_mm"] == "absent") == (run["ring_share"] == 0)
        assert (run["tail_direction_deg"] == "absent") == (run["tail_length_mm"] == 0)


def test_parts_of_parts_and_of_words() -> None:
    texts = ["optic=none,ring", "ring_mm=0,1", "gap_mm=0.1,0.2"]
    factors = nest(parse_factors(texts), parse_nested(["ring_mm in optic", "gap_mm in ring_mm"]))
    whole = {"optic": "ring", "ring_mm": 1.0, "gap_mm": 0.1}
    assert complete(whole, factors) == whole
    assert complete(whole | {"optic": "none"}, factors) == {
        "optic": "none",
        "ring_mm": "absent",
        "gap_mm": "absent",
    }
    assert complete(whole | {"ring_mm": 0.0}, factors)["gap_mm"] == "absent"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("ring_diameter_mm", "write 'PART in PARENT'"),
        ("ring_mm in ring_share", "'ring_mm' is no factor"),
        ("ring_share in ring_share", "nested in itself"),
        ("ring_share in travel_speed_mm_s", "has no level without ring_share"),
    ],
)
def test_wrong_wishes(text: str, words: str) -> None:
    with pytest.raises(UsageError, match=words):
        nest(parse_factors(FACTORS), parse_nested([text]))


def test_the_plan_is_written_and_read_again(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    arguments = [word for factor in FACTORS for word in ("--factor", factor)]
    arguments += [word for part in NESTED for word in ("--nested", part)]
    arguments += [
        "--factor",
        "lift_direction_deg=170..190",
        "--forbid",
        APART,
        "--design",
        "d-optimal",
        "--runs",
        "24",
    ]
    assert main(["plan", "trial", *arguments, "--model", "main", "--out", str(tmp_path)]) == 0
    limits = read_limits(tmp_path / "plan.toml")
    assert limits.nested == {"ring_diameter_mm": "ring_share", "tail_direction_deg": "tail_length_mm"}
    assert not limits.allow({"ring_share": 0.3, "tail_length_mm": 1.0})
    assert limits.allow({"ring_share": 0.0, "tail_length_mm": 1.0})
    assert limits.listed["ring_share"] == (0.0, 0.3, 0.6)
    assert "lift_direction_deg" not in limits.listed
    assert read_limits(tmp_path / "none.toml").forbidden == ()
    (tmp_path / "plan.toml").write_text("forbid = [1")
    with pytest.raises(UsageError, match="cannot be read as a plan"):
        read_limits(tmp_path / "plan.toml")
    assert "absent" in (tmp_path / "manifest.csv").read_text()
    assert "absent" in (tmp_path / "run_sheet.html").read_text()
    capsys.readouterr()
    assert (
        main(["plan", "trial", *arguments[:-4], "--design", "composite", "--out", str(tmp_path / "b")]) == 2
    )
    assert "use --design d-optimal" in capsys.readouterr().err
