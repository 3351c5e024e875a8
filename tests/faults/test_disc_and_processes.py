"""Full discs, files that change while they are read, killed runs, two runs at once, clocks that go wrong."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

import poolwatch
from poolwatch.cli.main import main
from poolwatch.clips import open_clip
from poolwatch.footage import FORMATS, write_frames
from poolwatch.measure import Measurement, read_measurement, write_measurement
from poolwatch.model.errors import ClipError, OutputError
from poolwatch.simulate import Scene, write_simulation

ROOT = Path(__file__).resolve().parents[2]
SCENE = {"frames": 90, "seed": 77, "camera": {"width": 128, "height": 80, "mm_per_px": 0.04}}
GIVEN = ["--record-rate", "10000", "--mm-per-px", "0.04"]
POOLWATCH = [sys.executable, "-c", "from poolwatch.cli.main import console; console()"]


@pytest.fixture(scope="module")
def clip(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_simulation(
        Scene.checked(SCENE, where="test"), tmp_path_factory.mktemp("clip"), format="avi-ffv1"
    )


@pytest.fixture(scope="module")
def measured(clip: Path) -> Measurement:
    return poolwatch.measure_clip(clip, record_rate_hz=10_000, mm_per_px=0.04)


@pytest.fixture(scope="module")
def whole(measured: Measurement, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_measurement(measured, tmp_path_factory.mktemp("whole") / "clip")


def same_tables(folder: Path, whole: Path) -> None:
    for file in [*whole.glob("*.csv"), whole / "outlines.bin"]:
        assert (folder / file.name).read_bytes() == file.read_bytes(), file.name


def looks_unfinished(folder: Path) -> None:
    """Nothing half-written looks whole: no run.json, nothing left beside, and every table there is whole."""
    assert not (folder / "run.json").exists()
    assert not list(folder.glob(".*partial*"))
    with pytest.raises(OutputError, match=r"no finished measurement here"):
        read_measurement(folder)


class TestFullDisc:
    """Every file of a measurement is the one that finds no room."""

    def test_a_file_that_cannot_grow(self, measured: Measurement, whole: Path, tmp_path: Path) -> None:
        resource = pytest.importorskip("resource")
        sizes = {file.name: file.stat().st_size for file in whole.iterdir()}
        soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
        tried = 0
        for name, size in sorted(sizes.items(), key=lambda item: item[1]):
            if size < 2:
                continue
            folder = tmp_path / f"out{tried}"
            resource.setrlimit(resource.RLIMIT_FSIZE, (size - 1, hard))
            try:
                with pytest.raises(OutputError, match=r"cannot be written \(.*; free some space"):
                    write_measurement(measured, folder)
            finally:
                resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
            looks_unfinished(folder)
            for file in folder.iterdir():  # what was finished before is whole
                assert file.stat().st_size == sizes[file.name] or file.name == "overlay.mp4", (name, file)
            tried += 1
            measured.write(folder)
            same_tables(folder, whole)
        assert tried >= 7

    @pytest.fixture
    def small_disc(self, tmp_path: Path) -> Iterator[Path]:
        place = tmp_path / "disc"
        place.mkdir()
        done = subprocess.run(
            ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(place)], capture_output=True, check=False
        ) if shutil.which("mount") else None  # fmt: skip
        if done is None or done.returncode:
            pytest.skip("a small disc can be mounted by the superuser of a Linux system only")
        yield place
        subprocess.run(["umount", "-l", str(place)], check=False)

    def test_no_space_left(
        self,
        clip: Path,
        measured: Measurement,
        whole: Path,
        small_disc: Path,
        capsys: pytest.CaptureFixture[str],
    ) -> None:
        """The disc fills up at more and more places of what is written, down to none."""
        need = sum(file.stat().st_size for file in whole.iterdir() if file.name != "overlay.mp4")
        page = 4096
        tried = 0
        for share in (0.0, 0.1, 0.25, 0.4, 0.55, 0.7, 0.85, 0.97):
            ballast = small_disc / "ballast"
            free = shutil.disk_usage(small_disc).free
            ballast.write_bytes(bytes(max(free - int(need * share) // page * page, 0)))
            folder = small_disc / "clip"
            said = ""
            try:
                measured.write(folder)
            except OutputError as error:
                said = str(error)
            if said:
                assert "No space left on device" in said
                looks_unfinished(folder)
                tried += 1
            ballast.unlink()
            shutil.rmtree(folder, ignore_errors=True)
        assert tried >= 5
        (small_disc / "ballast").write_bytes(bytes(shutil.disk_usage(small_disc).free))
        capsys.readouterr()
        assert main(["measure", str(clip), "--out", str(small_disc), *GIVEN, "--no-overlay"]) == 1
        err = capsys.readouterr().err
        assert "No space left on device" in err
        assert err.count("\n") == 1

    def test_a_disc_that_may_not_be_written(
        self, clip: Path, small_disc: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        subprocess.run(["mount", "-o", "remount,ro", str(small_disc)], check=True)
        begin = time.perf_counter()
        assert main(["measure", str(clip), "--out", str(small_disc / "a"), *GIVEN]) == 1
        assert time.perf_counter() - begin < 2  # before the clip is measured
        err = capsys.readouterr().err
        assert err.count("\n") == 1
        assert str(small_disc) in err


FORMATS_READ = [
    "npy",
    "raw",
    "tiff",
    "tiff-lzw",
    "hdf5",
    "hdf5-gzip",
    "avi-raw",
    "mkv-ffv1",
    "mp4-h264",
    "png-folder",
]
CHANGING = """
import os, sys, shutil
from pathlib import Path
import numpy as np
from poolwatch.clips import open_clip
from poolwatch.model.errors import ClipError
def read(path, how, out):
    with open_clip(path) as clip:
        blocks = clip.blocks(size=4)
        got = [next(blocks)]
        if how == "cut":
            os.truncate(path, path.stat().st_size // 2)
        elif how == "gone":
            shutil.rmtree(path) if path.is_dir() else path.unlink()
        else:
            with path.open("ab") as file:
                file.write(bytes(100_000))
        got += list(blocks)
        decoded = np.concatenate([b.decoded for b in got])
        frames = np.concatenate([b.frames for b in got])
        assert not frames[~decoded].any()
        assert set(clip.findings().undecodable) == set(np.flatnonzero(~decoded).tolist())
        np.save(out, np.concatenate([frames.reshape(len(frames), -1), decoded[:, None]], axis=1))
how = sys.argv[1]
for path in map(Path, sys.argv[2:]):
    print(path.stem, flush=True)  # the last one, should the process die
    try:
        read(path, how, path.with_name(f"{path.stem}.got.npy"))
    except ClipError as error:
        print("refused", error)
"""


@pytest.mark.often("cut", "gone")
@pytest.mark.parametrize("how", ["cut", "gone", "grows"])
def test_a_recording_that_changes_while_it_is_read(how: str, tmp_path: Path) -> None:
    """Never a dead process, never a frame that is not the recording's."""
    frames = np.random.default_rng(4).integers(0, 255, (160, 48, 64)).astype(np.uint8)
    true, paths = {}, []
    for name in FORMATS_READ:
        if name == "png-folder" and how != "gone":
            continue
        path = write_frames(tmp_path / f"{name}{FORMATS[name].ending}", frames, format=name, depth_bits=8)
        with open_clip(path) as reader:
            true[name] = np.concatenate([block.frames for block in reader.blocks()])
        paths.append(str(path))
    done = subprocess.run(
        [sys.executable, "-c", CHANGING, how, *paths],
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )
    assert done.returncode == 0, (done.stdout, done.stderr)
    damaged = 0
    for name, frames in true.items():
        if not (tmp_path / f"{name}.got.npy").exists():
            assert f"{name}\nrefused" in done.stdout
            continue
        got = np.load(tmp_path / f"{name}.got.npy")
        decoded = got[:, -1] == 1
        np.testing.assert_array_equal(
            got[decoded, :-1], frames.reshape(len(frames), -1)[decoded], err_msg=name
        )
        damaged += not decoded.all()
        assert how == "cut" or name == "png-folder" or decoded.all(), name
    assert damaged >= (4 if how == "cut" else 1 if how == "gone" else 0)


@pytest.mark.long
def test_measure_killed_at_random_moments(clip: Path, whole: Path, tmp_path: Path) -> None:
    rng = np.random.default_rng(9)
    command = [*POOLWATCH, "measure", str(clip), "--out", str(tmp_path), *GIVEN]
    begin = time.perf_counter()
    subprocess.run(command, check=True, capture_output=True)
    usual = time.perf_counter() - begin
    folder = tmp_path / clip.stem
    kills = 0
    for share in rng.uniform(0.35, 1.0, 12):
        if kills == 4:
            break
        begin = time.perf_counter()
        process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        try:
            process.wait(timeout=usual * share)
            # The first one may have been slowed by other work.
            usual = min(usual, time.perf_counter() - begin)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
            kills += 1
        if (folder / "run.json").exists():
            read_measurement(folder)
            same_tables(folder, whole)
    assert kills >= 2
    assert main(command[3:]) == 0
    same_tables(folder, whole)
    read_measurement(folder)
    assert not list(folder.glob(".*partial*"))


@pytest.mark.long
def test_two_runs_into_one_folder(clip: Path, whole: Path, tmp_path: Path) -> None:
    command = [*POOLWATCH, "measure", str(clip), "--out", str(tmp_path), *GIVEN, "--no-report"]
    both = [
        subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True) for _ in "ab"
    ]
    errors = [process.communicate(timeout=120)[1] for process in both]
    assert any(process.returncode == 0 for process in both), errors
    for process, error in zip(both, errors, strict=True):
        assert process.returncode in (0, 1)
        assert "Traceback" not in error
        assert "unexpected" not in error
    same_tables(tmp_path / clip.stem, whole)
    read_measurement(tmp_path / clip.stem)
    assert not list((tmp_path / clip.stem).glob(".*partial*"))


