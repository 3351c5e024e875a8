"""Marks and flickers that lie in line by chance are no particles; streaks and doubtful fits tell them."""

from __future__ import annotations

import numpy as np
import pytest

from poolwatch.spatter import learn, particles
from poolwatch.spatter.linking import Tracks
from poolwatch.spatter.records import SIGHTING


def sightings(step: tuple[float, float], count: int, streak2: float, *, at: float = 0.0) -> np.ndarray:
    """A straight flight, 5 px across, drawn out along its way to a squared length of `streak2` px²."""
    s = np.zeros(count, dtype=SIGHTING)
    turn = np.arctan2(step[1], step[0])
    s["frame"] = np.arange(count)
    s["x"], s["y"] = at + 20 + step[0] * np.arange(count), 40 + step[1] * np.arange(count)
    s["flux"], s["spread"] = 3000.0, 25 / 16 + streak2 / 24
    s["streak_m"], s["streak_n"] = streak2 * np.cos(2 * turn), streak2 * np.sin(2 * turn)
    s["u_x"] = s["u_y"] = 0.05
    s["u_flux"], s["u_spread"], s["u_streak"], s["slope"] = 0.02, 0.1, 3.0, 1 / 24
    s["signal"], s["peak"], s["misfit"] = 40.0, 0.4, 1.0
    return s


def judged(tracks: list[np.ndarray], exposure: float | None, *, lit: bool = False) -> list[str]:
    """Reasons, in order of the tracks; empty where one counts."""
    noise = 20 + np.random.default_rng(1).standard_normal((12, 96, 256))
    look = learn(np.round(noise).astype(np.uint8), full_scale=255)
    starts = np.concatenate([[0], np.cumsum([len(t) for t in tracks])])
    linked = Tracks(np.concatenate(tracks), starts, np.ones(40, dtype=bool), 0)
    shadows = np.zeros(len(tracks), dtype=bool) if lit else None
    found = particles(linked, look, None, exposure_frames=exposure, shadows=shadows)
    reasons = {(r.first_x_px, r.vy_px): r.reason for r in found.rejected.itertuples()}
    return [
        next((word for (x, vy), word in reasons.items() if x == t["x"][0] and abs(vy - (t["y"][1] - t["y"][0])) < 0.1), "")
        for t in tracks
    ]  # fmt: skip


@pytest.mark.parametrize("step", [(25.0, 3.0), (8.0, -14.0)])
def test_round_spots_in_line_are_not_in_flight(step: tuple[float, float]) -> None:
    due = 0.16 * (step[0] ** 2 + step[1] ** 2)
    flight, spots = sightings(step, 5, due), sightings(step, 3, 0.0, at=30.0)
    assert judged([flight, spots], 0.4) == ["", "odd_streak"]


def test_streaks_across_the_flight_tell_without_an_exposure() -> None:
    along = sightings((12.0, 0.0), 4, 150.0)
    across = sightings((12.0, 0.0), 4, 150.0, at=30.0)
    across["streak_m"] *= np.array([-1, 1, -1, -1])
    assert judged([along, across], None) == ["", "odd_streak"]


def test_shapeless_sightings_do_not_outvote_clear_ones() -> None:
    pair = sightings((3.0, -1.0), 10, 300.0)
    pair["streak_m"] *= -1
    pair["streak_n"] *= -1
    pair["u_streak"][3:] = 2000.0
    assert judged([pair], 0.4) == ["odd_streak"]


def test_what_is_lit_from_one_side_is_drawn_out_alike_in_every_sighting() -> None:
    half, marks = sightings((6.0, 2.0), 8, 80.0), sightings((6.0, 2.0), 8, 80.0, at=60.0)
    half["streak_m"] *= -1
    turns = np.random.default_rng(3).uniform(0, 2 * np.pi, 8)
    marks["streak_m"], marks["streak_n"] = 80 * np.cos(turns), 80 * np.sin(turns)
    assert judged([half, marks], 0.1) == ["odd_streak"] * 2
    assert judged([half, marks], 0.1, lit=True) == ["", "odd_streak"]


def test_an_exposure_told_wrongly_rejects_nothing() -> None:
    flights = [sightings((v, 2.0), 6, 0.16 * (v * v + 4), at=5.0 * v) for v in (10.0, 12.0, 14.0, 16.0)]
    assert judged(flights, 0.9) == [""] * 4


def test_three_doubtful_fits_are_no_particle() -> None:
    clear, doubtful = sightings((6.0, 2.0), 4, 6.0), sightings((6.0, 2.0), 4, 6.0, at=30.0)
    doubtful["u_flux"][:2] = 0.7
    lost = sightings((6.0, 2.0), 4, 6.0, at=60.0)
    lost["u_x"][1:3] = 4.0
    for one in (doubtful, lost):
        one["signal"] = 6.0
    # A bright streak that the border cuts off is no doubtful one.
    cut = sightings((6.0, 3.0), 3, 7.0, at=90.0)
    cut["u_flux"][2], cut["u_x"][2] = 0.9, 10.0
    assert judged([clear, doubtful, lost, cut], 0.4) == ["", "doubtful", "doubtful", ""]
