"""The commands as a newcomer runs them: files, exit codes, one clear line and never a traceback."""

from __future__ import annotations

import json
import re

import numpy as np
import pytest

from poolwatch.cli.main import main
from poolwatch.clips import open_clip
from poolwatch.simulate import Scene, write_simulation

pytestmark = pytest.mark.slow

GOOD = ["--record-rate", "10000", "--mm-per-px", "0.03"]
CONTRACT = {"frames.csv", "spatter.csv", "spectra.csv", "score.csv", "overlay.mp4", "run.json"}


@pytest.fixture(scope="module")
def clip(tmp_path_factory):
    scene = {"frames": 240, "seed": 31, "camera": {"width": 160, "height": 96, "mm_per_px": 0.03}}
    return write_simulation(
        Scene.checked(scene, where="test"), tmp_path_factory.mktemp("c"), format="avi-ffv1"
    )


def fails(capsys, arguments, *, code):
    assert main([str(a) for a in arguments]) == code
    out, err = capsys.readouterr()
    assert "Traceback" not in out + err
    return err.strip()


def test_measure_writes_the_contract(clip, tmp_path, capsys):
    assert main(["measure", str(clip), "--out", str(tmp_path), *GOOD]) == 0
    out, err = capsys.readouterr()
    folder = tmp_path / clip.stem
    assert {p.name for p in folder.iterdir()} >= CONTRACT
    assert "stability index" in out
    assert "no proof of a sound weld" in out
    assert str(folder) in err
    run = json.loads((folder / "run.json").read_text(encoding="utf-8"))
    assert run["recording"]["record_rate_hz"] == 10000
    assert set(run["flags"]) >= {"no_travel_speed", "no_exposure", "no_material"}


@pytest.mark.long
def test_amounts_may_carry_units(clip, tmp_path):
    plain = ["--record-rate", "10000", "--mm-per-px", "0.02", "--exposure", "2e-5", "--travel-speed", "100"]
    units = [
        "--record-rate",
        "10kHz",
        "--mm-per-px",
        "20um",
        "--exposure",
        "20us",
        "--travel-speed",
        "6 m/min",
    ]
    rows = []
    for name, facts in (("plain", plain), ("units", units)):
        arguments = [str(clip), "--out", str(tmp_path / name), "--no-overlay", "--no-report", *facts]
        assert main(["measure", *arguments]) == 0
        rows.append((tmp_path / name / clip.stem / "score.csv").read_bytes())
    assert rows[0] == rows[1]


def test_simulated_footage_takes_units_too(tmp_path):
    same = ["--frames", "3", "--width", "90", "--height", "80", "--seed", "5", "--format", "npy"]
    plain = [
        "--record-rate",
        "8000",
        "--mm-per-px",
        "0.025",
        "--exposure",
        "0.00003",
        "--travel-speed",
        "100",
    ]
    units = ["--record-rate", "8kHz", "--mm-per-px", "25um", "--exposure", "30us", "--travel-speed", "6m/min"]
    for name, facts in (("plain", plain), ("units", units)):
        assert main(["simulate", "--out", str(tmp_path / name), *same, *facts]) == 0
    one, other = ((tmp_path / name / "truth.json").read_bytes() for name in ("plain", "units"))
    assert one == other
    assert main(["simulate", "--out", str(tmp_path / "x"), *same, "--exposure", "0"]) == 0
    assert main(["simulate", "--out", str(tmp_path / "y"), *same, "--record-rate", "0"]) == 2
    assert main(["simulate", "--out", str(tmp_path / "y"), *same, "--record-rate", "8kg"]) == 2


