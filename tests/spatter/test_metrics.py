"""The metrics' worked cases (gate 5 px), computed by hand from the published definitions."""

from __future__ import annotations

import pytest

from tests.spatter.metrics import Track, match


def line(start: int, stop: int, x: float, y: float) -> Track:
    return {k: (x + k, y) for k in range(start, stop)}


ONE, TWO = line(0, 10, 0, 0), line(0, 10, 0, 50)


@pytest.mark.parametrize(
    ("found", "expected"),
    [
        ([ONE, TWO], (1, 1, 1, 1, 0)),
        # One found 1 px off, one missed, one false track of 5 points.
        ([line(0, 10, 0, 1), line(0, 5, 0, 200)], (0.40, 0.32, 0.40, 1 / 3, 1.0)),
        # One whole, the other in two halves.
        ([ONE, line(0, 5, 0, 50), line(5, 10, 0, 50)], (0.75, 0.60, 0.60, 2 / 3, 0)),
        ([], (0, 0, 0, 0, 0)),
    ],
    ids=["perfect", "offset-missed-false", "broken", "nothing"],
)
def test_worked_cases(found: list[Track], expected: tuple[float, ...]) -> None:
    result, _ = match(found, [ONE, TWO], 5.0)
    got = (result.alpha, result.beta, result.jsc, result.jsc_theta, result.rmse)
    assert got == pytest.approx(expected)
