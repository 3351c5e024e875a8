"""Clips on this machine's cores: a process each, so that one that crashes takes nothing with it.

A process that has nothing to do is lent to another that measures a clip, as a helper for pieces of it: so the last long
clip does not run alone. What the two say to each other goes through here.
"""

from __future__ import annotations

import os
import signal
import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any, NamedTuple, Protocol, Self

from ..model.crew import WORTH_S, Helper, Lent, Recruit
from ..model.errors import PoolwatchError
from ..model.processes import Channel, Inbox, Process, packed, unpacked

_REPORT_EVERY_S = 0.2
# What is over sooner is not worth a helper that is there, s.
_LENT_S = 0.3


class Report(Protocol):
    """How a task says how far it is, and where it finds helpers."""

    recruit: Recruit | None

    def __call__(self, done: int, total: int) -> None:
        """So many frames of so many are done."""
        ...


Function = Callable[[Any, Report], None]


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


class _Attempt(NamedTuple):
    """A task by its number, and which attempt at it this is."""

    task: int
    turn: int


class _Worker:
    """A process, and what it is doing: a task, helping another with its task, or nothing."""

    def __init__(self, number: int, inbox: Inbox) -> None:
        self.number = number
        self.process = Process(_serve, inbox)
        self.task: _Attempt | None = None
        # Whether it would take helpers, and how long its task would take without, s.
        self.lacks, self.left_s = False, 0.0
        # Whom it helps, and whether it has a piece in hand.
        self.helps: _Worker | None = None
        self.at_work = False

    @property
    def idle(self) -> bool:
        return self.task is None and self.helps is None and not self.at_work

    def send(self, *message: Any) -> None:
        self.process.channel.send(*message)


class ProcessPool:
    """Processes that run tasks side by side; started when first needed, kept for the next round of tasks.

    Use it in a ``with`` block, whose end ends all processes.

    Parameters
    ----------
    workers
        Processes, at least 1.
    """

    def __init__(self, workers: int) -> None:
        self.workers = workers
        self._inbox = Inbox()
        self._started = 0
        self._at: dict[Channel, _Worker] = {}

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *reason: object) -> None:
        for worker in self._at.values():
            worker.process.end()
        self._at.clear()

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
        waiting = deque(_Attempt(number, 1) for number in range(len(tasks)))
        while waiting or any(worker.task for worker in self._at.values()):
            while waiting and (worker := self._free_one()) is not None:
                worker.task = waiting.popleft()
                number = worker.task.task
                worker.send("task", packed((function, tasks[number])))
                yield Event(number, "started")
            if not waiting:
                self._lend()
            got = self._inbox.get(1.0)
            if got is None or got.sender not in self._at:
                continue
            worker = self._at[got.sender]
            if got.message is None:
                yield from self._lost(worker, waiting)
                continue
            kind, *content = got.message
            if worker.task is not None and kind == "frames":
                yield Event(worker.task.task, kind, *content)
            elif worker.task is not None and kind in ("done", "failed"):
                (why,), number = content, worker.task.task
                worker.task = None
                yield Event(number, kind, message=why)
            else:
                self._pass_on(worker, kind, *content)

    def _free_one(self, worth_s: float = WORTH_S) -> _Worker | None:
        """A process that has nothing to do, started where there may be one more and it is worth that."""
        worker = next((one for one in self._at.values() if one.idle), None)
        if worker is None and len(self._at) < self.workers and worth_s >= WORTH_S:
            try:
                worker = _Worker(self._started, self._inbox)
            except OSError as error:
                if self._at:
                    return None
                raise PoolwatchError(
                    f"no process can be started here ({error}); measure the clips one by one with `measure`"
                ) from None
            self._started += 1
            self._at[worker.process.channel] = worker
        return worker

    def _lend(self) -> None:
        """Lend who has nothing to do to those who could use help, in turns."""
        while lacking := [one for one in self._at.values() if one.lacks]:
            owner = min(lacking, key=lambda one: (len(self._helpers_of(one)), one.number))
            worth_s = owner.left_s / (1 + len(self._helpers_of(owner)))
            helper = self._free_one(worth_s) if worth_s > _LENT_S else None
            if helper is None:
                return
            helper.helps = owner
            owner.send("from", helper.number, ("lent",))

    def _helpers_of(self, owner: _Worker) -> list[_Worker]:
        return [one for one in self._at.values() if one.helps is owner]

    def _pass_on(self, worker: _Worker, kind: str, *content: Any) -> None:
        """Take a message about helping."""
        if kind == "lend":
            worker.lacks, (worker.left_s,) = True, content
        elif kind == "enough":
            self._take_back(worker)
        elif kind in ("to", "back"):
            number, *message = content
            helper = next((one for one in self._helpers_of(worker) if one.number == number), None)
            if helper is not None and kind == "back":
                helper.helps, worker.lacks = None, False
            elif helper is not None:
                helper.at_work = True
                for part in message:
                    helper.send(*part)
        elif kind in ("answer", "free"):
            worker.at_work = kind == "answer"
            if worker.helps is not None:
                worker.helps.send("from", worker.number, (kind, *content))

    def _take_back(self, owner: _Worker) -> None:
        owner.lacks = False
        for helper in self._helpers_of(owner):
            helper.helps = None

    def _lost(self, worker: _Worker, waiting: deque[_Attempt]) -> Iterator[Event]:
        """A process is gone."""
        del self._at[worker.process.channel]
        code = worker.process.ended()
        self._take_back(worker)
        if worker.helps is not None:
            worker.helps.send("from", worker.number, None)
        if worker.task is not None:
            number, turn = worker.task
            if turn == 1:
                waiting.append(_Attempt(number, 2))
            else:
                yield Event(number, "failed", message=_epitaph(code))


def _epitaph(code: int) -> str:
    if code < 0:
        name = signal.Signals(-code).name
        hint = "; often too little memory: use fewer --workers" if name == "SIGKILL" else ""
        return f"the measuring process was ended by {name}, twice{hint}"
    return (
        f"the measuring process ended by itself with code {code}, twice; try this clip alone with `measure`"
    )


def _serve(channel: Channel) -> None:
    """Body of a worker process."""
    helper = Helper(channel)
    while True:
        got = channel.inbox.get(3600.0)
        if got is None or got.message is None:
            continue
        kind, *content = got.message
        if kind == "task":
            # A task that cannot be taken apart here (another version of the code) is told like any other failure.
            try:
                (task_given,) = content
                function, task = unpacked(task_given)
            except Exception as error:  # noqa: BLE001
                channel.send("failed", f"the task cannot be read by the measuring process: {error}")
                continue
            channel.send(*attempt(function, task, _Report(channel)))
        # What a helper still says of a task that is through is for nobody.
        elif kind != "from":
            helper.handle(kind, *content)


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


class _Report:
    """Sends progress a few times a second; helpers are lent by the pool."""

    def __init__(self, channel: Channel) -> None:
        self.channel = channel
        self.recruit: Recruit | None = partial(Lent, channel=channel)
        self.last = 0.0

    def __call__(self, done: int, total: int) -> None:
        now = time.monotonic()
        if now - self.last >= _REPORT_EVERY_S or done == total:
            self.last = now
            self.channel.send("frames", done, total)
