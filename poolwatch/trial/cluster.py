"""The same tasks on a Dask cluster."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

from .. import __version__
from ..model.errors import PoolwatchError, UsageError
from .pool import Event, Function, attempt

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
        As in `poolwatch.trial.pool.ProcessPool`.
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
    return attempt(function, task, _no_report)


def _no_report(done: int, total: int) -> None:
    pass


def _connect(scheduler: str) -> Client:
    try:
        from distributed import Client
    except ImportError:
        raise UsageError(
            "--scheduler needs Dask; install it with: pip install 'poolwatch[cluster]'"
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
