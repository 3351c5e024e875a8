"""Every worked example in the help runs as it stands there."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import click
import cv2
import numpy as np
import pytest

from poolwatch.cli.beam import command as beam
from poolwatch.cli.main import main
from poolwatch.cli.plan import command as plan
from poolwatch.model.table import write_csv
from poolwatch.model.tables import FRAMES, SCORE

COMMANDS = {**plan.commands, "beam": beam}  # type: ignore[attr-defined]
# Wishes that the example shows to be in conflict: the command says so and ends with 1.
EXAMPLES = [
    (name, " ".join(found.split()))
    for name, one in COMMANDS.items()
    for found in re.findall(r"^\s*poolwatch (.*)$", re.sub(r"\\\n", " ", one.help or ""), re.MULTILINE)
]


def test_every_command_has_an_example() -> None:
    assert {name for name, _ in EXAMPLES} == set(COMMANDS)


def test_every_option_has_a_word_of_help() -> None:
    for one in COMMANDS.values():
        for parameter in one.params:
            if isinstance(parameter, click.Option):
                assert parameter.help, parameter.name


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The files that the examples name: pilot welds and a beam picture, invented."""
    rng = np.random.default_rng(12)
    shapes = np.repeat(["single-spot", "twin-spot", "flat-top", "crescent"], 4)
    index = np.repeat([40.0, 52.0, 60.0, 70.0], 4) + 4 * rng.standard_normal(16)
    write_csv(
        tmp_path / "pilot" / "scores.csv",
        SCORE.frame(
            {
                "clip": [f"w{n}.mkv" for n in range(16)],
                "beam_shape": shapes,
                "stability_index": index,
                "stability_index_low": index - 3,
                "stability_index_high": index + 3,
                "steady_start_s": 0.05,
                "steady_end_s": 0.55,
            }
        ),
    )
    length = 3 + 0.1 * np.convolve(rng.standard_normal(4019), np.ones(20) / 20**0.5, "valid")
    write_csv(
        tmp_path / "pilot" / "single-spot-1" / "frames.csv",
        FRAMES.frame(
            {
                "frame": range(4000),
                "time_s": np.arange(4000) / 10_000,
                "status": "ok",
                "pool_length_mm": length,
            }
        ),
    )
    yy, xx = np.mgrid[0:256, 0:256]
    r = np.hypot(xx - 127, yy - 128)
    core, ring = (r < 15).astype(float), ((r > 40) & (r < 80)).astype(float)
    picture = core / core.sum() + ring / ring.sum()
    noisy = 2000 + 50_000 * picture / picture.max() + 500 * rng.standard_normal(picture.shape)
    cv2.imwrite(str(tmp_path / "ring-50.png"), noisy.astype(np.uint16))
    monkeypatch.chdir(tmp_path)


@pytest.mark.slow
@pytest.mark.usefixtures("bench")
@pytest.mark.parametrize(("name", "example"), EXAMPLES)
def test_the_example_runs(name: str, example: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(shlex.split(example)) == 0, capsys.readouterr().err
    assert capsys.readouterr().out.count("\n") >= 3
