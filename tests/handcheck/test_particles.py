"""Marks of particles against counted ones: known misses and inventions are counted as such."""

from __future__ import annotations

import numpy as np
import pytest

from poolwatch.handcheck.particles import check_particles

RUN = (100, 129)


def flight(number, first, last, start, step, diameter=5.0):
    return [
        {
            "particle": number,
            "frame": frame,
            "x_px": start[0] + step[0] * (frame - first),
            "y_px": start[1] + step[1] * (frame - first),
            "diameter_px": diameter,
        }
        for frame in range(first, last + 1)
    ]


@pytest.fixture
def clip(invented):
    return invented(
        seed=1,
        tracks=[
            *flight(1, 95, 110, (50, 50), (3, 0)),
            *flight(2, 105, 120, (300, 60), (0, 4)),
            *flight(3, 110, 125, (304, 80), (0, 4)),
            *flight(4, 131, 140, (200, 200), (2, 2)),
            *flight(5, 40, 60, (10, 10), (1, 1)),
            *flight(-1, 100, 104, (120, 120), (1, 0)),
        ],
    )


def test_each_particle_once(clip):
    # In flight at the start; found two frames late; near another's path; before the tool saw it; on a track that does
    # not count; nothing there.
    marks = [
        (100, 66.0, 51.0),
        (107, 301.0, 69.0),
        (110, 304.0, 81.0),
        (129, 196.0, 196.0),
        (101, 121.0, 121.0),
        (115, 20.0, 250.0),
    ]
    found = check_particles(clip.measurement, marks, RUN)
    assert (found.marked, found.found, found.rejected) == (6, 4, 1)
    # Number 4 is first seen after the run: it cannot be asked of the person.
    assert (found.counted, found.met) == (3, 3)
    assert found.recall.low < 4 / 6 < found.recall.high
    assert found.precision.value == 1.0


def test_one_mark_meets_one_particle(clip):
    marks = [(112, 300.0, 88.0), (112, 300.5, 88.5), (112, 301.0, 87.0)]
    found = check_particles(clip.measurement, marks, RUN)
    # Two flights pass there, and three marks.
    assert found.found == 2


@pytest.mark.parametrize(
    ("along", "across", "met"), [(0, 7.0, True), (0, 8.0, False), (8.5, 0, True), (10, 0, False)]
)
def test_gate_is_longer_along_the_flight(invented, along, across, met):
    clip = invented(seed=1, tracks=flight(1, 95, 140, (50, 50), (3, 0)))
    mark = (110, 50.0 + 45.0 + along, 50.0 + across)
    # Half of 5 px and 5 px across, half a step of 3 px more along.
    assert check_particles(clip.measurement, [mark], RUN).found == met


def test_nothing_marked_and_nothing_counted(invented, clip):
    found = check_particles(clip.measurement, [], RUN)
    assert (found.marked, found.counted, found.met) == (0, 3, 0)
    assert np.isnan(found.recall.value)
    empty = check_particles(invented(seed=1).measurement, [(100, 5.0, 5.0)], RUN)
    assert (empty.counted, empty.found) == (0, 0)
