"""Tasks on this machine's cores: a process each, so that one that crashes takes nothing with it."""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from multiprocessing.connection import Connection, wait
from multiprocessing.context import SpawnProcess
from typing import Any, Self

from ..model.errors import PoolwatchError

Report = Callable[[int, int], None]
Function = Callable[[Any, Report], None]
# Thread pools of numerical libraries inside the workers would fight over the cores.
_ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "OPENCV_FOR_THREADS_NUM")
_REPORT_EVERY_S = 0.2


@dataclass(frozen=True)
class Event:
    """What happened to a task.

    Attributes
    ----------
    task
        Its number in the sequence given.
    kind
        ``started``, ``frames``, ``done`` or ``failed``.
    done, total
        Frames measured and to be measured, with ``frames``.
    message
        Why, with ``failed``: one line.
    """

    task: int
    kind: str
    done: int = 0
    total: int = 0
    message: str = ""


def usable_cores() -> int:
    """Cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


class ProcessPool:
    """Processes that run tasks side by side; started when first needed, kept for the next round of tasks.

    Use it in a ``with`` block. When the block is left early, all processes are ended at once.

    Parameters
    ----------
    workers
        Processes, at least 1.
    """

    def __init__(self, workers: int) -> None:
        self.workers = workers
        self._idle: list[_Worker] = []
        self._busy: dict[Connection, tuple[_Worker, int, int]] = {}

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *reason: object) -> None:
        for worker, _, _ in self._busy.values():
            worker.end(at_once=True)
        for worker in self._idle:
            worker.end(at_once=False)
        self._busy.clear()
        self._idle.clear()

    def __call__(self, function: Function, tasks: Sequence[Any]) -> Iterator[Event]:
        """Run ``function(task, report)`` for each task, and tell what happens as it happens.

        Parameters
        ----------
        function
            Picklable; what it raises fails its task alone.
        tasks
            Picklable, in the order in which to begin them.

        Notes
        -----
        A process that dies (a decoder that crashes, memory that runs out) is replaced; its task is tried once
        more, then failed.
        """
        waiting: deque[tuple[int, int]] = deque((number, 1) for number in range(len(tasks)))
        while waiting or self._busy:
            while waiting and (self._idle or len(self._busy) < self.workers):
                number, turn = waiting.popleft()
                worker = self._idle.pop() if self._idle else _Worker()
                worker.begin(function, tasks[number])
                self._busy[worker.pipe] = (worker, number, turn)
                yield Event(number, "started")
            for pipe in wait(list(self._busy)):
                assert isinstance(pipe, Connection)
                worker, number, turn = self._busy[pipe]
                try:
                    kind, *content = pipe.recv()
                except (EOFError, OSError):
                    del self._busy[pipe]
                    if turn == 1:
                        waiting.append((number, 2))
                    else:
                        yield Event(number, "failed", message=worker.epitaph())
                    worker.end(at_once=True)
                    continue
                if kind != "frames":
                    del self._busy[pipe]
                    self._idle.append(worker)
                    content = [0, 0, *content]
                yield Event(number, kind, *content)


class _Worker:
    """A process that takes one task at a time through a pipe."""

    def __init__(self) -> None:
        context = multiprocessing.get_context("spawn")
        self.pipe, far_end = context.Pipe()
        self.process: SpawnProcess = context.Process(target=_serve, args=(far_end,))
        before = {name: os.environ.get(name) for name in _ONE_THREAD}
        os.environ.update(dict.fromkeys(_ONE_THREAD, "1"))
        try:
            self.process.start()
        finally:
            for name, value in before.items():
                if value is None:
                    del os.environ[name]
                else:
                    os.environ[name] = value
        far_end.close()

    def begin(self, function: Function, task: Any) -> None:
        # A process that died while idle is noticed when the answer is awaited.
        with contextlib.suppress(BrokenPipeError, OSError):
            self.pipe.send((function, task))

    def epitaph(self) -> str:
        self.process.join(5)
        code = self.process.exitcode
        if code is not None and code < 0:
            name = signal.Signals(-code).name
            hint = "; often too little memory: use fewer --workers" if name == "SIGKILL" else ""
            return f"the measuring process was ended by {name}, twice{hint}"
        return f"the measuring process ended by itself with code {code}, twice; try this clip alone with `measure`"

    def end(self, *, at_once: bool) -> None:
        if at_once:
            self.process.kill()
        else:
            with contextlib.suppress(BrokenPipeError, OSError):
                self.pipe.send(None)
        self.process.join(10)
        if self.process.is_alive():
            self.process.kill()
            self.process.join()
        self.pipe.close()


def _serve(pipe: Connection) -> None:
    """Body of a worker process."""
    # Ctrl-C reaches the whole group; the parent ends its workers itself.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_die_with_parent, daemon=True).start()
    while True:
        try:
            work = pipe.recv()
        except (EOFError, OSError):
            return
        # A task that cannot be taken apart here (another version of the code) is told like any other failure.
        except Exception as error:  # noqa: BLE001
            pipe.send(("failed", f"the task cannot be read by the measuring process: {error}"))
            continue
        if work is None:
            return
        function, task = work
        pipe.send(attempt(function, task, _Throttle(pipe)))


def attempt(function: Function, task: Any, report: Report) -> tuple[str, str]:
    """Run one task and say how it went: ``done`` or ``failed``, and why."""
    try:
        function(task, report)
    except PoolwatchError as error:
        return "failed", " ".join(str(error).split())
    except MemoryError:
        return "failed", "not enough memory; use fewer --workers or a smaller region of interest"
    # One clip must never stop the others, whatever goes wrong with it.
    except Exception as error:  # noqa: BLE001
        return "failed", f"unexpected {type(error).__name__}: {' '.join(str(error).split())}{_place(error)}"
    return "done", ""


def _place(error: Exception) -> str:
    trace = error.__traceback__
    while trace is not None and trace.tb_next is not None:
        trace = trace.tb_next
    if trace is None:
        return ""
    return f" (in {os.path.basename(trace.tb_frame.f_code.co_filename)}, line {trace.tb_lineno}); please report it"


class _Throttle:
    """Sends progress a few times a second."""

    def __init__(self, pipe: Connection) -> None:
        self.pipe = pipe
        self.last = 0.0

    def __call__(self, done: int, total: int) -> None:
        now = time.monotonic()
        if now - self.last >= _REPORT_EVERY_S or done == total:
            self.last = now
            self.pipe.send(("frames", done, total))


def _die_with_parent() -> None:
    """End this process when the one that started it is gone, however that ended."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)
