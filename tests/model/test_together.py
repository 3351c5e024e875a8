"""Work on threads: order, errors, shares, and values that are worked out beside others."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator

import pytest

from poolwatch.model.together import Later, ahead, shares, together


def test_results_come_in_the_order_of_the_pieces() -> None:
    def late(k: int) -> int:
        time.sleep(0.001 * (5 - k % 5))
        return k * k

    assert together(late, range(40)) == [k * k for k in range(40)]
    assert together(late, []) == []


def test_the_first_error_is_raised() -> None:
    def fails(k: int) -> int:
        if k in (3, 7):
            raise ValueError(f"piece {k}")
        return k

    with pytest.raises(ValueError, match="piece 3"):
        together(fails, range(10))


@pytest.mark.parametrize("count", [0, 1, 2, 3, 7, 64])
def test_shares_hold_every_number_once(count: int) -> None:
    runs = shares(count)
    assert [k for run in runs for k in run] == list(range(count))
    assert all(len(run) for run in runs)


def test_what_comes_ahead_comes_in_order_and_ends_with_an_error_of_its_own() -> None:
    begun = []

    def steps() -> Iterator[int]:
        for k in range(3):
            begun.append(threading.current_thread())
            yield k
        raise ValueError("no more")

    came = []
    with pytest.raises(ValueError, match="no more"):
        for step in ahead(steps()):
            came.append(step)
    assert came == [0, 1, 2]
    got = ahead(steps())
    assert [next(got), next(got)] == [0, 1]
    got.close()
    assert threading.current_thread() not in begun
    assert not any(thread.is_alive() for thread in begun)


def test_a_later_value_is_worked_out_once() -> None:
    calls: list[str] = []

    def work() -> float:
        calls.append(threading.current_thread().name)
        return 2.5

    asked = Later(work)
    assert (asked.value(), asked.value(), len(calls)) == (2.5, 2.5, 1)
    assert calls == [threading.current_thread().name]
    begun = Later(work)
    begun.begin()
    begun.begin()
    assert (begun.value(), len(calls)) == (2.5, 2)
    assert calls[1] != threading.current_thread().name


@pytest.mark.parametrize("begun", [False, True])
def test_a_later_error_is_told_to_who_asks(begun: bool) -> None:
    def fails() -> float:
        raise ValueError("no room")

    later = Later(fails)
    if begun:
        later.begin()
    for _ in range(2):
        with pytest.raises(ValueError, match="no room"):
            later.value()
