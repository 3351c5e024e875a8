"""Clips on disk, their truth, the demo scenario and the command."""

from __future__ import annotations

import csv
import json
import runpy
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import tifffile

from poolwatch.cli.main import main
from poolwatch.model.data import data_folder
from poolwatch.model.errors import UsageError
from poolwatch.model.settings import read_toml
from poolwatch.simulate import SHAPES, Scene, Simulation, shape_scene, write_simulation

SMALL = {"width": 96, "height": 64, "mm_per_px": 0.05, "depth_bits": 12}


def pages(path: Path) -> np.ndarray:
    with tifffile.TiffFile(path) as file:
        return np.stack([page.asarray() for page in file.pages])


def test_a_clip_and_its_truth_come_back(tmp_path: Path) -> None:
    scene = shape_scene("single-spot", frames=40, camera=SMALL)
    seen: list[int] = []
    clip = write_simulation(scene, tmp_path, format="tiff", name="one", progress=seen.append)
    assert clip == tmp_path / "one.tif"
    assert seen == [32, 40]
    sim = Simulation(scene)
    np.testing.assert_array_equal(pages(clip), sim.frames(0, 40))
    for name in ("truth_frames", "truth_spatter", "truth_sightings"):
        back = pd.read_csv(tmp_path / f"one_{name}.csv")
        expected = getattr(sim, name)
        assert list(back.columns) == list(expected.columns)
        assert len(back) == len(expected)
    back = pd.read_csv(tmp_path / "one_truth_frames.csv")
    np.testing.assert_allclose(back.length_px, sim.truth_frames.length_px, rtol=1e-7)


def test_left_aligned_values_come_back(tmp_path: Path) -> None:
    scene = Scene.checked({"frames": 2, "camera": {**SMALL, "left_aligned": True}}, where="test")
    clip = write_simulation(scene, tmp_path, format="tiff")
    page = pages(clip)[0]
    np.testing.assert_array_equal(page, Simulation(scene).frames(0, 1)[0])
    assert page.max() > 4095


def test_the_scene_file_renders_the_same_clip(tmp_path: Path) -> None:
    parts = {
        "frames": 3,
        "camera": SMALL,
        "keyhole": {"spots_mm": []},
        "welds": [{"start_s": -1, "stop_s": 1}],
        "disturbances": {"plume": {}, "black_frames": [1]},
    }
    scene = Scene.checked(parts, where="test")
    write_simulation(scene, tmp_path, format="npy")
    assert Scene.checked(read_toml(tmp_path / "scene.toml"), where="scene.toml") == scene


@pytest.mark.parametrize("shape", SHAPES)
def test_every_demo_shape_comes_back_from_its_scene_file(shape: str, tmp_path: Path) -> None:
    from poolwatch.simulate.write import scene_toml

    scene = shape_scene(shape)
    (tmp_path / "scene.toml").write_text(scene_toml(scene), encoding="utf-8")
    assert Scene.checked(read_toml(tmp_path / "scene.toml"), where="scene.toml") == scene


@pytest.mark.long
@pytest.mark.slow
def test_expected_figures_are_those_of_a_long_clip(tmp_path: Path) -> None:
    motion = {"tones": [{"frequency_hz": 300, "amplitude": 0.03}], "noise_sd": 0.02, "noise_time_s": 3e-4}
    other = {
        "tones": [{"frequency_hz": 300, "amplitude": 0.02, "phase_deg": 40}],
        "noise_sd": 0.01,
        "noise_time_s": 3e-4,
    }
    scene = Scene.checked(
        {
            "frames": 20_000,
            "camera": SMALL,
            "pool": {"length": motion, "width": other},
            "keyhole": {"motion": other},
        },
        where="test",
    )  # fmt: skip
    from poolwatch.simulate.write import truth

    figures = truth(Simulation(scene), "clip")["quantities"]
    # 2 s of noise with 0.3 ms of memory: about 3300 independent values, the sd known to 1.3 %.
    for name, both in figures.items():
        assert both["in_clip"]["mean"] == pytest.approx(both["expected"]["mean"], rel=3e-3), name
        assert both["in_clip"]["fluctuation"] == pytest.approx(both["expected"]["fluctuation"], rel=0.04), (
            name
        )


@pytest.mark.long
@pytest.mark.slow
def test_unsteadiness_of_the_demo_shapes_falls_in_clear_steps() -> None:
    figures = []
    for shape in SHAPES:
        sim = Simulation(shape_scene(shape, frames=4000, camera=SMALL))
        truth = sim.truth_frames
        figures.append(
            [
                truth[c].std() / truth[c].mean()
                for c in ("length_px", "width_px", "area_px2", "keyhole_brightness")
            ]
            + [len(sim._flying), sim.scene.pool.ripple]
        )
    for calmer, wilder in zip(figures[1:], figures, strict=False):
        assert (np.array(wilder) > 1.2 * np.array(calmer)).all()


def test_an_unknown_shape_is_refused() -> None:
    with pytest.raises(UsageError, match="unknown demo shape 'round'; known: single-spot"):
        shape_scene("round")


