"""Recordings damaged from a seed: refused in one line or read with the damage said, never anything else.

``POOLWATCH_FUZZ=2000`` tries so many files instead of 210, and ``POOLWATCH_FUZZ_FROM`` says at which seed to begin.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from poolwatch.cli.main import main
from tests.faults.mutator import HOW, KINDS, answer, case, damaged

FILES = int(os.environ.get("POOLWATCH_FUZZ", "210"))
FIRST = int(os.environ.get("POOLWATCH_FUZZ_FROM", "0"))
LOTS = 7


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("damaged")


@pytest.mark.parametrize("lot", range(LOTS))
def test_no_damaged_file_is_answered_wrongly(place: Path, lot: int) -> None:
    words = []
    for seed in range(FIRST + lot, FIRST + FILES, LOTS):
        one = case(seed)
        path = damaged(place, one)
        got = answer(path, one)
        assert got.word != "wrong", (one, got.detail)
        words.append(got.word)
        path.unlink()
    # The mutator does damage, and the readers do go on where they can.
    assert words.count("same") < len(words) / 2
    assert words.count("flagged") > 3
    assert words.count("flagged") + words.count("refused") > len(words) / 5


@pytest.mark.often("raw", "mp4-h264", "avi-ffv1", "hdf5")
@pytest.mark.parametrize("kind", sorted(KINDS))
def test_inspect_says_it_in_words(place: Path, kind: str, capsys: pytest.CaptureFixture[str]) -> None:
    step = len(KINDS)
    first = list(KINDS).index(kind)
    for seed in range(first, first + 2 * step, step) if FILES < 1000 else range(first, FILES, step):
        one = case(seed + FIRST)
        path = damaged(place, one)
        code = main(["inspect", str(path), "--record-rate", "10000"])
        out, err = capsys.readouterr()
        assert code in (0, 1), one
        assert "unexpected" not in err, (one, err)
        assert "Traceback" not in out + err
        if code:
            assert err.count("\n") == 1, (one, err)
            assert out == ""
        else:
            assert "fit for measuring" in out


def test_the_mutator_is_seeded(tmp_path: Path) -> None:
    for seed in (3, 40, 77, 150):
        first = damaged(tmp_path, case(seed)).read_bytes()
        assert damaged(tmp_path, case(seed)).read_bytes() == first
    assert {case(seed).how for seed in range(FILES)} == set(HOW)
    assert {case(seed).kind for seed in range(FILES)} == set(KINDS)
