"""The same tasks on a Dask cluster."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

from ..model.crew import WORTH_S, Crew, CrewWork, HelperSignal, Recruit
from ..model.errors import PoolwatchError, UsageError
from ..model.processes import packed, unpacked
from ..model.version import __version__
from .process_pool import Event, Function, attempt

if TYPE_CHECKING:
    from distributed import Client

_CONNECT_S = 15


def run_tasks_on_cluster(function: Function, tasks: Sequence[Any], *, scheduler: str) -> Iterator[Event]:
    """Run ``function(task, report)`` for each task on the workers of a Dask scheduler.

    The workers need poolwatch of the same version, and see the recordings and the output folder under the same
    paths as this machine. Frames are not reported, only clips.

    Parameters
    ----------
    function, tasks
        As in `poolwatch.trial.process_pool.ProcessPool`.
    scheduler
        Its address, such as ``tcp://10.0.0.5:8786``.

    Raises
    ------
    UsageError
        Dask is not installed.
    PoolwatchError
        The scheduler does not answer, or has no workers.
    """
    if not tasks:
        return
    client = _connect(scheduler)
    futures: dict[Any, int] = {}
    try:
        from distributed import as_completed

        # pure=False: a task that is given again is measured again, not remembered.
        futures |= {
            client.submit(_attempt, function, task, __version__, pure=False): number
            for number, task in enumerate(tasks)
        }
        for number in range(len(tasks)):
            yield Event(number, "started")
        for future in as_completed(futures, loop=client.loop):
            number = futures[future]
            if future.status == "finished":
                kind, message = future.result()
                yield Event(number, kind, message=message)
            else:
                reason = " ".join(str(future.exception()).split()) or future.status
                yield Event(number, "failed", message=f"the cluster gave it up: {reason}")
    finally:
        # Already out of the work: an answer that does not come must not hide the reason.
        with contextlib.suppress(OSError, TimeoutError):
            client.cancel(list(futures))
            client.close()


def _attempt(function: Function, task: Any, version: str) -> tuple[str, str]:
    if version != __version__:
        return (
            "failed",
            f"a worker has poolwatch {__version__}, this machine {version}; install the same on both",
        )
    return attempt(function, task, _ClusterReport())


class _ClusterReport:
    """Says nothing of progress; helpers are the other workers."""

    recruit: Recruit | None

    def __init__(self) -> None:
        self.recruit = OnCluster

    def __call__(self, done: int, total: int) -> None:
        pass


class OnCluster(Crew):
    """Pieces of a clip as tasks of the same cluster, from within a task that measures the clip.

    As many are out at a time as the other workers have threads.
    """

    def __init__(self, work: CrewWork) -> None:
        super().__init__(work)
        from distributed import get_client

        self._client: Client = get_client()
        self._free: list[int] = []
        self._futures: dict[Any, int] = {}
        self._sent: Any = None

    def expect(self, left_s: float) -> None:
        """Take as many as pay."""
        if left_s > WORTH_S:
            threads = sum(self._client.nthreads().values())
            self._free = list(range(min(threads - 1, int(left_s / WORTH_S))))

    def begin(self, helper: int, task: tuple[Any, ...]) -> None:
        """See `Crew.begin`."""
        if self._sent is None:
            self._sent = self._client.scatter(packed(self._work), hash=False)
        # Before clips that nobody has begun: their own pieces do not wait for them.
        future = self._client.submit(_run, self._sent, task, pure=False, priority=10)
        self._futures[future] = helper

    def answers(self, *, wait: bool) -> Iterator[tuple[int, Any]]:
        """See `Crew.answers`."""
        while self._free:
            yield self._free.pop(), HelperSignal.FREE
        if wait and self._futures:
            self._await()
        for future in [one for one in self._futures if one.done()]:
            helper = self._futures.pop(future)
            if future.status != "finished":
                yield helper, HelperSignal.LOST
                continue
            for answer in unpacked(future.result()):
                yield helper, answer
            yield helper, HelperSignal.FREE

    def _await(self) -> None:
        """Wait for one of them, and let another task of the cluster have this one's place meanwhile."""
        from distributed import rejoin, secede, wait

        secede()
        try:
            wait(list(self._futures), return_when="FIRST_COMPLETED")
        finally:
            rejoin()

    def _post(self, helper: int, *message: Any) -> None:
        """Nothing is sent but tasks."""

    def _next(self, wait_s: float) -> None:
        """Nothing comes but what tasks return."""

    def release(self, helper: int) -> None:
        """Have no more tasks for it."""

    def end(self) -> None:
        """Take back what has not begun."""
        with contextlib.suppress(OSError, TimeoutError):
            self._client.cancel(list(self._futures))


def _run(work: bytes, task: tuple[Any, ...]) -> bytes:
    """A piece, measured by a worker of the cluster."""
    job: CrewWork = unpacked(work)
    try:
        return packed(list(job.run(*task)))
    finally:
        job.close()


def _connect(scheduler: str) -> Client:
    try:
        from distributed import Client
    except ImportError:
        raise UsageError(
            "--scheduler needs Dask; install it, in the clone of poolwatch, with: pip install '.[cluster]'"
        ) from None
    try:
        client = Client(scheduler, timeout=_CONNECT_S, set_as_default=False)
    except (OSError, ValueError) as error:
        reason = " ".join(str(error).split()) or type(error).__name__
        raise PoolwatchError(
            f"scheduler {scheduler}: does not answer ({reason}); check the address, such as tcp://HOST:8786"
        ) from None
    if not client.scheduler_info()["workers"]:
        client.close()
        raise PoolwatchError(
            f"scheduler {scheduler}: has no workers; start some with `dask worker {scheduler}`"
        )
    return client