class TestDemoClips:
    def test_the_manifest_fits_the_clips(self) -> None:
        folder = data_folder("demo_clips")
        rows = list(csv.DictReader((folder / "manifest.csv").read_text(encoding="utf-8").splitlines()))
        assert [row["beam_shape"] for row in rows] == list(SHAPES)
        size = 0
        for row in rows:
            size += (folder / row["clip"]).stat().st_size
            truth = json.loads(
                (folder / "truth" / Path(row["clip"]).stem / "truth.json").read_text(encoding="utf-8")
            )
            assert truth["what"].startswith("simulated")
            for name, value in truth["recording"].items():
                assert float(row[name]) == value
            assert row["material"] == "austenitic-stainless"
        assert size < 12e6

    def test_the_script_renders_the_committed_frames_again(self) -> None:
        folder = data_folder("demo_clips")
        if not (folder / "make_demo_clips.py").exists():
            pytest.skip("the script is not in this installation")
        sys.dont_write_bytecode, kept = True, sys.dont_write_bytecode
        script = runpy.run_path(str(folder / "make_demo_clips.py"), run_name="script")
        sys.dont_write_bytecode = kept
        clip = script["CLIPS"][3]
        again = Simulation(script["scene"](clip)).frames(300, 312).astype(int)
        stored = pages(folder / "crescent-1.tif")
        assert len(stored) == clip.frames
        stored = stored[300:312].astype(int)
        # Another machine's exponential may round the last digit another way.
        assert np.abs(again - stored).max() <= 1
        assert (again != stored).mean() < 1e-4

    def test_the_stored_scenes_are_those_of_the_script(self) -> None:
        folder = data_folder("demo_clips")
        if not (folder / "make_demo_clips.py").exists():
            pytest.skip("the script is not in this installation")
        script = runpy.run_path(str(folder / "make_demo_clips.py"), run_name="script")
        for clip in script["CLIPS"]:
            stored = read_toml(folder / "truth" / f"{clip.shape}-1" / "scene.toml")
            assert Scene.checked(stored, where="scene.toml") == script["scene"](clip)


class TestCommand:
    def test_offers_the_shapes_there_are(self) -> None:
        # The command keeps its own list, so that --help stays quick.
        from poolwatch.cli.simulate import SHAPES as OFFERED

        assert OFFERED == SHAPES

    def test_writes_what_it_says(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        out = tmp_path / "sim"
        arguments = "--beam-shape crescent --frames 4 --seed 7 --width 96 --height 64 --bits 10 --travel-direction 90 --spatter-rate 2000"
        code = main(
            ["simulate", "--out", str(out), *arguments.split(), "--mm-per-px", "0.05", "--record-rate", "5000", "--format", "tiff", "--name", "a"]
        )  # fmt: skip
        assert code == 0
        printed = capsys.readouterr()
        assert "4 simulated frames, 96 x 64, 10 bits" in printed.out
        assert "--record-rate 5000 --mm-per-px 0.05 --travel-direction 90" in printed.out
        assert printed.err == ""
        assert {p.name for p in out.iterdir()} == {
            "a.tif", "a_truth_frames.csv", "a_truth_spatter.csv", "a_truth_sightings.csv", "a_truth.json", "a_scene.toml",
        }  # fmt: skip
        scene = Scene.checked(read_toml(out / "a_scene.toml"), where="scene.toml")
        assert (scene.seed, scene.camera.depth_bits, scene.spatter.rate_per_s) == (7, 10, 2000)
        again = tmp_path / "again"
        assert (
            main(["simulate", "--out", str(again), "--scene", str(out / "a_scene.toml"), "--format", "tiff"])
            == 0
        )
        assert (again / "clip.tif").read_bytes() == (out / "a.tif").read_bytes()

    def test_clips_of_one_folder_keep_their_truth(self, tmp_path: Path) -> None:
        small = ["--out", str(tmp_path), "--width", "96", "--height", "64", "--format", "npy"]
        for name, frames in (("a", "2"), ("b", "3"), ("clip", "4")):
            assert main(["simulate", *small, "--frames", frames, "--name", name]) == 0
        for start, frames in (("a_", 2), ("b_", 3), ("", 4)):
            assert len(pd.read_csv(tmp_path / f"{start}truth_frames.csv")) == frames
            truth = json.loads((tmp_path / f"{start}truth.json").read_text(encoding="utf-8"))
            assert truth["clip"] == f"{start.rstrip('_') or 'clip'}.npy"

    def test_illuminated_and_standing(self, tmp_path: Path) -> None:
        arguments = (
            "--illuminated --fixed-camera --frames 2 --width 96 --height 64 --travel-speed 50 --format npy"
        )
        assert main(["simulate", "--out", str(tmp_path), *arguments.split()]) == 0
        scene = Scene.checked(read_toml(tmp_path / "scene.toml"), where="scene.toml")
        assert (scene.kind, scene.camera.standing, scene.travel_speed_mm_s) == ("illuminated", True, 50)
        assert np.load(tmp_path / "clip.npy").shape == (2, 64, 96)

    def test_a_scene_that_is_not_there_is_wrong_usage(
        self, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        assert main(["simulate", "--out", str(tmp_path / "o"), "--scene", "missing.toml"]) == 2
        assert "missing.toml: no such file" in capsys.readouterr().err

    @pytest.mark.parametrize(
        ("arguments", "message"),
        [
            (["--frames", "0"], "'frames': input should be greater than or equal to 1"),
            (["--bits", "20"], "depth_bits"),
            (["--scene", "a.toml", "--beam-shape", "crescent"], "exclude each other"),
            (["--format", "papyrus"], "no footage format"),
            (["--name", "../x"], "plain file name"),
            (["--record-rate", "nan"], "rate_hz"),
        ],
    )
    def test_bad_input_is_one_line_and_code_2(
        self, arguments: list[str], message: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        assert main(["simulate", "--out", str(tmp_path / "o"), *arguments]) == 2
        error = capsys.readouterr().err
        assert message in error
        assert error.count("\n") == 1
        assert not (tmp_path / "o").exists()
