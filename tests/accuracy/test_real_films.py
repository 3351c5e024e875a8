"""The page of what was tried on real recordings says what the code gives now."""

from __future__ import annotations

import importlib.util
import re
from pathlib import Path

import pytest

HERE = Path(__file__).resolve().parent


@pytest.fixture(scope="module")
def films():
    spec = importlib.util.spec_from_file_location("real_films", HERE / "real_films.py")
    module = importlib.util.module_from_spec(spec)
    import sys

    sys.modules["real_films"] = module
    spec.loader.exec_module(module)
    yield module
    del sys.modules["real_films"]


@pytest.mark.long
@pytest.mark.slow
def test_page_is_what_the_script_writes(films, tmp_path):
    if not all((films.REAL / name).is_dir() for name in films.PARTS):
        pytest.skip("the real recordings are not beside this checkout")
    pytest.importorskip("skimage")
    pytest.importorskip("trackpy")
    films.write(tmp_path)
    kept = (HERE / "REAL.md").read_text(encoding="utf-8")
    made = (tmp_path / "REAL.md").read_text(encoding="utf-8")
    # Libraries of another version may move the last digit.
    assert re.sub(r"[\d.]+", "", made) == re.sub(r"[\d.]+", "", kept)
    numbers = [[float(n) for n in re.findall(r"\d+\.\d+", text)] for text in (made, kept)]
    assert numbers[0] == pytest.approx(numbers[1], abs=0.11)


def test_ball_agrees_with_an_outside_measure(films):
    if not (films.REAL / "falling-ball").is_dir():
        pytest.skip("the real recording 'falling-ball' is not beside this checkout")
    pytest.importorskip("skimage")
    off = [float(row.off.replace("−", "-")) for row in films.ball().rows]
    assert abs(off[0]) < 1.27
    assert abs(off[1]) < 0.02
    assert abs(off[2]) < 0.02


def test_pictures_are_small_and_named(films):
    text = (HERE / "REAL.md").read_text(encoding="utf-8")
    pictures = re.findall(r"\]\((real/\w+\.png)\)", text)
    assert len(pictures) == len(films.PARTS)
    assert all((HERE / name).stat().st_size < 40_000 for name in pictures)
    assert text.count("Licence: ") == len(pictures)


def test_nothing_is_written_where_nothing_is_there(films, tmp_path, monkeypatch, capsys):
    monkeypatch.setattr(films, "REAL", tmp_path / "nowhere")
    assert films.write(tmp_path) == []
    assert not (tmp_path / "REAL.md").exists()
    assert "falling-ball: not beside this checkout" in capsys.readouterr().err