@pytest.mark.long
def test_clocks_that_went_wrong_change_nothing(
    clip: Path, measured: Measurement, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for stamp in (0, 4_102_444_800):  # 1970, 2100
        copy = tmp_path / f"{stamp}.avi"
        shutil.copy(clip, copy)
        os.utime(copy, (stamp, stamp))
        assert poolwatch.clips.fingerprint(copy) == poolwatch.clips.fingerprint(clip)
    ticks = iter(range(10**6, 0, -1))
    monkeypatch.setattr(time, "time", lambda: float(next(ticks)))
    monkeypatch.setattr(time, "perf_counter", lambda: float(next(ticks)))
    again = poolwatch.measure_clip(clip, record_rate_hz=10_000, mm_per_px=0.04)
    assert again.frames.equals(measured.frames)
    assert again.score.equals(measured.score)


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="the superuser may write everything")
def test_a_folder_that_may_not_be_written(measured: Measurement, tmp_path: Path) -> None:
    tmp_path.chmod(0o500)
    with pytest.raises(OutputError, match=r"ermission"):
        measured.write(tmp_path / "clip")


def test_a_recording_that_is_not_there_any_more(clip: Path, tmp_path: Path) -> None:
    copy = tmp_path / "a.avi"
    shutil.copy(clip, copy)
    with open_clip(copy) as reader:
        copy.unlink()
        with pytest.raises(ClipError, match=r"cannot be read any more .*not moved"):
            reader.frames([80])
