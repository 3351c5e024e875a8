"""Other processes of this program, and the messages to and from them.

A process is started as a command of its own, not by `multiprocessing`: that would run the user's script once more in
each of them, and a script or notebook without a guard around its last lines would start others without end.
"""

from __future__ import annotations

import contextlib
import os
import pickle
import queue
import signal
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import IO, Any, NamedTuple

# What starts a process: nothing that was read has a word in it.
_COMMAND = "from poolwatch.model.processes import main; main()"
# Set in every process that was started here: such a one starts no others, whatever its command was taken for.
_MARK = "POOLWATCH_PROCESS"
# Thread pools of numerical libraries in several processes would fight over the cores.
_ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "OPENCV_FOR_THREADS_NUM")
# A wait for a lock cannot be interrupted by Ctrl-C everywhere: it is cut into waits of this length, s.
_TURN_S = 0.5

# Kind, then what belongs to it; kinds are the business of those at both ends.
Message = tuple[Any, ...]
Service = Callable[["Channel"], None]


def usable_cores() -> int:
    """Cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


class Received(NamedTuple):
    """A message and who it is from; None is the last one from there."""

    sender: Channel
    message: Message | None


class Inbox:
    """Messages that have come."""

    def __init__(self) -> None:
        self._queue: queue.SimpleQueue[Received] = queue.SimpleQueue()

    def put(self, channel: Channel, message: Message | None) -> None:
        """Add a message."""
        self._queue.put(Received(channel, message))

    def get(self, wait_s: float = 0.0) -> Received | None:
        """The next message; None where none comes in time."""
        with contextlib.suppress(queue.Empty):
            return self._queue.get_nowait()
        while wait_s > 0:
            with contextlib.suppress(queue.Empty):
                return self._queue.get(timeout=min(wait_s, _TURN_S))
            wait_s -= _TURN_S
        return None


class Channel:
    """Messages to another process, and those from it into an inbox.

    Parameters
    ----------
    source, sink
        Pipes.
    inbox
        Where messages go; by default one of its own.
    """

    def __init__(self, source: IO[bytes], sink: IO[bytes], inbox: Inbox | None = None) -> None:
        self.inbox = inbox or Inbox()
        self._source, self._sink = source, sink
        threading.Thread(target=self._take, daemon=True).start()

    def _take(self) -> None:
        # What comes is written by a process of ours, through a pipe that no other holds.
        with contextlib.suppress(EOFError, OSError, ValueError, pickle.UnpicklingError):
            while True:
                self.inbox.put(self, pickle.load(self._source))  # noqa: S301
        self.inbox.put(self, None)

    def send(self, *message: Any) -> None:
        """Send a message; to a process that is gone, nothing: the inbox says so."""
        with contextlib.suppress(OSError, ValueError):
            pickle.dump(message, self._sink, protocol=pickle.HIGHEST_PROTOCOL)
            self._sink.flush()


class Process:
    """A process that runs a service.

    Parameters
    ----------
    service
        A function at the top of a module of this package: ``service(channel)`` runs there.
    inbox
        Where its messages go.

    Raises
    ------
    OSError
        It cannot be started.
    """

    def __init__(self, service: Service, inbox: Inbox) -> None:
        if os.environ.get(_MARK) or getattr(sys, "frozen", False) or not sys.executable:
            raise OSError("no other process can be started from here")
        root = str(Path(__file__).parents[2])
        paths = os.pathsep.join(filter(None, (root, os.environ.get("PYTHONPATH"))))
        self._process = subprocess.Popen(
            # Without the present folder among the places where modules are looked for.
            [sys.executable, "-P", "-c", _COMMAND],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env={**os.environ, **dict.fromkeys(_ONE_THREAD, "1"), "PYTHONPATH": paths, _MARK: "1"},
        )
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self.pid = self._process.pid
        self.channel = Channel(self._process.stdout, self._process.stdin, inbox)
        self.channel.send(service)

    def end(self) -> int:
        """End it at once; what it ended with: negative, the signal."""
        with contextlib.suppress(OSError):
            self._process.kill()
        code = self._process.wait()
        for pipe in (self._process.stdin, self._process.stdout):
            with contextlib.suppress(OSError, ValueError):
                assert pipe is not None
                pipe.close()
        return code

    def ended(self) -> int:
        """What it ended with by itself, once its last message has come."""
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._process.wait(5.0)
        return self.end()


def packed(thing: Any) -> bytes:
    """Anything as bytes, to be passed on by who need not know what it is."""
    return pickle.dumps(thing, protocol=pickle.HIGHEST_PROTOCOL)


def unpacked(content: bytes) -> Any:
    """What a process of ours has packed."""
    return pickle.loads(content)  # noqa: S301


def main() -> None:
    """Body of a process that `Process` starts."""
    # Ctrl-C reaches the whole group; the process that started this one ends it.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    sink = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # Nothing that a library prints gets between the messages.
    channel = Channel(sys.stdin.buffer, sink, _Until())
    found = channel.inbox.get(60.0)
    if found is not None and found.message is not None:
        (service,) = found.message
        service(channel)


class _Until(Inbox):
    """An inbox whose last message is the end: nothing outlives the process that it works for."""

    def put(self, channel: Channel, message: Message | None) -> None:
        if message is None:
            os._exit(1)
        super().put(channel, message)
