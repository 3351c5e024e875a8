"""Spatter: when and where particles leave the pool, how they fly, and what each frame sees of them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from . import outline
from .scene import Scene
from .timeline import Timeline, forward, poisson_times, stream

LANDED_FADE_S = 2e-3
BURST_S = 2e-4
FADED = 0.01
# Draws per particle: a fixed number, so that a longer clip begins with the same particles.
_DRAWS = 8


@dataclass(frozen=True)
class ParticleBirths:
    """One row a particle, by birth. Image axes, px and s.

    Attributes
    ----------
    birth_s
        When its centre leaves the outline.
    shown_s
        From when it is drawn: birth, or when it left the keyhole.
    x, y
        Where its centre leaves the outline.
    vx, vy
        Velocity there, px/s.
    speed_mm_s, direction_deg, diameter_mm
        As drawn; direction from forward, counter-clockwise as seen.
    landing_s
        Flight time until it lands, s; inf: never.
    brightness
        When it leaves, fraction of full scale.
    shadow_x, shadow_y
        How its shadow runs away from it, px/s.
    """

    birth_s: NDArray[np.float64]
    shown_s: NDArray[np.float64]
    x: NDArray[np.float64]
    y: NDArray[np.float64]
    vx: NDArray[np.float64]
    vy: NDArray[np.float64]
    speed_mm_s: NDArray[np.float64]
    direction_deg: NDArray[np.float64]
    diameter_mm: NDArray[np.float64]
    landing_s: NDArray[np.float64]
    brightness: NDArray[np.float64]
    shadow_x: NDArray[np.float64]
    shadow_y: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.birth_s)


@dataclass(frozen=True)
class Sightings:
    """One row a particle and moment, sorted by moment. Image axes, px.

    `x0`, `y0`, `x1`, `y1` are the streak's ends, `share` the part of the exposure in which it is drawn.
    """

    particle: NDArray[np.int64]
    moment: NDArray[np.int64]
    x0: NDArray[np.float64]
    y0: NDArray[np.float64]
    x1: NDArray[np.float64]
    y1: NDArray[np.float64]
    brightness: NDArray[np.float64]
    share: NDArray[np.float64]


def _births(scene: Scene, stop_s: float) -> NDArray[np.float64]:
    spatter = scene.spatter
    rng = stream(scene.seed, "spatter")
    times = poisson_times(rng, spatter.rate_per_s / spatter.burst_mean, 0.0, stop_s)
    if spatter.burst_mean > 1:
        more = stream(scene.seed, "spatter", 2)
        times = np.concatenate(
            [t + more.exponential(BURST_S, more.geometric(1 / spatter.burst_mean)) for t in times] or [times]
        )
        times = np.sort(times[times < stop_s])
    return times


def particles(scene: Scene, line: Timeline) -> ParticleBirths:
    """Draw all particles of a scene."""
    spatter, camera, pool = scene.spatter, scene.camera, scene.pool
    birth = _births(scene, float(line.times_s[-1]))
    draws = stream(scene.seed, "spatter", 1).random((len(birth), _DRAWS))
    index = birth * camera.rate_hz
    numbers = np.arange(len(line.times_s))

    def at(series: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.interp(index, numbers, series)

    size = at(line.size)
    length, width, front, sway = at(line.length), at(line.width), at(line.front), at(line.sway)
    angle = np.radians(spatter.direction_deg + spatter.spread_deg * (2 * draws[:, 0] - 1))
    speed = spatter.speed_mm_s * np.exp(spatter.speed_sigma * ndtri(draws[:, 1]))
    if spatter.diameters_mm:
        diameter = np.resize(np.asarray(spatter.diameters_mm, dtype=np.float64), len(birth))
    else:
        diameter = spatter.diameter_mm * np.exp(spatter.diameter_sigma * ndtri(draws[:, 2]))
    u0 = (draws[:, 3] - 0.5) * 0.2 * width
    v0 = (draws[:, 4] - 0.5) * 0.3 * width
    away = _exit(u0, v0, angle, _Outline(length, width, front, sway, pool.taper))
    u, v = u0 + away * np.cos(angle), v0 + away * np.sin(angle)
    ax, ay = forward(camera.direction_deg)
    px_s = speed / camera.mm_per_px
    lands = draws[:, 5] < spatter.landing_share
    flown = -spatter.landing_mm * np.log1p(-draws[:, 6])
    shown = birth - away / px_s if spatter.origin == "keyhole" else birth
    dark = draws[:, 7] < spatter.dark_share
    run = spatter.shadow_run * px_s * stream(scene.seed, "spatter", 3).random(len(birth))
    toward_x, toward_y = forward(camera.direction_deg + spatter.shadow_deg)
    # Only a pool with the beam on throws particles.
    keep = (size > 0.5) & (at(line.beam.astype(np.float64)) > 0.5)
    return ParticleBirths(
        birth_s=birth[keep],
        shown_s=shown[keep],
        x=(at(line.beam_x) + u * ax + v * ay)[keep],
        y=(at(line.beam_y) + u * ay - v * ax)[keep],
        vx=(px_s * (np.cos(angle) * ax + np.sin(angle) * ay))[keep],
        vy=(px_s * (np.cos(angle) * ay - np.sin(angle) * ax))[keep],
        speed_mm_s=speed[keep],
        direction_deg=((np.degrees(angle) + 180) % 360 - 180)[keep],
        diameter_mm=diameter[keep],
        landing_s=np.where(lands, flown / speed, np.inf)[keep],
        brightness=np.where(dark, spatter.dark_brightness, spatter.brightness)[keep],
        shadow_x=(run * toward_x)[keep],
        shadow_y=(run * toward_y)[keep],
    )


class _Outline(NamedTuple):
    """The pool when each particle leaves: shape (n,) each, px from the beam; one taper."""

    length: NDArray[np.float64]
    width: NDArray[np.float64]
    front: NDArray[np.float64]
    sway: NDArray[np.float64]
    taper: float


def _exit(
    u0: NDArray[np.float64], v0: NDArray[np.float64], angle: NDArray[np.float64], pool: _Outline
) -> NDArray[np.float64]:
    """Distance along each ray, from (u0, v0) at `angle` to forward, to its last crossing of the outline, px, (n,)."""
    cu, cv = np.cos(angle), np.sin(angle)
    length, width = np.maximum(pool.length, 1e-9), pool.width

    def inside(s: NDArray[np.float64]) -> NDArray[np.bool_]:
        u, v = u0 + s * cu, v0 + s * cv
        half = outline.half_width(u, length, width, pool.front, pool.taper)
        return np.asarray(half > np.abs(v - pool.sway * ((pool.front - u) / length) ** 2))

    steps = 256
    reach = length + width
    last = np.zeros(len(u0))
    for k in range(steps):
        s = reach * k / steps
        last = np.where(inside(s), s, last)
    low, high = last, last + reach / steps
    for _ in range(50):
        middle = (low + high) / 2
        within = inside(middle)
        low, high = np.where(within, middle, low), np.where(within, high, middle)
    return np.asarray((low + high) / 2)


def places(
    scene: Scene, line: Timeline, flying: ParticleBirths, who: NDArray[np.int64], times_s: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Centres of particles `who` at `times_s`, image x and y px, shapes (n,)."""
    spatter, camera = scene.spatter, scene.camera
    age = times_s - flying.birth_s[who]
    air = np.minimum(age, flying.landing_s[who])
    drag = spatter.drag_per_s
    # Before birth (over the pool) it flies straight.
    path = np.where(air > 0, -np.expm1(-drag * np.maximum(air, 0)) / drag, air) if drag else air
    fall = 0.5 * spatter.gravity_mm_s2 / camera.mm_per_px * np.maximum(air, 0) ** 2
    on_metal = np.maximum(age - flying.landing_s[who], 0)
    speed = 0.0 if camera.standing else scene.travel_speed_mm_s / camera.mm_per_px
    ax, ay = forward(camera.direction_deg)
    index, born = times_s * camera.rate_hz, flying.birth_s[who] * camera.rate_hz
    numbers = np.arange(len(line.times_s))

    def shaken(shift: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(np.interp(index, numbers, shift) - np.interp(born, numbers, shift))

    x = flying.x[who] + flying.vx[who] * path - ax * speed * on_metal + shaken(line.shift_x)
    y = flying.y[who] + flying.vy[who] * path + fall - ay * speed * on_metal + shaken(line.shift_y)
    return x, y


def sightings(scene: Scene, line: Timeline, flying: ParticleBirths) -> Sightings:
    """All streaks that touch the picture, until the particle has faded or left."""
    camera, spatter = scene.camera, scene.spatter
    rate, half = camera.rate_hz, camera.exposure_s / 2
    count = len(line.times_s)
    rows: list[NDArray[np.float64]] = []
    first = np.maximum(np.ceil((flying.shown_s - half) * rate), 0).astype(np.int64)
    active = np.flatnonzero(first < count)
    step = 0
    # All particles advance together, one moment at a time, until none is left.
    while len(active):
        moment = first[active] + step
        t = moment / rate
        begin, end = np.maximum(t - half, flying.shown_s[active]), t + half
        x0, y0 = places(scene, line, flying, active, begin)
        x1, y1 = places(scene, line, flying, active, end)
        age = np.maximum(t - flying.birth_s[active], 0)
        bright = flying.brightness[active].copy()
        if spatter.fade_s:
            bright *= np.exp(-age / spatter.fade_s)
        bright *= np.exp(-np.maximum(age - flying.landing_s[active], 0) / LANDED_FADE_S)
        radius = flying.diameter_mm[active] / 2 / camera.mm_per_px
        touches = (
            (np.maximum(x0, x1) > -0.5 - radius) & (np.minimum(x0, x1) < camera.width - 0.5 + radius)
            & (np.maximum(y0, y1) > -0.5 - radius) & (np.minimum(y0, y1) < camera.height - 0.5 + radius)
        )  # fmt: skip
        share = np.clip((end - begin) / (2 * half), 0, 1) if half else np.ones(len(active))
        seen = touches & (bright >= FADED * flying.brightness[active]) & (moment < count)
        drawn = seen & (share > 0)
        columns = (active * 1.0, moment * 1.0, x0, y0, x1, y1, bright, share)
        rows.append(np.stack([column[drawn] for column in columns]))
        active = active[seen]
        step += 1
    table = np.concatenate(rows, axis=1) if rows else np.zeros((8, 0))
    particle, moment, *others = table[:, np.lexsort((table[0], table[1]))]
    return Sightings(particle.astype(np.int64), moment.astype(np.int64), *others)


def shadow_shift(flying: ParticleBirths, who: int, time_s: float) -> tuple[float, float]:
    """How far the shadow of a particle is from it, image x and y px."""
    age = max(min(time_s - float(flying.birth_s[who]), float(flying.landing_s[who])), 0.0)
    return float(flying.shadow_x[who]) * age, float(flying.shadow_y[who]) * age


_DISC = math.sqrt(1 / 64) * np.sqrt(np.arange(64) + 0.5)
_TURN = np.arange(64) * math.pi * (3 - math.sqrt(5))


def visible(scene: Scene, line: Timeline, flying: ParticleBirths, seen: Sightings) -> NDArray[np.float64]:
    """Share of each sighting's disc that is in the picture and outside the outline, times its exposure share."""
    share = np.empty(len(seen.moment))
    # In pieces, so that memory stays small in long clips.
    for start in range(0, len(share), 4096):
        piece = slice(start, start + 4096)
        share[piece] = _uncovered(scene, line, flying, seen, piece)
    return share * seen.share


def _uncovered(
    scene: Scene, line: Timeline, flying: ParticleBirths, seen: Sightings, piece: slice
) -> NDArray[np.float64]:
    """Share of 64 points of each disc, even in area, that lies in the picture and outside the outline."""
    camera = scene.camera
    radius = flying.diameter_mm[seen.particle[piece]] / 2 / camera.mm_per_px
    x = ((seen.x0[piece] + seen.x1[piece]) / 2)[:, None] + radius[:, None] * _DISC * np.cos(_TURN)
    y = ((seen.y0[piece] + seen.y1[piece]) / 2)[:, None] + radius[:, None] * _DISC * np.sin(_TURN)
    ax, ay = forward(camera.direction_deg)
    m = seen.moment[piece]
    dx, dy = x - line.beam_x[m][:, None], y - line.beam_y[m][:, None]
    u, v = dx * ax + dy * ay, dx * ay - dy * ax
    length = np.maximum(line.length[m], 1e-9)[:, None]
    front = line.front[m][:, None]
    half = outline.half_width(u, length, line.width[m][:, None], front, scene.pool.taper)
    covered = half > np.abs(v - line.sway[m][:, None] * ((front - u) / length) ** 2)
    inside = (x >= -0.5) & (x < camera.width - 0.5) & (y >= -0.5) & (y < camera.height - 0.5)
    return np.asarray((inside & ~covered).mean(axis=1))
