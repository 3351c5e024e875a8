"""A trial of real clips, killed: the run itself at random moments, and the processes that measure for it.

The run is killed three times; ``POOLWATCH_KILLS=20`` makes them twenty. `tests/trial/test_batch.py` kills runs and processes that
measure invented clips.
"""

from __future__ import annotations

import csv
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from poolwatch.simulate import Scene, write_simulation

pytestmark = [
    pytest.mark.long,
    pytest.mark.skipif(os.name != "posix", reason="ends processes by the signals of a POSIX system"),
]

KILLS = int(os.environ.get("POOLWATCH_KILLS", "3"))
POOLWATCH = [sys.executable, "-c", "from poolwatch.cli.main import console; console()"]
TABLES = ("scores.csv", "ranking.csv", "pairs.csv", "excluded.csv")


@pytest.fixture(scope="module")
def manifest(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("trial")
    lines = ["clip,beam_shape,replicate,record_rate_hz,mm_per_px,travel_speed_mm_s,exposure_s,material"]
    for shape, u in (("crescent", 0.6), ("flat-top", 1.3)):
        for weld in (1, 2):
            scene = {
                "frames": 300, "seed": 10 * weld + len(shape),
                "camera": {"width": 160, "height": 96, "mm_per_px": 0.04, "exposure_s": 2e-5},
                "pool": {"length": {"noise_sd": 0.03 * u}, "width": {"noise_sd": 0.02 * u}},
                "keyhole": {"brightness": 0.6, "motion": {"noise_sd": 0.03 * u}},
                "spatter": {"rate_per_s": 300 * u, "diameter_mm": 0.16},
            }  # fmt: skip
            name = f"{shape}-{weld}"
            clip = write_simulation(
                Scene.checked(scene, where="test"),
                place,
                name=name,
                truth_dir=place / "truth" / name,
                format="avi-ffv1",
            )
            lines.append(f"{clip.name},{shape},{weld},10000,0.04,100,2e-5,austenitic-stainless")
    path = place / "manifest.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def command(manifest: Path, out: Path) -> list[str]:
    return [*POOLWATCH, "trial", str(manifest), "--out", str(out), "--workers", "2", "--no-report"]


def start(manifest: Path, out: Path) -> subprocess.Popen[str]:
    return subprocess.Popen(
        command(manifest, out), stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True
    )


@pytest.fixture(scope="module")
def whole(manifest: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, float]:
    """The trial that nobody disturbed, and the seconds it took."""
    out = tmp_path_factory.mktemp("whole") / "out"
    begin = time.perf_counter()
    process = start(manifest, out)
    assert process.communicate(timeout=180)[1].startswith("4 clips measured")
    return out, time.perf_counter() - begin


def same(out: Path, whole: Path) -> None:
    for name in TABLES:
        assert (out / name).read_bytes() == (whole / name).read_bytes(), name
    for path in whole.glob("*/*.csv"):
        other = out / path.relative_to(whole)
        assert other.read_bytes() == path.read_bytes(), path
    assert not list(out.rglob("*.partial*"))


def finished(out: Path) -> set[str]:
    return {path.parent.name for path in out.glob("*/.finished.json")}


def test_killed_at_random_moments_then_again(
    manifest: Path, whole: tuple[Path, float], tmp_path: Path
) -> None:
    """What was finished is not measured again, and the end is the same to the last digit."""
    rng = np.random.default_rng(33)
    undisturbed, seconds = whole
    out = tmp_path / "out"
    kills = 0
    for attempt in range(3 * KILLS):
        before = {name: (out / name / "score.csv").stat().st_mtime_ns for name in finished(out)}
        process = start(manifest, out)
        begin = time.perf_counter()
        try:
            process.wait(timeout=rng.uniform(0.25, 1.0) * seconds)
        except subprocess.TimeoutExpired:
            process.kill()
            kills += 1
        else:  # the undisturbed run was slower, for whatever reason: kill sooner
            seconds = time.perf_counter() - begin
        process.communicate()
        for name, written in before.items():
            assert (out / name / "score.csv").stat().st_mtime_ns == written, (attempt, name)
        if kills == KILLS:
            break
        if len(finished(out)) > 2:
            # Some of it is taken away, so that there is work left to be killed in.
            for name in sorted(finished(out))[attempt % 2 :: 2]:
                for file in (out / name).iterdir():
                    file.unlink()
    assert kills == KILLS
    assert process.returncode == -signal.SIGKILL
    process = start(manifest, out)
    err = process.communicate(timeout=180)[1]
    assert process.returncode == 0, err
    same(out, undisturbed)


def measuring(parent: int, clip: Path) -> int | None:
    """The child process that has a recording open."""
    try:
        children = Path(f"/proc/{parent}/task/{parent}/children").read_text().split()
    except OSError:
        return None
    for child in children:
        try:
            if any(os.readlink(fd) == str(clip) for fd in Path(f"/proc/{child}/fd").iterdir()):
                return int(child)
        except OSError:  # ended, or closed the file, in between
            continue
    return None


@pytest.mark.skipif(not Path("/proc/self/fd").exists(), reason="looks for the process in /proc")
@pytest.mark.parametrize("kills", [1, 2])
def test_a_measuring_process_that_the_system_kills(
    kills: int, manifest: Path, whole: tuple[Path, float], tmp_path: Path
) -> None:
    """Killed once, the clip is measured again; twice, it is left out by name. The other clips never notice."""
    undisturbed, seconds = whole
    out = tmp_path / "out"
    clip = manifest.parent / "flat-top-1.avi"
    process = start(manifest, out)
    killed: set[int] = set()
    deadline = time.monotonic() + 6 * seconds + 30
    while process.poll() is None and len(killed) < kills:
        assert time.monotonic() < deadline
        child = measuring(process.pid, clip)
        if child is not None and child not in killed:
            os.kill(child, signal.SIGKILL)
            killed.add(child)
        time.sleep(0.002)
    err = process.communicate(timeout=6 * seconds + 30)[1]
    assert process.returncode == 0, err
    assert len(killed) == kills
    if kills == 1:
        assert err.startswith("4 clips measured"), err
    else:
        assert "flat-top-1.avi: failed: the measuring process was ended by SIGKILL, twice" in err
        with (out / "excluded.csv").open(encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(file))
        assert [row["clip"] for row in rows] == [clip.name]
        assert "SIGKILL" in rows[0]["reason"]
        assert len(finished(out)) == 3
        process = start(manifest, out)
        err = process.communicate(timeout=180)[1]
        assert err.startswith("1 clips measured, 3 were finished before"), err
    same(out, undisturbed)


def followed(sheet: Path, out: Path) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [*command(sheet, out), "--follow", "--poll", "0.2", "--settle", "1s"],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    )


