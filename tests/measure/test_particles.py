"""Particles where a frame's outline is not known: what lies on the pool is none."""

from __future__ import annotations

import numpy as np

from poolwatch.measure.particles import outside_pool
from poolwatch.spatter.records import SIGHTING


def test_what_lies_on_the_pool_is_left_out_where_its_outline_is_not_known() -> None:
    turn = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    pool = np.column_stack([100 + 30 * np.cos(turn), 60 + 15 * np.sin(turn)])
    # Frames 3 to 6 are hidden, 8 is blind: nothing was searched there; the pool moves on by 20 px meanwhile.
    outlines = {k: np.zeros((0, 2)) if 3 <= k <= 6 else pool + (20.0 * (k > 6), 0.0) for k in range(10)}
    places = [(2, 100, 60), (4, 100, 60), (4, 100, 90), (5, 149, 60), (5, 60, 60), (6, 131, 60), (6, 200, 60)]
    sightings = np.zeros(len(places), dtype=SIGHTING)
    for row, (frame, x, y) in zip(sightings, places, strict=True):
        row["frame"], row["x"], row["y"] = frame, x, y
    measured = np.arange(10) != 8
    kept = outside_pool(sightings, outlines.__getitem__, measured, 4.0)
    # A frame with an outline left the pool out when it was searched, and is taken as it is.
    assert [tuple(row)[:3] for row in kept[["frame", "x", "y"]]] == [
        (2, 100, 60),
        (4, 100, 90),
        (5, 60, 60),
        (6, 200, 60),
    ]


def test_where_nothing_is_near_all_is_kept() -> None:
    sightings = np.zeros(2, dtype=SIGHTING)
    sightings["frame"] = 0, 90
    kept = outside_pool(sightings, lambda k: np.zeros((0, 2)), np.ones(100, dtype=bool), 4.0)
    assert len(kept) == 2
