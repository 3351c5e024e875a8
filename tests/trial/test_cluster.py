"""The same work on a real Dask scheduler with real workers."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from poolwatch.model.errors import PoolwatchError
from poolwatch.trial.cluster import run_tasks_on_cluster
from poolwatch.trial.run import run_trial
from tests.measure import helped
from tests.trial.invented import InventedMeasurer, lay_out, ordinary

pytest.importorskip("distributed", reason="Dask is an extra: pip install 'poolwatch[cluster]'")
pytestmark = pytest.mark.filterwarnings(
    # Raised inside distributed, not by our use of it.
    "ignore::DeprecationWarning:distributed.*",
    "ignore::pytest.PytestUnraisableExceptionWarning",
    "ignore::ResourceWarning",
)


@pytest.fixture
def scheduler(tmp_path: Path) -> Iterator[str]:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    address = f"tcp://127.0.0.1:{port}"
    environment = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])}
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "env": environment, "cwd": tmp_path}
    dask = [sys.executable, "-m", "dask"]
    worker = [*dask, "worker", address, "--nthreads", "1", "--no-dashboard", "--no-nanny"]
    started = [
        subprocess.Popen(
            [*dask, "scheduler", "--host", "127.0.0.1", "--port", str(port), "--no-dashboard"], **quiet
        ),  # type: ignore[call-overload]
        *(
            subprocess.Popen([*worker, "--local-directory", str(tmp_path / f"dask{n}")], **quiet)  # type: ignore[call-overload]
            for n in (1, 2)
        ),
    ]
    from distributed import Client

    deadline = time.monotonic() + 60
    while True:
        try:
            with Client(address, timeout=5, set_as_default=False) as client:
                client.wait_for_workers(2, timeout=50)
            break
        except (OSError, TimeoutError):
            if time.monotonic() > deadline:
                raise
            time.sleep(0.5)
    yield address
    for process in reversed(started):
        process.terminate()
        process.wait(20)


@pytest.mark.long
@pytest.mark.slow
def test_a_cluster_gives_the_same_bytes_and_names_what_failed(scheduler: str, tmp_path: Path) -> None:
    clips = ordinary()
    clips["crescent/1"] += "band_high = 900\n"
    clips["flat-top/3"] += "fail = no pool found\n"
    manifest = lay_out(tmp_path, clips)
    here = run_trial(manifest, tmp_path / "here", workers=1, report=False, measurer=InventedMeasurer())
    events = []
    there = run_trial(
        manifest,
        tmp_path / "there",
        scheduler=scheduler,
        report=False,
        measurer=InventedMeasurer(),
        progress=events.append,
    )
    for name in ("scores.csv", "ranking.csv", "pairs.csv", "excluded.csv"):
        assert (tmp_path / "here" / name).read_bytes() == (tmp_path / "there" / name).read_bytes()
    assert here.ranking.excluded["reason"].tolist() == there.ranking.excluded["reason"].tolist()
    assert sum(event.kind == "done" for event in events) == 8
    again = run_trial(
        manifest, tmp_path / "there", scheduler=scheduler, report=False, measurer=InventedMeasurer()
    )
    assert (again.measured, again.resumed) == (0, 8)


def test_a_scheduler_that_does_not_answer_is_said_on_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("poolwatch.trial.cluster._CONNECT_S", 1)
    with pytest.raises(PoolwatchError, match="does not answer") as caught:
        run_trial(
            lay_out(tmp_path, ordinary(1)),
            tmp_path / "out",
            scheduler="tcp://127.0.0.1:9",
            report=False,
            measurer=InventedMeasurer(),
        )
    assert "\n" not in str(caught.value)


@pytest.mark.long
@pytest.mark.slow
def test_pieces_of_a_clip_measured_by_the_cluster_change_no_digit(scheduler: str, tmp_path: Path) -> None:
    path = helped.drawn("glowing", "npy", tmp_path)
    tasks = [(path, tmp_path / "a.npz", 1), (path, tmp_path / "b.npz", 1)]
    # Two clips at once on two workers: neither waits for the other's pieces for ever.
    events = list(run_tasks_on_cluster(helped.task, tasks, scheduler=scheduler))
    assert sum(event.kind == "done" for event in events) == 2, events
    one = helped.columns(helped.case_of(path).gathered())
    for _, out, _ in tasks:
        with np.load(out) as found:
            assert found["helpers"] == 1
            for name, column in one.items():
                np.testing.assert_array_equal(column, found[name], err_msg=name)