def test_overlay_again_and_a_still(clip, tmp_path, capsys):
    assert main(["measure", str(clip), "--out", str(tmp_path), "--no-overlay", *GOOD]) == 0
    folder = tmp_path / clip.stem
    assert not (folder / "overlay.mp4").exists()
    assert main(["overlay", str(folder), "--max-seconds", "2"]) == 0
    assert (folder / "overlay.mp4").stat().st_size > 1000
    # Taken for a recording by mistake, under whatever name.
    renamed = (folder / "overlay.mp4").rename(tmp_path / "weld7.mp4")
    err = fails(capsys, ["measure", renamed, "--out", tmp_path / "o", *GOOD], code=1)
    assert "a video that poolwatch drew; give the recording itself" in err
    assert main(["overlay", str(folder), "--still", "9"]) == 0
    assert (folder / "frame_9.png").stat().st_size > 1000


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ([], "record rate is missing"),
        (["--record-rate", "0"], "--record-rate: '0' must be"),
        (["--record-rate", "-5"], "--record-rate: '-5' must be"),
        (["--record-rate", "nan"], "--record-rate: 'nan' is no amount"),
        (["--record-rate", "inf"], "--record-rate"),
        (["--record-rate", "quick"], "'quick' is no amount in Hz"),
        (["--record-rate", "10000", "--mm-per-px", "0"], "--mm-per-px"),
        (["--record-rate", "10000", "--mm-per-px", "nan"], "--mm-per-px"),
        (["--record-rate", "10000", "--mm-per-px", "20"], "a pixel of 20 µm is 0.02"),
        (["--record-rate", "10kHz", "--mm-per-px", "0,02"], "a decimal point, not a comma"),
        (
            ["--record-rate", "10kHz", "--mm-per-px", "20um", "--exposure", "20"],
            "longer than the time between frames",
        ),
        (["--record-rate", "10000", "--material", "cheese"], "unknown material"),
        (["--record-rate", "10000", "--mm-per-px", "0.1", "--scale", "s.toml"], "not both"),
    ],
)
def test_wrong_usage_is_one_line_and_exit_2(clip, tmp_path, capsys, arguments, said):
    err = fails(capsys, ["measure", clip, "--out", tmp_path, *arguments], code=2)
    assert said in err
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("option", ["--settings", "--scale"])
def test_a_file_of_settings_or_scale_that_is_not_there_is_wrong_usage(clip, tmp_path, capsys, option):
    out = tmp_path / "out"
    err = fails(
        capsys, ["measure", clip, "--out", out, "--record-rate", "10000", option, "none.toml"], code=2
    )
    assert "none.toml: no such file" in err


def test_unknown_settings_are_named(clip, tmp_path, capsys):
    path = tmp_path / "s.toml"
    path.write_text("[pool]\nvertexes = 3\n", encoding="utf-8")
    err = fails(capsys, ["measure", clip, "--out", tmp_path / "o", *GOOD, "--settings", path], code=2)
    assert "unknown setting 'pool.vertexes'" in err
    assert err.count("\n") == 0


def pictures(kind, shape=(40, 96, 128)):
    rng = np.random.default_rng(4)
    if kind == "black":
        return np.zeros(shape, np.uint8)
    if kind == "white":
        return np.full(shape, 255, np.uint8)
    return rng.integers(0, 256, shape, dtype=np.uint8)


def test_a_clip_of_a_few_frames_is_told_to_be_longer(clip, tmp_path, capsys):
    with open_clip(clip) as reader:
        np.save(tmp_path / "short.npy", reader.frames(range(12)))
    err = fails(capsys, ["measure", tmp_path / "short.npy", "--out", tmp_path / "o", *GOOD], code=1)
    assert "only 12 of 12 frames could be measured; statistics need 30: record more" in err


