"""Blocks of a clip whose decoding is slow, decoded in this process and in others beside it.

A decoder that works on one frame at a time keeps one core busy and lets the others wait. Where every block can be read
by itself, other processes decode some of them and send the frames through a pipe. What they do not send, for whatever
reason, is read here: so they change how long reading takes, and nothing else.
"""

from __future__ import annotations

import contextlib
import json
import os
import queue
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Generator
from pathlib import Path
from typing import IO, Any

import numpy as np
from numpy.typing import NDArray

from ..model.clip import Block
from .opening import open_clip
from .reader import BaseReader, ClipSettings, Reader

# Another process takes about a second to start: it pays from so much decoding on, and for no less a frame, s.
_LEAST_LEFT_S = 4.0
_LEAST_FRAME_S = 0.8e-3
# Blocks from which the time of one is told, and blocks that wait from one process at most.
_TIMED = 2
_AHEAD = 2
# Longest wait for another process, s and times what its block takes to decode: one that hangs is left out.
_PATIENCE_S, _PATIENCE = 30.0, 50.0
# Sent before the first frame: whatever else stands in the pipe did not come from here.
_MARK = b"poolwatch frames\n"


def blocks_beside(
    reader: Reader,
    settings: ClipSettings,
    *,
    size: int,
    helpers: int,
    least_left_s: float = _LEAST_LEFT_S,
    least_frame_s: float = _LEAST_FRAME_S,
) -> Generator[Block]:
    """All blocks of a clip in order, as `Reader.blocks` gives them; slow ones also from processes beside this one.

    Parameters
    ----------
    reader
        The clip, open.
    settings
        The settings that it was opened with.
    size
        Frames in a block.
    helpers
        Processes that may be started; 0: none.
    least_left_s, least_frame_s
        Time that decoding what is left, and one frame, must take for processes to be started, s.
    """
    total = reader.facts.frame_count
    if helpers < 1 or not isinstance(reader, BaseReader) or not reader.apart or total <= (_TIMED + 1) * size:
        yield from reader.blocks(size=size)
        return
    began = min(_TIMED * size, total)
    spent = time.thread_time()
    first = list(reader.blocks(0, began, size=size))
    a_frame = (time.thread_time() - spent) / began
    yield from first
    del first
    if a_frame < least_frame_s or a_frame * (total - began) < least_left_s:
        yield from reader.blocks(began, size=size)
        return
    patience = _PATIENCE_S + _PATIENCE * a_frame * size
    others: list[_Other] = []
    try:
        for k in range(helpers):
            others.append(_Other(reader, settings, began + k * size, size, (helpers + 1) * size, patience))
        turn = 0
        for start in range(began, total, size):
            stop = min(start + size, total)
            # The other processes have the first turns, for they cannot begin at once.
            sent = others[turn].next(stop - start) if turn < helpers else None
            if sent is None:
                yield from reader.blocks(start, stop, size=size)
            else:
                yield reader.sent(start, *sent)
            turn = (turn + 1) % (helpers + 1)
    finally:
        for other in others:
            other.end()


class _Other:
    """A process that decodes every so many blocks, and a thread that takes its frames out of the pipe."""

    def __init__(
        self, reader: Reader, settings: ClipSettings, first: int, size: int, step: int, patience_s: float
    ) -> None:
        facts = reader.facts
        self._patience_s = patience_s
        self._shape, self._dtype = (facts.height, facts.width), np.dtype(facts.dtype)
        task = {
            "path": str(Path(facts.path).absolute()),
            "settings": settings.model_dump(),
            "facts": [facts.frame_count, facts.height, facts.width, facts.dtype, facts.full_scale],
            "first": first,
            "size": size,
            "step": step,
        }
        self._starts = range(first, facts.frame_count, step)
        self._stops = [min(start + size, facts.frame_count) for start in self._starts]
        self._waiting: queue.Queue[tuple[NDArray[Any], NDArray[np.bool_]] | None] = queue.Queue(_AHEAD)
        self._over = threading.Event()
        self._process: subprocess.Popen[bytes] | None = None
        root = str(Path(__file__).parents[2])
        paths = os.pathsep.join(filter(None, (root, os.environ.get("PYTHONPATH"))))
        # A program that holds Python within itself may name none, and is then not to be started again.
        with contextlib.suppress(OSError, ValueError, TypeError):
            self._process = subprocess.Popen(
                # Without the present folder among the places where modules are looked for.
                [sys.executable, "-P", "-m", __name__],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                bufsize=0,
                env={**os.environ, "PYTHONPATH": paths},
            )
            assert self._process.stdin is not None
            self._process.stdin.write(json.dumps(task).encode() + b"\n")
            self._process.stdin.flush()
        self._thread = threading.Thread(target=self._take, daemon=True)
        self._thread.start()

    def _take(self) -> None:
        try:
            if self._process is not None and self._process.stdout is not None:
                mark = np.empty(len(_MARK), np.uint8)
                whole = _fill(self._process.stdout, mark) and mark.tobytes() == _MARK
                for start, stop in zip(self._starts, self._stops, strict=True) if whole else ():
                    decoded = np.empty(stop - start, np.bool_)
                    frames = np.empty((stop - start, *self._shape), self._dtype)
                    if not (_fill(self._process.stdout, decoded) and _fill(self._process.stdout, frames)):
                        break
                    self._put((frames, decoded))
        except (OSError, ValueError):
            pass
        self._put(None)

    def _put(self, sent: tuple[NDArray[Any], NDArray[np.bool_]] | None) -> None:
        while not self._over.is_set():
            with contextlib.suppress(queue.Full):
                self._waiting.put(sent, timeout=0.2)
                return

    def next(self, count: int) -> tuple[NDArray[Any], NDArray[np.bool_]] | None:
        """Its next block, of `count` frames; None where it sends no more."""
        if self._over.is_set():
            return None
        try:
            sent = self._waiting.get(timeout=self._patience_s)
        except queue.Empty:
            sent = None
        if sent is None or len(sent[0]) != count:
            self.end()
            return None
        return sent

    def end(self) -> None:
        """End the process."""
        self._over.set()
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._thread.join()
            for pipe in (self._process.stdin, self._process.stdout):
                if pipe is not None:
                    with contextlib.suppress(OSError):
                        pipe.close()
            self._process = None


def _fill(pipe: IO[bytes], out: NDArray[Any]) -> bool:
    """Fill an array from a pipe; False where the pipe ends first."""
    view = out.data.cast("B")
    done = 0
    while done < len(view):
        got = pipe.readinto(view[done:])  # type: ignore[attr-defined]
        if not got:
            return False
        done += got
    return True


def _send() -> None:
    """What the other process does: read the task, decode its blocks, write their frames."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # The process that started this one decides.
    out = os.fdopen(os.dup(1), "wb", buffering=0)
    os.dup2(2, 1)  # Nothing that a library prints gets between the frames.
    task = json.loads(sys.stdin.buffer.readline())
    with open_clip(task["path"], settings=ClipSettings(**task["settings"]), threads=1) as reader:
        facts = reader.facts
        same = [facts.frame_count, facts.height, facts.width, facts.dtype, facts.full_scale] == task["facts"]
        size = task["size"]
        out.write(_MARK)
        for start in range(task["first"], facts.frame_count, task["step"]) if same else ():
            for block in reader.blocks(start, min(start + size, facts.frame_count), size=size):
                for part in (block.decoded, block.frames):
                    view = np.ascontiguousarray(part).data.cast("B")
                    while len(view):
                        view = view[out.write(view) :]


if __name__ == "__main__":
    _send()
