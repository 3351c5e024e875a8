"""Flights of tracks that run into one another, and of clips in which sightings scatter by more than they state."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from poolwatch.spatter import learn, particles
from poolwatch.spatter.facts import SpatterLook
from poolwatch.spatter.flight import Flights, as_the_clip_scatters, find_flights
from poolwatch.spatter.linking import Tracks
from poolwatch.spatter.merging import pulls
from poolwatch.spatter.paths import PATH
from poolwatch.spatter.records import SIGHTING
from poolwatch.spatter.settings import SpatterSettings

FRAMES = 40
U = 0.02


@pytest.fixture(scope="module")
def look() -> SpatterLook:
    noise = 20 + np.random.default_rng(1).standard_normal((12, 192, 320))
    return learn(np.round(noise).astype(np.uint8), full_scale=255, settings=SpatterSettings(psf_sigma_px=0.9))


def flight(
    frames: list[int] | range, at: tuple[float, float], v: tuple[float, float], diameter: float = 6.0
) -> NDArray[np.void]:
    """Sightings on a straight line, `at` in frame 0."""
    s = np.zeros(len(frames), dtype=SIGHTING)
    t = np.array(frames)
    s["frame"], s["x"], s["y"] = t, at[0] + v[0] * t, at[1] + v[1] * t
    s["flux"], s["spread"] = 100 * np.pi / 4 * diameter**2, diameter**2 / 16
    s["u_x"] = s["u_y"] = U
    s["u_flux"], s["u_spread"], s["u_streak"], s["slope"] = 0.02, 0.1, 3.0, 1 / 24
    s["signal"], s["peak"], s["misfit"] = 40.0, 0.4, 1.0
    return s


def linked(parts: list[NDArray[np.void]]) -> Tracks:
    starts = np.append(0, np.cumsum([len(part) for part in parts]))
    return Tracks(np.concatenate(parts), starts.astype(np.int64), np.ones(FRAMES, dtype=bool), 0)


def lines(tracks: Tracks) -> NDArray[np.void]:
    """Their true lines, from the first two sightings."""
    path = np.zeros(len(tracks), dtype=PATH)
    for k, a in enumerate(tracks.starts[:-1]):
        one, two = tracks.sightings[a], tracks.sightings[a + 1]
        step = float(two["frame"] - one["frame"])
        path["t0"][k], path["x0"][k], path["y0"][k] = one["frame"], one["x"], one["y"]
        path["vx"][k], path["vy"][k] = (two["x"] - one["x"]) / step, (two["y"] - one["y"]) / step
    return path


def run_into(until: int) -> tuple[list[NDArray[np.void]], list[int]]:
    """Two alike that fly into one another from frame 8 on; from `until` on both are seen apart again."""
    a, b = flight(range(4, 24), (20.0, 80.0), (8.0, 1.0)), flight(range(4, 24), (32.0, 80.0), (7.0, 1.2))
    both = list(range(8, until))
    for k in both:
        a["x"][k - 4], a["y"][k - 4] = (
            (a["x"][k - 4] + b["x"][k - 4]) / 2,
            (a["y"][k - 4] + b["y"][k - 4]) / 2,
        )
        a["flux"][k - 4] *= 2
    return [a, b[~np.isin(b["frame"], both)]], both


@pytest.mark.parametrize("until", [14, 24])
def test_who_is_awaited_and_not_seen_is_in_the_other(until: int) -> None:
    parts, both = run_into(until)
    tracks = linked(parts)
    found = pulls(tracks, lines(tracks), 1.0)
    pulled = tracks.sightings["frame"][found > 0]
    assert pulled.tolist() == both
    assert not found[len(parts[0]) :].any()
    # The middle of two alike lies as far from either.
    truth = 20.0 + 8.0 * np.array(both)
    off = parts[0]["x"][np.isin(parts[0]["frame"], both)] - truth
    assert (np.abs(off) <= np.sqrt(found[found > 0]) + 1e-3).all()


def test_what_is_lost_and_found_again_holds_nobody() -> None:
    one = flight(range(4, 30), (20.0, 80.0), (8.0, 1.0))
    tracks = linked([one[:10], one[10:]])
    assert not pulls(tracks, lines(tracks), 1.0).any()


def test_nobody_is_awaited_where_its_line_is_not_known() -> None:
    # What flares up for four frames beside something that stays, and stands still as far as can be told.
    lasting, flare = (
        flight(range(FRAMES), (50.0, 80.0), (0.0, 0.0)),
        flight(range(15, 19), (54.0, 80.0), (0.0, 0.0)),
    )
    tracks = linked([lasting, flare])
    path = lines(tracks)
    path["u_vx"][1] = 0.5
    awaited = tracks.sightings["frame"][pulls(tracks, path, 1.0) > 0]
    # 3 px and a blur of 1 px is what half a pixel a frame makes of it in 8 frames.
    assert awaited.tolist() == [*range(7, 15), *range(19, 24)]


def test_a_small_particle_pulls_a_large_one_little() -> None:
    large = flight(range(4, 24), (20.0, 80.0), (8.0, 1.0), diameter=20.0)
    small = flight([4, 5, 6, 7, 8, 15, 16, 17, 18], (44.0, 80.0), (6.0, 1.0), diameter=4.0)
    tracks = linked([large, small])
    found = pulls(tracks, lines(tracks), 1.0)
    assert tracks.sightings["frame"][found > 0].tolist() == list(range(9, 15))
    assert np.sqrt(found.max()) < 0.05 * 14


def test_a_speed_is_right_within_what_is_stated_where_two_fly_as_one(look: SpatterLook) -> None:
    parts, _ = run_into(24)
    rng = np.random.default_rng(4)
    for part in parts:
        part["x"] += U * rng.standard_normal(len(part))
        part["y"] += U * rng.standard_normal(len(part))
    table = particles(linked(parts), look, None, exposure_frames=0.0).particles
    first = table.sort_values("frames_seen").iloc[-1]
    assert first["frames_seen"] == 20
    assert abs(first["speed_px"] - np.hypot(8.0, 1.0)) < 3 * first["speed_u_px"]
    assert first["speed_u_px"] < 0.1


@pytest.mark.parametrize("times", [1.0, 3.0])
@pytest.mark.parametrize("seen", [5, 12])
def test_short_tracks_are_as_unsure_as_the_clip_shows(look: SpatterLook, times: float, seen: int) -> None:
    rng = np.random.default_rng(7)
    parts = []
    for k in range(150):
        part = flight(range(seen), (20.0, 10.0 + k), (8.0, 1.0))
        part["x"] += times * U * rng.standard_normal(seen)
        part["y"] += times * U * rng.standard_normal(seen)
        parts.append(part)
    tracks = linked(parts)
    # So many on one spot are not meant to hold each other.
    flights = Flights(find_flights(tracks, look).path, np.zeros(len(tracks.sightings)))
    path = as_the_clip_scatters(tracks, flights, np.ones(len(tracks), dtype=bool))
    z = (path["vx"] - 8.0) / path["u_vx"]
    assert 0.8 < np.sqrt((z**2).mean()) < 1.2
    if times == 1.0:
        assert path is flights.path
    else:
        before = (flights.path["vx"] - 8.0) / flights.path["u_vx"]
        assert np.sqrt((before**2).mean()) > 1.15 * np.sqrt((z**2).mean())


def test_a_bent_flight_is_no_scatter(look: SpatterLook) -> None:
    rng = np.random.default_rng(8)
    parts = []
    for k in range(60):
        part = flight(range(12), (20.0, 10.0 + k), (8.0, 1.0))
        t = np.arange(12.0)
        # Drag along the flight and weight across it, many times what a sighting is known to.
        part["x"] += U * rng.standard_normal(12) - 0.01 * t**2
        part["y"] += U * rng.standard_normal(12) + 0.02 * t**2
        parts.append(part)
    tracks = linked(parts)
    flights = Flights(find_flights(tracks, look).path, np.zeros(len(tracks.sightings)))
    counted = np.ones(len(tracks), dtype=bool)
    assert as_the_clip_scatters(tracks, flights, counted) is flights.path
    # What scatters about the bend is still seen.
    tracks.sightings["y"] += 3 * U * rng.standard_normal(len(tracks.sightings))
    flights = Flights(find_flights(tracks, look).path, np.zeros(len(tracks.sightings)))
    wider = as_the_clip_scatters(tracks, flights, counted)
    assert (wider["u_vy"] > flights.path["u_vy"]).all()
