"""Footage to particles: every one once, and nothing else."""

from __future__ import annotations

import numpy as np
import pytest

from poolwatch.spatter import SpatterSettings, detect, detecting, link, particles
from poolwatch.spatter.counting import COLUMNS, ENDS
from poolwatch.spatter.judging import REASONS
from tests.spatter.conftest import Measured, measure, must_be_found, partners
from tests.spatter.rendered import Flight, Footage, shower

pytestmark = pytest.mark.slow


def test_every_particle_once(ordinary: Measured) -> None:
    wanted = must_be_found(ordinary.footage)
    found = partners(ordinary, ordinary.footage.flights)
    missed = [flight for flight in wanted if flight not in found.values()]
    assert len(wanted) > 25
    assert missed == []
    assert len(ordinary.spatter.particles) == len(found)


def test_size_and_speed_with_their_uncertainties(ordinary: Measured) -> None:
    table = ordinary.spatter.particles.set_index("particle")
    found = partners(ordinary, ordinary.footage.flights)
    size = np.array([(table.diameter_px[p], table.diameter_u_px[p], f.diameter) for p, f in found.items()])
    speed = np.array(
        [(table.speed_px[p], table.speed_u_px[p], np.hypot(f.vx, f.vy)) for p, f in found.items()]
    )
    assert np.median(size[:, 0] / size[:, 2]) == pytest.approx(1, abs=0.02)
    assert np.median(speed[:, 0] / speed[:, 2]) == pytest.approx(1, abs=0.003)
    assert 0.3 < np.std((size[:, 0] - size[:, 2]) / size[:, 1]) < 1.6
    assert 0.5 < np.std((speed[:, 0] - speed[:, 2]) / speed[:, 1]) < 1.6
    assert ordinary.look.psf_sigma_px == pytest.approx(1.0, abs=0.04)
    assert ordinary.look.psf_source == "found"


def test_noise_is_learned(ordinary: Measured) -> None:
    assert ordinary.look.read == pytest.approx(1.5**2 + 1 / 12, rel=0.2)
    assert ordinary.look.shot == pytest.approx(0.1, rel=0.2)


def test_tables_are_complete_and_documented(ordinary: Measured) -> None:
    assert list(ordinary.spatter.particles.columns) == list(COLUMNS)
    assert list(ordinary.spatter.rejected.columns) == list(COLUMNS)
    assert set(ordinary.spatter.particles["end"]) <= set(ENDS)
    assert set(ordinary.spatter.rejected["reason"]) <= set(REASONS)
    assert (ordinary.spatter.particles["reason"] == "").all()
    seen = ordinary.spatter.sightings.groupby("particle").size()
    table = ordinary.spatter.particles.set_index("particle")
    assert (seen[seen.index > 0] == table["frames_seen"]).all()


def test_left_frame_is_when_it_crossed_the_outline(ordinary: Measured) -> None:
    table = ordinary.spatter.particles.set_index("particle")
    apart = [table.left_frame[p] - f.first for p, f in partners(ordinary, ordinary.footage.flights).items()]
    # The rim breathes by 1 px while particles fly 3 to 12 px a frame.
    assert np.median(np.abs(apart)) < 0.3


def test_blocks_do_not_matter(ordinary: Measured) -> None:
    whole = ordinary.sightings
    pieces = []
    for start in range(0, 160, 37):
        part = detect(
            ordinary.frames[start : start + 37], ordinary.outlines[start : start + 37], ordinary.look
        )
        part["frame"] += start
        pieces.append(part)
    assert np.concatenate(pieces).tobytes() == whole.tobytes()


def test_room_for_regions_does_not_matter(ordinary: Measured, monkeypatch: pytest.MonkeyPatch) -> None:
    # Two regions at first: less than the frames hold, so that room is made and frames are searched again.
    monkeypatch.setattr(detecting, "_ROOM", 2)
    monkeypatch.setattr(detecting, "_HELD", 500)
    again = detect(ordinary.frames, ordinary.outlines, ordinary.look)
    assert again.tobytes() == ordinary.sightings.tobytes()


def test_empty_clip_gives_empty_tables(ordinary: Measured) -> None:
    tracks = link(ordinary.sightings[:0], np.ones(50, dtype=bool), ordinary.footage.size)
    found = particles(tracks, ordinary.look, None)
    assert len(found.particles) == len(found.rejected) == len(found.sightings) == 0
    assert list(found.particles.columns) == list(COLUMNS)


@pytest.mark.long
def test_shadows_on_a_bright_ground_are_the_same_particles() -> None:
    flights = shower(20, 80, seed=9)
    settings = SpatterSettings(polarity="dark")
    found = measure(Footage(flights, frames=80, shot=0.0, dark=True), settings, exposure=0.3)
    wanted = must_be_found(found.footage)
    assert [f for f in wanted if f not in partners(found, flights).values()] == []
    table = found.spatter.particles.set_index("particle")
    ratio = [table.diameter_px[p] / f.diameter for p, f in partners(found, flights).items()]
    assert np.median(ratio) == pytest.approx(1, abs=0.02)


@pytest.mark.long
def test_saturated_particles_keep_their_size() -> None:
    flights = shower(25, 100, seed=3, grey=(350.0, 600.0), diameter=(4.0, 12.0))
    found = measure(Footage(flights, frames=100), exposure=0.3)
    table = found.spatter.particles.set_index("particle")
    pairs = partners(found, flights)
    assert len(pairs) > 10
    assert (table.loc[list(pairs), "saturated"] == 1).mean() > 0.9
    ratio = [table.diameter_px[p] / f.diameter for p, f in pairs.items()]
    assert np.median(ratio) == pytest.approx(1, abs=0.04)


def test_crossing_particles_keep_their_identities() -> None:
    # Two meet at (200, 80) in frame 20, at right angles.
    flights = [
        Flight(0, 120 + 80 - 20 * 3.5, 80 - 20 * 2.0, 3.5, 2.0, 6.0, 160.0),
        Flight(0, 120 + 80 - 20 * 3.5, 80 + 20 * 2.0, 3.5, -2.0, 7.0, 120.0),
    ]
    found = measure(Footage(flights, frames=32, size=(160, 260)))
    rows = found.tracks.sightings
    assert len(found.tracks) == 2
    for k in range(2):
        mine = rows[found.tracks.starts[k] : found.tracks.starts[k + 1]]
        first, last = mine[0], mine[-1]
        flight = min(
            flights, key=lambda f: abs(found.footage.place(f, int(first["frame"]))[1] - float(first["y"]))
        )
        assert abs(found.footage.place(flight, int(last["frame"]))[1] - float(last["y"])) < 1.0


def test_what_only_crosses_the_picture_does_not_count() -> None:
    flights = [Flight(0, 2, 20, 6, 0.0, 6, 150), Flight(0, 60, 12, 0.05, 0.0, 5, 150)]
    found = measure(Footage(flights, frames=60))
    assert len(found.spatter.particles) == 0
    assert set(found.spatter.rejected["reason"]) <= {"not_from_pool", "toward_pool", "late", "slow"}
    assert "not_from_pool" in set(found.spatter.rejected["reason"])
