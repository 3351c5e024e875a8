"""Helpers: processes beside this one that do parts of its work, and answer with small results.

A helper is told once what the work is, then takes one task after the other. One that dies or falls silent is named
lost: its task is to be done by another, or by who has given it. So helpers change how long a work takes, and no result.
"""

from __future__ import annotations

import contextlib
import time
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator
from enum import Enum
from types import TracebackType
from typing import Any, Protocol, Self

from .processes import Channel, Inbox, Message, Process, packed, unpacked

# Longest silence of a helper at work, s: one that hangs is left out.
_PATIENCE_S = 120.0
# A process takes about a second to start: each must find so much to do, s.
WORTH_S = 2.0


class CrewWork(Protocol):
    """What helpers do; picklable."""

    def prepare(self) -> None:
        """Make ready what all tasks take."""
        ...

    def run(self, task: Any) -> Iterator[Any]:
        """Do a task; its answers, picklable."""
        ...

    def close(self) -> None:
        """Let go of what is open."""
        ...


class HelperSignal(Enum):
    """What a helper says beside its answers."""

    FREE = "has nothing to do"
    LOST = "is gone, with its task"


class Crew(ABC):
    """Helpers at one work; use it in a ``with`` block, which ends their part in it."""

    def __init__(self, work: CrewWork) -> None:
        self._work = work
        self._packed: bytes | None = None
        # When those that have something in hand were last heard of.
        self._heard: dict[int, float] = {}

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.end()

    def expect(self, left_s: float) -> None:  # noqa: B027 - most need not know
        """Say how long what is left would take without helpers, s."""

    def begin(self, helper: int, task: Any) -> None:
        """Give a free helper a task."""
        self._heard[helper] = time.monotonic()
        self._post(helper, "run", task)

    def _tell(self, helper: int) -> None:
        """Tell a new helper what the work is; it will be free once it is prepared."""
        self._packed = self._packed or packed(self._work)
        self._post(helper, "work", self._packed)

    def answers(self, *, wait: bool) -> Iterator[tuple[int, Any]]:
        """What helpers have said, each with its number: answers to tasks, or a `HelperSignal`.

        Parameters
        ----------
        wait
            Whether to wait for the first.
        """
        said = False
        while True:
            got = self._next(1.0 if wait and not said else 0.0)
            if got is None:
                silent = [one for one, at in self._heard.items() if time.monotonic() > at + _PATIENCE_S]
                for helper in silent:
                    self._drop(helper)
                    yield helper, HelperSignal.LOST
                if said or silent or not wait or not self._heard:
                    return
                continue
            helper, message = got
            said = True
            if message == ("lent",):
                self._tell(helper)
            elif message is None:
                self._drop(helper)
                yield helper, HelperSignal.LOST
            elif message == ("free",):
                self._heard.pop(helper, None)
                yield helper, HelperSignal.FREE
            else:
                self._heard[helper] = time.monotonic()
                _, answer = message
                yield helper, unpacked(answer)

    def _drop(self, helper: int) -> None:
        """Have no more to do with a helper."""
        self._heard.pop(helper, None)

    @abstractmethod
    def _post(self, helper: int, *message: Any) -> None:
        """Send a message to a helper."""

    @abstractmethod
    def _next(self, wait_s: float) -> tuple[int, Message | None] | None:
        """The next message of a helper, None for its last; None where none comes in time."""

    @abstractmethod
    def release(self, helper: int) -> None:
        """Have no more tasks for a free helper."""

    @abstractmethod
    def end(self) -> None:
        """End the helpers' part in the work, whatever they are doing."""


class OwnProcesses(Crew):
    """Helpers that are started as soon as they pay.

    Parameters
    ----------
    work
        What they do.
    most
        How many there may be.
    """

    def __init__(self, work: CrewWork, most: int) -> None:
        super().__init__(work)
        self._most = most
        self._inbox = Inbox()
        self._processes: dict[int, Process] = {}
        self._numbers: dict[Channel, int] = {}

    def expect(self, left_s: float) -> None:
        """Start those that pay."""
        # Where none can be started, all is done here.
        with contextlib.suppress(OSError):
            for number in range(min(self._most, int(left_s / WORTH_S))):
                process = Process(serve, self._inbox)
                self._processes[number] = process
                self._numbers[process.channel] = number
                self._tell(number)

    def _post(self, helper: int, *message: Any) -> None:
        self._processes[helper].channel.send(*message)

    def _next(self, wait_s: float) -> tuple[int, Message | None] | None:
        while (got := self._inbox.get(wait_s)) is not None:
            number = self._numbers[got.sender]
            if number in self._processes:
                return number, got.message
        return None

    def _drop(self, helper: int) -> None:
        super()._drop(helper)
        self._processes.pop(helper).end()

    def release(self, helper: int) -> None:
        """End it."""
        self._drop(helper)

    def end(self) -> None:
        """End all processes."""
        for process in self._processes.values():
            process.end()
        self._processes.clear()


class Lent(Crew):
    """Helpers lent by the process that has started this one, which passes on what is said.

    Parameters
    ----------
    work
        What they do.
    channel
        To that process.
    """

    def __init__(self, work: CrewWork, channel: Channel) -> None:
        super().__init__(work)
        self._channel = channel

    def expect(self, left_s: float) -> None:
        """Ask for some."""
        self._channel.send("lend", left_s)

    def _post(self, helper: int, *message: Any) -> None:
        self._channel.send("to", helper, message)

    def _next(self, wait_s: float) -> tuple[int, Message | None] | None:
        got = self._channel.inbox.get(wait_s)
        if got is None or got.message is None:
            return None
        _, helper, message = got.message
        return helper, message

    def release(self, helper: int) -> None:
        """Give it back."""
        self._drop(helper)
        self._channel.send("back", helper)

    def end(self) -> None:
        """Give all back; what one that is at work still says is for nobody."""
        self._channel.send("enough")


# Makes the helpers for a work.
Recruit = Callable[[CrewWork], Crew]


class Helper:
    """The other side: does what it is told by messages ``work`` and ``run``."""

    def __init__(self, channel: Channel) -> None:
        self._channel = channel
        self._work: CrewWork | None = None

    def handle(self, kind: str, *content: Any) -> None:
        """Take a message."""
        if kind == "work":
            if self._work is not None:
                self._work.close()
            (work,) = content
            self._work = unpacked(work)
            self._work.prepare()
        elif self._work is not None:
            (task,) = content
            for answer in self._work.run(task):
                self._channel.send("answer", packed(answer))
        self._channel.send("free")


def serve(channel: Channel) -> None:
    """Body of a process of `OwnProcesses`: ended by who started it."""
    helper = Helper(channel)
    while (got := channel.inbox.get(3600.0)) is None or got.message is not None:
        if got is not None and got.message is not None:
            helper.handle(*got.message)