def test_a_cut_file_is_named_as_the_cause(clip, tmp_path, capsys):
    """Pages whose directories lie at the end, and an array: what is left of either is far too little."""
    import tifffile

    with open_clip(clip) as reader:
        frames = reader.frames(range(60))
    tifffile.imwrite(tmp_path / "cut.tif", frames, photometric="minisblack", metadata=None)
    np.save(tmp_path / "cut.npy", frames)
    said = {
        "cut.tif": "only 1 of 1 frames .* holds no more than 1 frame that can be found",
        "cut.npy": "only 5 of 5 frames .* holds 5 frames of 60",
    }
    for name, words in said.items():
        path = tmp_path / name
        whole = path.read_bytes()
        path.write_bytes(whole[: len(whole) // 11])
        err = fails(capsys, ["measure", path, "--out", tmp_path / "o", *GOOD], code=1)
        assert re.search(words, err)
        assert "copy the file again from the camera: it is cut short" in err
        assert err.count("\n") == 0


@pytest.mark.parametrize("kind", ["black", "white", "noise"])
def test_no_pool_is_said_and_nothing_is_written(tmp_path, capsys, kind):
    np.save(tmp_path / "clip.npy", pictures(kind))
    err = fails(capsys, ["measure", tmp_path / "clip.npy", "--out", tmp_path / "o", *GOOD], code=1)
    assert f"{tmp_path / 'clip.npy'}: no pool found" in err
    assert err.count("\n") == 0
    assert not (tmp_path / "o").exists()


@pytest.mark.parametrize(
    ("name", "content"),
    [("missing.mkv", None), ("empty.mp4", b""), ("text.mkv", b"this is no video\n" * 50), ("cut.avi", "cut")],
)
def test_unreadable_clips(clip, tmp_path, capsys, name, content):
    path = tmp_path / name
    if content == "cut":
        path.write_bytes(clip.read_bytes()[:600])
    elif content is not None:
        path.write_bytes(content)
    err = fails(capsys, ["measure", path, "--out", tmp_path / "o", *GOOD], code=1)
    assert name in err
    assert err.count("\n") == 0


def test_one_frame_is_too_few(tmp_path, capsys):
    from poolwatch.simulate import Simulation

    frame = Simulation(
        Scene.checked({"frames": 1, "camera": {"width": 160, "height": 96, "mm_per_px": 0.03}}, where="t")
    ).frames(0, 1)
    np.save(tmp_path / "one.npy", frame)
    err = fails(capsys, ["measure", tmp_path / "one.npy", "--out", tmp_path / "o", *GOOD], code=1)
    assert "only 1 of 1 frames" in err
    assert "need 30" in err


@pytest.mark.long
def test_truncated_clip_is_measured_as_far_as_it_goes(clip, tmp_path, capsys):
    path = tmp_path / "cut.avi"
    data = clip.read_bytes()
    path.write_bytes(data[: int(0.6 * len(data))])
    assert main(["measure", str(path), "--out", str(tmp_path / "o"), "--no-overlay", *GOOD]) == 0
    assert "truncated" in capsys.readouterr().out


def test_unwritable_folder(clip, tmp_path, capsys):
    (tmp_path / "file").write_text("in the way", encoding="utf-8")
    err = fails(capsys, ["measure", clip, "--out", tmp_path / "file", "--no-overlay", *GOOD], code=1)
    assert "cannot be" in err


def test_stopped_by_hand(clip, tmp_path, capsys, monkeypatch):
    def stop(*args, **kwargs):
        raise KeyboardInterrupt

    monkeypatch.setattr("poolwatch.measure.piece.measure_frames", stop)
    err = fails(capsys, ["measure", clip, "--out", tmp_path / "o", *GOOD], code=1)
    assert "stopped by the user" in err
    assert not (tmp_path / "o").exists()


def test_overlay_of_no_measurement(tmp_path, capsys):
    assert "no finished measurement" in fails(capsys, ["overlay", tmp_path], code=1)


def test_inspect_says_what_to_change(clip, capsys):
    assert main(["inspect", str(clip), *GOOD, "--exposure", "4e-5"]) == 0
    out = capsys.readouterr().out
    for word in (
        "pixels across the pool",
        "focus",
        "frequencies",
        "repeated frames",
        "smallest particle",
        "motion blur",
    ):
        assert word in out, word


def test_inspect_as_json(clip, capsys):
    assert main(["inspect", str(clip), "--quick", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert {f["name"] for f in found["findings"]} >= {"file", "picture", "depth", "frames", "pool"}


def test_help_needs_no_heavy_import():
    import subprocess
    import sys

    code = "import sys; from poolwatch.cli.main import main; main(['--help']); print([m for m in ('numpy','pandas','scipy','numba','cv2','av','matplotlib','pydantic') if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip().endswith("[]"), done.stdout[-200:]


def test_no_arguments_and_unknown_command(capsys):
    assert main([]) == 2
    assert main(["melt"]) == 2
    assert "No such command" in capsys.readouterr().err
