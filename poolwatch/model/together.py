"""Work on threads whose results do not depend on how many there are: several pieces at a time, or one beside others."""

from __future__ import annotations

import contextlib
import itertools
import os
import threading
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import Generic, TypeVar

Given = TypeVar("Given")
Result = TypeVar("Result")
# More threads would wait for one another: what is done here is Python between kernels.
_MOST = 4


def _threads() -> int:
    return min(os.cpu_count() or 1, _MOST)


def together(function: Callable[[Given], Result], pieces: Iterable[Given]) -> list[Result]:
    """`function` of every piece, in their order, several at a time; raises what the first that fails raises."""
    all_of_them = list(pieces)
    threads = min(_threads(), len(all_of_them))
    if threads < 2:
        return [function(piece) for piece in all_of_them]
    with ThreadPoolExecutor(threads) as pool:
        return list(pool.map(function, all_of_them))


def shares(count: int) -> list[range]:
    """Numbers from 0 to `count` - 1 in as many runs as there are threads, none of them empty."""
    threads = min(_threads(), count)
    edges = [count * k // threads for k in range(threads + 1)] if count else []
    return [range(first, stop) for first, stop in itertools.pairwise(edges)]


def ahead(steps: Iterator[Result]) -> Iterator[Result]:
    """What an iterator gives, each worked out in a thread of its own while the one before is in use."""
    with ThreadPoolExecutor(1) as pool:
        following = pool.submit(list, itertools.islice(steps, 1))
        while step := following.result():
            following = pool.submit(list, itertools.islice(steps, 1))
            yield from step


class Later(Generic[Result]):
    """A value that is worked out when it is asked for, or beside everything else from `begin` on."""

    def __init__(self, function: Callable[[], Result]) -> None:
        self._function: Callable[[], Result] | None = function
        self._result: Result
        self._error: BaseException | None = None
        self._thread: threading.Thread | None = None

    def begin(self) -> None:
        """Start working it out in a thread of its own."""
        if self._thread is None and self._function is not None:
            thread = threading.Thread(target=self._work, daemon=True)
            # Where no thread can be had, it is worked out when it is asked for.
            with contextlib.suppress(RuntimeError):
                thread.start()
                self._thread = thread

    def value(self) -> Result:
        """The value; raises what working it out has raised."""
        if self._thread is not None:
            self._thread.join()
        elif self._function is not None:
            self._work()
        if self._error is not None:
            raise self._error
        return self._result

    def _work(self) -> None:
        function, self._function = self._function, None
        assert function is not None
        try:
            self._result = function()
        except BaseException as error:  # noqa: BLE001 - told to who asks for the value
            self._error = error