def until(done: Callable[[], bool], process: subprocess.Popen[str], timeout: float) -> None:
    deadline = time.monotonic() + timeout
    while not done():
        assert process.poll() is None, process.communicate()[1]
        assert time.monotonic() < deadline
        time.sleep(0.01)


@pytest.mark.slow
@pytest.mark.skipif(not Path("/proc/self/fd").exists(), reason="looks for the process in /proc")
def test_followed_while_real_clips_grow_killed_and_followed_again(
    manifest: Path, whole: tuple[Path, float], tmp_path: Path
) -> None:
    """Rows are filled in and recordings grow under it; the end is that of the trial that nobody disturbed."""
    undisturbed, seconds = whole
    place, out, timeout = tmp_path / "day", tmp_path / "out", 10 * seconds + 60
    place.mkdir()
    header, *rows = manifest.read_text(encoding="utf-8").splitlines()
    names = [row.split(",")[0] for row in rows]
    cells = ["," + row.split(",", 1)[1] for row in rows]

    def weld(n: int) -> None:
        """The camera writes a file bit by bit; meanwhile somebody fills in its row and saves the table."""
        content = (manifest.parent / names[n]).read_bytes()
        for k in range(5):
            with (place / names[n]).open("ab") as file:
                file.write(content[k * len(content) // 5 : (k + 1) * len(content) // 5])
            if k == 2:
                cells[n] = rows[n]
                (place / "manifest.csv").write_text("\n".join([header, *cells]) + "\n", encoding="utf-8")
            time.sleep(0.3)

    (place / "manifest.csv").write_text("\n".join([header, *cells]) + "\n", encoding="utf-8")
    process = followed(place / "manifest.csv", out)
    weld(0)
    until(lambda: len(finished(out)) == 1, process, timeout)
    weld(1)
    until(lambda: measuring(process.pid, place / names[1]) is not None, process, timeout)
    process.send_signal(signal.SIGKILL)
    process.communicate()
    first = {name: (out / name / "score.csv").stat().st_mtime_ns for name in finished(out)}
    assert first
    process = followed(place / "manifest.csv", out)
    weld(2)
    weld(3)

    def ranked() -> bool:
        if not (out / "ranking.csv").exists():
            return False
        with (out / "ranking.csv").open(encoding="utf-8", newline="") as file:
            return sum(int(row["clips"]) for row in csv.DictReader(file)) == 4

    until(ranked, process, timeout)
    process.send_signal(signal.SIGINT)
    err = process.communicate(timeout=60)[1]
    assert process.returncode == 0, err
    assert err.strip().endswith(
        f"ended: 4 of 4 welds measured; the same command goes on from here; results in {out}"
    )
    for name, written in first.items():
        assert (out / name / "score.csv").stat().st_mtime_ns == written, "measured again"
    same(out, undisturbed)
