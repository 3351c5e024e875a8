"""What nobody foresaw ends in one line too, and a closed or full standard output in no second error."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from poolwatch.cli import main as command_line
from poolwatch.cli.main import TRACEBACK, main
from poolwatch.simulate import Scene, write_simulation

POOLWATCH = [sys.executable, "-c", "from poolwatch.cli.main import console; console()"]


def raising(error: BaseException) -> object:
    def inspect_clip(*args: object, **more: object) -> None:
        raise error

    return inspect_clip


@pytest.mark.parametrize(
    ("error", "said"),
    [
        (ZeroDivisionError("float division"), "unexpected ZeroDivisionError: float division (in "),
        (KeyError("a\nb"), r"unexpected KeyError: 'a\nb' (in "),
        (AssertionError(), "unexpected AssertionError (in "),
        (RecursionError("maximum recursion depth exceeded"), "unexpected RecursionError: maximum"),
        (OSError(5, "Input/output error", "/data/a.npy"), "/data/a.npy: Input/output error (in "),
        (UnicodeDecodeError("utf-8", b"\xff", 0, 1, "invalid start byte"), "unexpected UnicodeDecodeError"),
        (MemoryError(), "not enough memory"),
        (KeyboardInterrupt(), "stopped by the user"),
    ],
)
def test_any_error_is_one_line(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], error: BaseException, said: str
) -> None:
    monkeypatch.setattr("poolwatch.measure.inspection.inspect_clip", raising(error))
    monkeypatch.delenv(TRACEBACK, raising=False)
    assert main(["inspect", "a.avi"]) == 1
    out, err = capsys.readouterr()
    assert out == ""
    if isinstance(error, KeyboardInterrupt):
        err = err.removeprefix("\n")  # click ends the line on which the terminal shows ^C
    assert err.startswith(f"poolwatch: {said}")
    assert err.count("\n") == 1
    if "(in " in said:
        assert TRACEBACK in err


def test_the_traceback_is_there_for_who_asks(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("poolwatch.measure.inspection.inspect_clip", raising(ZeroDivisionError("here")))
    monkeypatch.setenv(TRACEBACK, "1")
    assert main(["inspect", "a.avi"]) == 1
    err = capsys.readouterr().err
    assert err.startswith("Traceback")
    assert err.rstrip().splitlines()[-1].startswith("poolwatch: unexpected ZeroDivisionError: here (in ")


@pytest.mark.skipif(os.name != "posix", reason="/dev/full and pipes of a POSIX system")
@pytest.mark.parametrize("how", ["full", "closed"])
def test_output_that_cannot_be_written(how: str) -> None:
    if how == "full" and not Path("/dev/full").exists():
        pytest.skip("no /dev/full here")
    read, write = os.pipe()
    os.close(read)
    with open("/dev/full" if how == "full" else os.devnull, "w") as full:
        done = subprocess.run(
            [*POOLWATCH, "simulate", "--help"],
            stdout=full if how == "full" else write,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
        )
    os.close(write)
    assert done.returncode == 1
    assert "Traceback" not in done.stderr
    assert "Exception ignored" not in done.stderr
    assert done.stderr.count("\n") <= 1
    if how == "full":
        assert "No space left on device" in done.stderr


def test_a_frame_out_of_range_is_wrong_usage(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    scene = {"frames": 60, "seed": 4, "camera": {"width": 128, "height": 80, "mm_per_px": 0.04}}
    clip = write_simulation(Scene.checked(scene, where="test"), tmp_path, format="avi-ffv1")
    given = ["--record-rate", "10000", "--mm-per-px", "0.04", "--no-overlay", "--no-report"]
    assert main(["measure", str(clip), "--out", str(tmp_path / "out"), *given]) == 0
    capsys.readouterr()
    assert main(["overlay", str(tmp_path / "out" / "clip"), "--still", "60"]) == 2
    assert "frame 60: the clip has frames 0 to 59; give one of them" in capsys.readouterr().err
    assert main(["overlay", str(tmp_path / "out" / "clip"), "--still", "59"]) == 0


# What the work is done on (a recording, a measured folder) that cannot be had: 1, the work could not be done.
# What says how to do it (an option, a settings, scale, scene or score file, a manifest): 2, wrong usage.
@pytest.mark.parametrize(
    ("arguments", "code"),
    [
        (["measure", "none.avi", "--out", "o", "--record-rate", "1000"], 1),
        (["inspect", "none.avi"], 1),
        (["overlay", "none"], 1),
        (["sidebyside", "none", "neither", "--out", "o.mp4"], 1),
        (["calibrate", "travel", "none.avi", "--out", "o", "--record-rate", "9", "--travel-speed", "9"], 1),
        (["measure", "none.avi", "--out", "o", "--record-rate", "1000", "--settings", "none.toml"], 2),
        (["measure", "none.avi", "--out", "o", "--record-rate", "1000", "--scale", "none.toml"], 2),
        (["trial", "none.csv", "--out", "o"], 2),
        (["rank", "none.csv", "--out", "o"], 2),
        (["simulate", "--scene", "none.toml", "--out", "o"], 2),
        (["nosuch"], 2),
        ([], 2),
    ],
)
def test_exit_codes_of_what_is_not_there(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    arguments: list[str],
    code: int,
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(arguments) == code
    err = capsys.readouterr().err
    assert "Traceback" not in err
    assert "unexpected" not in err
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("name", sorted(command_line.COMMANDS))
def test_every_command_without_and_with_nonsense(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    for more in ([], ["--nonsense"], ["", "--out", ""], ["é" * 300]):
        if name in ("demo", "explain") and not more:
            continue  # That is the whole demo, and the list of what can be explained.
        # Without a word, `explain` lists what it can explain.
        expected = (0,) if name == "explain" and not more else (1, 2)
        assert main([name, *more]) in expected, more
        err = capsys.readouterr().err
        assert "unexpected" not in err.replace("unexpected extra argument", ""), err
        assert "Traceback" not in err
    assert not list(tmp_path.iterdir())


def test_the_line_to_measure_a_simulated_clip_can_be_pasted(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    import shlex

    out = tmp_path / "with space; and 'quote'"
    size = ["--frames", "2", "--width", "64", "--height", "48"]
    assert main(["simulate", "--out", str(out), *size]) == 0
    line = next(line for line in capsys.readouterr().out.splitlines() if line.startswith("measure it: "))
    words = shlex.split(line.removeprefix("measure it: "))
    assert words[:3] == ["poolwatch", "measure", str(out / "clip.mkv")]


def test_messages_stay_short(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    table = tmp_path / "a.csv"
    table.write_text("clip,beam_shape\n" + "a,b,c\n" * 500)
    assert main(["rank", str(table), "--out", str(tmp_path / "o")]) == 2
    err = capsys.readouterr().err
    assert "and 492 more like these" in err
    assert len(err) < 800
    table.write_text("clip,stability_index\na,50\n")
    assert main(["rank", str(table), "--out", str(tmp_path / "o")]) == 2
    assert "no column 'beam_shape' among clip, stability_index; give score rows" in capsys.readouterr().err
    settings = tmp_path / "s.toml"
    settings.write_text("".join(f"a{n} = 1\n" for n in range(40)))
    given = ["--record-rate", "1000", "--settings", str(settings)]
    assert main(["measure", "a.avi", "--out", str(tmp_path / "o"), *given]) == 2
    err = capsys.readouterr().err
    assert err.count("configs/") == 1
    assert "and 32 more" in err
    assert main(["inspect", str(settings)]) == 1
    assert len(capsys.readouterr().err) < 400


@pytest.mark.often("cp1252")
@pytest.mark.parametrize("encoding", ["cp1252", "cp437"])
def test_a_terminal_of_few_letters_gets_the_nearest_ones(encoding: str, tmp_path: Path) -> None:
    command = "from poolwatch.cli.main import console; console()"
    done = subprocess.run(
        [sys.executable, "-c", command, "inspect", "größe µ ± 漢.avi", "--record-rate", "1000"],
        env={**os.environ, "PYTHONIOENCODING": encoding, "PYTHONUTF8": "1"},
        cwd=tmp_path,
        capture_output=True,
        check=False,
    )
    said = done.stderr.decode(encoding)
    assert done.returncode == 1
    assert said.count("\n") == 1
    assert "unexpected" not in said
    assert "größe" in said
    assert "?.avi" in said
