"""The garbage collector works seldom in a block, and as before behind it."""

from __future__ import annotations

import gc
from collections.abc import Iterator

import pytest

from poolwatch.model.collecting import collecting_seldom


@pytest.fixture(autouse=True)
def _as_it_was() -> Iterator[None]:
    before = gc.get_threshold()
    yield
    gc.set_threshold(*before)


def test_blocks_within_and_beside_one_another_put_things_back() -> None:
    gc.set_threshold(700, 10, 10)
    first, second = collecting_seldom(), collecting_seldom()
    first.__enter__()
    second.__enter__()
    assert gc.get_threshold()[0] > 10_000
    first.__exit__(None, None, None)
    assert gc.get_threshold()[0] > 10_000
    second.__exit__(None, None, None)
    assert gc.get_threshold() == (700, 10, 10)


def test_an_error_puts_things_back() -> None:
    gc.set_threshold(700, 10, 10)
    with pytest.raises(KeyError), collecting_seldom():
        raise KeyError
    assert gc.get_threshold() == (700, 10, 10)


@pytest.mark.parametrize("chosen", [(0, 10, 10), (1_000_000, 5, 5)])
def test_what_a_program_has_chosen_is_not_overruled(chosen: tuple[int, int, int]) -> None:
    gc.set_threshold(*chosen)
    with collecting_seldom():
        assert gc.get_threshold() == chosen
    assert gc.get_threshold() == chosen


def test_cycles_are_still_collected_in_it() -> None:
    class Node:
        alive = 0

        def __init__(self) -> None:
            self.me = self
            Node.alive += 1

        def __del__(self) -> None:
            Node.alive -= 1

    gc.set_threshold(700, 10, 10)
    with collecting_seldom():
        for _ in range(400_000):
            Node()
        assert Node.alive < 100_000
    gc.collect()
    assert Node.alive == 0
