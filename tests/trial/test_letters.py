from __future__ import annotations

import numpy as np
import pytest

from poolwatch.trial.letters import group_letters, letter


def table(n: int, *pairs: tuple[int, int]) -> np.ndarray:
    apart = np.zeros((n, n), dtype=bool)
    for i, j in pairs:
        apart[i, j] = apart[j, i] = True
    return apart


def test_all_alike_share_one_letter() -> None:
    assert group_letters(table(4)) == ["a", "a", "a", "a"]


def test_all_that_differ_have_a_letter_each() -> None:
    assert group_letters(~np.eye(3, dtype=bool)) == ["a", "b", "c"]


def test_the_middle_shape_can_belong_to_both_ends() -> None:
    assert group_letters(table(3, (0, 2))) == ["a", "ab", "b"]


def test_a_ring_of_four_needs_four_pairs_in_common() -> None:
    # 0 and 2 apart, 1 and 3 apart: the pairs left alike are 01, 12, 23, 03.
    letters = group_letters(table(4, (0, 2), (1, 3)))
    assert sorted("".join(letters)) == list("aabbccdd")


def test_piepho_2004_worked_display() -> None:
    # Piepho (2004), section 3: eight treatments, told apart 1-7, 1-8, 2-4, 2-5, 3-5 (structure of the example
    # as remembered; the display is checked by its defining property, not by remembered letters).
    apart = table(8, (0, 6), (0, 7), (1, 3), (1, 4), (2, 4))
    letters = group_letters(apart)
    for i in range(8):
        for j in range(i):
            assert bool(set(letters[i]) & set(letters[j])) != apart[i, j]


def test_never_contradict_the_tests_on_1000_random_tables() -> None:
    rng = np.random.default_rng(11)
    for _ in range(1000):
        n = int(rng.integers(2, 10))
        apart = np.triu(rng.random((n, n)) < rng.random(), 1)
        apart = apart | apart.T
        letters = group_letters(apart)
        shared = np.array([[bool(set(a) & set(b)) for b in letters] for a in letters])
        np.testing.assert_array_equal(shared, ~apart)


def test_no_letter_can_be_spared() -> None:
    rng = np.random.default_rng(12)
    for _ in range(200):
        n = int(rng.integers(2, 8))
        apart = np.triu(rng.random((n, n)) < 0.4, 1)
        apart = apart | apart.T
        letters = group_letters(apart)
        for spared in set("".join(letters)):
            rest = [set(text) - {spared} for text in letters]
            shared = np.array([[bool(a & b) for b in rest] for a in rest])
            assert not np.array_equal(shared, ~apart)


def test_refuses_a_table_that_is_not_symmetric() -> None:
    with pytest.raises(ValueError, match="symmetric"):
        group_letters(np.array([[False, True], [False, False]]))


def test_letters_go_on_after_z() -> None:
    assert [letter(k) for k in (0, 25, 26, 51, 52)] == ["a", "z", "A", "Z", "a1"]
