"""The truth about a simulated clip, as tables."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from . import outline, particles
from .particles import ParticleBirths, Sightings
from .scene import Scene
from .timeline import Timeline, forward


def _cut_off(scene: Scene, line: Timeline) -> NDArray[np.bool_]:
    """Stored frames whose outline reaches beyond the middle of the outermost pixels, or under a bar."""
    camera, source = scene.camera, line.source
    ahead_x, ahead_y = forward(camera.direction_deg)
    bar = scene.disturbances.bars.width_px if scene.disturbances.bars else 0
    low = left, top = np.array([bar, 0.0])
    high = right, bottom = np.array([camera.width - 1.0 - bar, camera.height - 1.0])
    # Pools that lie well inside are not looked at closely.
    reach = (line.length + line.width_across)[source]
    x, y = line.beam_x[source], line.beam_y[source]
    inside = (x - reach > left) & (x + reach < right) & (y - reach > top) & (y + reach < bottom)
    cut = np.zeros(len(source), dtype=np.bool_)
    for i in np.flatnonzero(~inside & line.on[source]):
        m = source[i]
        u, v = outline.polygon(line.length[m], line.width[m], line.front[m], line.sway[m], scene.pool.taper).T
        place = np.stack([x[i] + u * ahead_x + v * ahead_y, y[i] + u * ahead_y - v * ahead_x])
        cut[i] = (place.min(axis=1) < low).any() or (place.max(axis=1) > high).any()
    return cut


def _states(scene: Scene, line: Timeline) -> list[str]:
    source = line.source
    repeated = np.diff(source, prepend=-1) == 0
    first = np.searchsorted(source, source)
    cut = _cut_off(scene, line)
    states = []
    for i in range(len(source)):
        if line.black[first[i]] or (not line.on[source[i]] and not line.blown[first[i]]):
            states.append("dark")
        elif line.blown[first[i]]:
            states.append("blown")
        elif repeated[i]:
            states.append("repeated")
        else:
            states.append("cut_off" if cut[i] else "ok")
    return states


def frames_table(scene: Scene, line: Timeline) -> pd.DataFrame:
    """One row a stored frame.

    Columns: frame; time_s (frame / rate) and true_time_s (differs after dropped or repeated frames); state (ok,
    dark, blown, repeated, cut_off); length, width, front, rear and sway in px and mm, area in px² and mm², from
    the outline at mid exposure (front and rear from the beam, along travel); keyhole_brightness (fraction of
    full scale before gain and noise; empty while there is none); gain; origin_x_px, origin_y_px (the beam in the
    image); size (1 for the full pool, less on ramps). Without a pool its figures are missing.
    """
    m = line.source
    scale = scene.camera.mm_per_px
    on = line.on[m]

    def pool(series: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.where(on, series[m], np.nan)

    lengths = {
        "length": pool(line.length),
        "width": pool(line.width_across),
        "front": pool(line.front),
        "rear": pool(line.front - line.length),
    }
    area = pool(line.area)
    return pd.DataFrame(
        {
            "frame": np.arange(scene.frames),
            "time_s": np.arange(scene.frames) / scene.camera.rate_hz,
            "true_time_s": line.times_s[m],
            "state": _states(scene, line),
            **{f"{name}_px": values for name, values in lengths.items()},
            "area_px2": area,
            **{f"{name}_mm": values * scale for name, values in lengths.items()},
            "area_mm2": area * scale**2,
            "sway_px": pool(line.sway),
            "keyhole_brightness": np.where(line.lit[m], line.keyhole[m], np.nan),
            "gain": line.gain[m],
            "origin_x_px": line.beam_x[m],
            "origin_y_px": line.beam_y[m],
            "size": line.size[m],
        }
    )


def _frame_of(line: Timeline, moments: NDArray[np.float64]) -> NDArray[np.float64]:
    """Stored frame number, with fraction, of moments."""
    values, first = np.unique(line.source, return_index=True)
    return np.interp(moments, values, first)


def spatter_table(
    scene: Scene, line: Timeline, flying: ParticleBirths, sighted: pd.DataFrame
) -> pd.DataFrame:
    """One row a particle.

    Columns: particle (from 1); birth_frame (with fraction: when its centre leaves the outline), birth_s; x_px,
    y_px (there); speed_px_frame, speed_mm_s, direction_deg (from forward, counter-clockwise as seen);
    diameter_px, diameter_mm; brightness (when it leaves); first_frame, last_frame, frames_seen (frames in which
    some of it is in the picture and outside the outline; missing where there are none).
    """
    camera = scene.camera
    outside = sighted[sighted["visible"] > 0].groupby("particle")["frame"].agg(["min", "max", "count"])
    number = np.arange(1, len(flying) + 1)
    seen = outside.reindex(number)
    return pd.DataFrame(
        {
            "particle": number,
            "birth_frame": _frame_of(line, flying.birth_s * camera.rate_hz),
            "birth_s": flying.birth_s,
            "x_px": flying.x,
            "y_px": flying.y,
            "speed_px_frame": flying.speed_mm_s / camera.mm_per_px / camera.rate_hz,
            "speed_mm_s": flying.speed_mm_s,
            "direction_deg": flying.direction_deg,
            "diameter_px": flying.diameter_mm / camera.mm_per_px,
            "diameter_mm": flying.diameter_mm,
            "brightness": flying.brightness,
            "first_frame": seen["min"].to_numpy(),
            "last_frame": seen["max"].to_numpy(),
            "frames_seen": seen["count"].fillna(0).astype(int).to_numpy(),
        }
    ).astype({"first_frame": "Int64", "last_frame": "Int64"})


def sightings_table(
    scene: Scene, line: Timeline, flying: ParticleBirths, seen: Sightings, peaks: NDArray[np.float64]
) -> pd.DataFrame:
    """One row a particle and stored frame.

    Columns: particle, frame; x_px, y_px (centre at the middle of the exposure in which it is drawn); visible
    (share of the disc in the picture and outside the outline, times its share of the exposure); streak_px
    (path of the centre during the exposure); peak_brightness (brightest pixel, point spread included, before
    gain and noise).
    """
    share = particles.visible(scene, line, flying, seen)
    # A moment shown twice gives two rows, one never shown none.
    start = np.searchsorted(line.source, seen.moment)
    stop = np.searchsorted(line.source, seen.moment, side="right")
    rows = np.repeat(np.arange(len(seen.moment)), stop - start)
    within = np.arange(len(rows)) - np.repeat(np.cumsum(stop - start) - (stop - start), stop - start)
    return pd.DataFrame(
        {
            "particle": seen.particle[rows] + 1,
            "frame": start[rows] + within,
            "x_px": ((seen.x0 + seen.x1) / 2)[rows],
            "y_px": ((seen.y0 + seen.y1) / 2)[rows],
            "visible": share[rows],
            "streak_px": np.hypot(seen.x1 - seen.x0, seen.y1 - seen.y0)[rows],
            "peak_brightness": peaks[rows],
        }
    )
