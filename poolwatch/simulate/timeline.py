"""The series that drive a simulation: one value per moment, computed once, small.

A *moment* is what the camera could have taken; a stored frame shows one. They differ only where frames are
repeated or dropped.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from . import outline
from .scene import Scene
from .settings import Modulation

# One stream of random numbers for each purpose, so that a new disturbance does not change the others.
STREAMS = {
    name: number
    for number, name in enumerate(
        [
            "length",
            "width",
            "front",
            "sway",
            "keyhole",
            "collapses",
            "flares",
            "flicker",
            "shake_x",
            "shake_y",
            "black",
            "blown",
            "repeated",
            "dropped",
            "spatter",
            "plume",
            "glare",
            "marks",
            "ripple",
            "texture",
            "bead",
            "liquid",
            "noise",
            "fixed_pattern",
            "plume_flicker",
        ],
        start=1,
    )
}


def stream(seed: int, name: str, *more: int) -> np.random.Generator:
    """Random numbers for one purpose (and frame, where given)."""
    return np.random.default_rng([seed, STREAMS[name], *more])


@njit(cache=True, nogil=True)
def _autoregressive(white: NDArray[np.float64], keep: float) -> NDArray[np.float64]:
    out = np.empty_like(white)
    fresh = math.sqrt(1 - keep * keep)
    out[0] = white[0]
    for i in range(1, len(white)):
        out[i] = keep * out[i - 1] + fresh * white[i]
    return out


def red_noise(rng: np.random.Generator, count: int, step_s: float, time_s: float) -> NDArray[np.float64]:
    """Stationary first-order noise of unit variance and correlation exp(-lag / time_s), shape (count,)."""
    keep = math.exp(-step_s / time_s) if time_s > 0 else 0.0
    return np.asarray(_autoregressive(rng.standard_normal(count), keep))


def moved(
    motion: Modulation, times_s: NDArray[np.float64], step_s: float, rng: np.random.Generator
) -> NDArray[np.float64]:
    """Relative departure from the mean at each time: tones + red noise + drift, shape of `times_s`."""
    out = np.zeros(len(times_s))
    for tone in motion.tones:
        out += tone.amplitude * np.sin(
            2 * math.pi * tone.frequency_hz * times_s + math.radians(tone.phase_deg)
        )
    if motion.noise_sd:
        out += motion.noise_sd * red_noise(rng, len(times_s), step_s, motion.noise_time_s)
    if motion.drift:
        out += motion.drift * (np.arange(len(times_s)) / max(len(times_s) - 1, 1) - 0.5)
    return out


def pulses(
    times_s: NDArray[np.float64], middles_s: NDArray[np.float64], duration_s: float
) -> NDArray[np.float64]:
    """Raised-cosine pulses of height 1 round each middle; where two overlap, the higher one."""
    out = np.zeros(len(times_s))
    for middle in middles_s:
        first, last = np.searchsorted(times_s, (middle - duration_s / 2, middle + duration_s / 2))
        near = (times_s[first:last] - middle) / duration_s
        np.maximum(out[first:last], 0.5 + 0.5 * np.cos(2 * math.pi * near), out=out[first:last])
    return out


def poisson_times(
    rng: np.random.Generator, rate_per_s: float, start_s: float, stop_s: float
) -> NDArray[np.float64]:
    """Times of a Poisson process between two times, sorted.

    Drawn gap by gap, so that a longer clip begins with the same events.
    """
    if rate_per_s <= 0 or stop_s <= start_s:
        return np.zeros(0)
    times = np.zeros(0)
    last = start_s
    while last < stop_s:
        more = last + np.cumsum(rng.exponential(1 / rate_per_s, 64))
        times = np.concatenate([times, more])
        last = float(more[-1])
    return times[times < stop_s]


@dataclass(frozen=True)
class Timeline:
    """Series over moments, shape (m,) each unless said; lengths in px.

    Attributes
    ----------
    source
        Moment that each stored frame shows, shape (frames,).
    times_s
        Time of each moment.
    beam, on, size, lit
        Whether the beam is on; whether there is a pool; its size relative to the full one (ramps); whether
        there is a keyhole.
    length, width, width_across, area, front, sway
        The outline's parameters; `width` is that before the sway, `width_across` the true extent.
    keyhole, keyhole_relative
        Brightness of the keyhole, and relative to its mean.
    flare
        0 to 1, height of a flash.
    gain
        Factor on all light.
    shift_x, shift_y
        Movement of the picture by shake and drift.
    beam_x, beam_y
        The beam's place in the image.
    black, blown
        Stored frames that are black or overexposed, shape (frames,).
    """

    source: NDArray[np.int64]
    times_s: NDArray[np.float64]
    beam: NDArray[np.bool_]
    on: NDArray[np.bool_]
    size: NDArray[np.float64]
    lit: NDArray[np.bool_]
    length: NDArray[np.float64]
    width: NDArray[np.float64]
    width_across: NDArray[np.float64]
    area: NDArray[np.float64]
    front: NDArray[np.float64]
    sway: NDArray[np.float64]
    keyhole: NDArray[np.float64]
    keyhole_relative: NDArray[np.float64]
    flare: NDArray[np.float64]
    gain: NDArray[np.float64]
    shift_x: NDArray[np.float64]
    shift_y: NDArray[np.float64]
    beam_x: NDArray[np.float64]
    beam_y: NDArray[np.float64]
    black: NDArray[np.bool_]
    blown: NDArray[np.bool_]


def forward(direction_deg: float) -> tuple[float, float]:
    """Unit vector along travel in image axes (x right, y down); exact at multiples of 90°."""
    turned = direction_deg % 360
    if turned % 90 == 0:
        return ((1.0, 0.0), (0.0, -1.0), (-1.0, 0.0), (0.0, 1.0))[int(turned // 90)]
    return math.cos(math.radians(turned)), -math.sin(math.radians(turned))


def _chosen(scene: Scene, listed: tuple[int, ...], share: float, name: str, first: int) -> NDArray[np.bool_]:
    """Frames that are listed or fall to a share at random, shape (frames,)."""
    chosen = np.zeros(scene.frames, dtype=np.bool_)
    chosen[list(listed)] = True
    if share:
        random = stream(scene.seed, name).random(scene.frames) < share
        random[:first] = False
        chosen |= random
    return chosen


def _beam_on(scene: Scene, times_s: NDArray[np.float64]) -> NDArray[np.bool_]:
    if not scene.welds:
        return np.ones(len(times_s), dtype=np.bool_)
    on = np.zeros(len(times_s), dtype=np.bool_)
    for weld in scene.welds:
        on |= (times_s >= weld.start_s) & (times_s < weld.stop_s)
    return on


def _pool_size(scene: Scene, times_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """0 where there is no pool, 1 for the full pool, between on the ramps."""
    if not scene.welds:
        return np.ones(len(times_s))
    size = np.zeros(len(times_s))
    ramp = max(scene.ramp_s, 1e-12)
    for weld in scene.welds:
        rise = np.clip((times_s - weld.start_s) / ramp, 0, 1)
        fall = np.clip(1 - (times_s - weld.stop_s) / ramp, 0, 1)
        np.maximum(size, np.sqrt(rise) * np.sqrt(fall), out=size)
    # A pool below a twentieth of its size is no pool to anyone.
    return np.where(size < 0.05, 0.0, size)


def timeline(scene: Scene) -> Timeline:
    """Compute all series of a scene."""
    camera, pool, spoil, seed = scene.camera, scene.pool, scene.disturbances, scene.seed
    repeated = _chosen(scene, spoil.repeated_frames, spoil.repeated_share, "repeated", 1)
    dropped = _chosen(scene, spoil.dropped_before, spoil.dropped_share, "dropped", 1)
    steps = np.where(repeated, 0, 1 + dropped)
    steps[0] = 0
    source = np.cumsum(steps)
    count = int(source[-1]) + 1
    step_s = 1 / camera.rate_hz
    times_s: NDArray[np.float64] = np.arange(count, dtype=np.float64) * step_s

    def relative(motion: Modulation, name: str) -> NDArray[np.float64]:
        # Never below a twentieth of the mean, whatever the noise does.
        return np.maximum(1 + moved(motion, times_s, step_s, stream(seed, name)), 0.05)

    beam_on, size = _beam_on(scene, times_s), _pool_size(scene, times_s)
    length = pool.length_mm / camera.mm_per_px * relative(pool.length, "length") * size
    width = pool.width_mm / camera.mm_per_px * relative(pool.width, "width") * size
    mean_front = pool.front_share * pool.length_mm / camera.mm_per_px
    front = mean_front * relative(pool.front, "front") * size
    sway = pool.width_mm / camera.mm_per_px * moved(pool.sway, times_s, step_s, stream(seed, "sway")) * size
    keyhole_relative, flare = _keyhole(scene, times_s, relative)
    gain = _gain(scene, count)
    shift_x = _shift(scene, "shake_x", spoil.drift_x_px, count)
    shift_y = _shift(scene, "shake_y", spoil.drift_y_px, count)
    ahead_x, ahead_y = forward(camera.direction_deg)
    middle = mean_front - pool.length_mm / camera.mm_per_px / 2
    beam_x = (camera.width - 1) / 2 - middle * ahead_x if camera.beam_x_px is None else camera.beam_x_px
    beam_y = (camera.height - 1) / 2 - middle * ahead_y if camera.beam_y_px is None else camera.beam_y_px
    crossing = np.zeros(count)
    if camera.standing:
        crossing = (times_s - times_s[-1] / 2) * scene.travel_speed_mm_s / camera.mm_per_px
    return Timeline(
        source=source,
        times_s=times_s,
        beam=beam_on,
        on=size > 0,
        size=size,
        lit=beam_on & (size > 0) & (len(scene.keyhole.spots_mm) > 0),
        length=length,
        width=width,
        width_across=outline.extents_across(length, width, sway, pool.taper),
        area=outline.areas(length, width, pool.taper),
        front=front,
        sway=sway,
        keyhole=keyhole_relative * scene.keyhole.brightness,
        keyhole_relative=keyhole_relative,
        flare=flare,
        gain=gain,
        shift_x=shift_x,
        shift_y=shift_y,
        beam_x=beam_x + shift_x + crossing * ahead_x,
        beam_y=beam_y + shift_y + crossing * ahead_y,
        black=_chosen(scene, spoil.black_frames, spoil.black_share, "black", 0),
        blown=_chosen(scene, spoil.blown_frames, spoil.blown_share, "blown", 0),
    )


def _gain(scene: Scene, count: int) -> NDArray[np.float64]:
    """Factor on all light of each moment: the camera's, flicker and a fall over the clip."""
    spoil = scene.disturbances
    gain = np.full(count, scene.camera.gain)
    if spoil.flicker_sd:
        gain *= np.maximum(1 + spoil.flicker_sd * stream(scene.seed, "flicker").standard_normal(count), 0.01)
    gain *= 1 - spoil.gain_fall * np.arange(count) / max(count - 1, 1)
    return gain


def _shift(scene: Scene, name: str, drift_px: float, count: int) -> NDArray[np.float64]:
    """Drift and shake of the picture along one axis, px at each moment."""
    spoil = scene.disturbances
    shift: NDArray[np.float64] = drift_px * np.arange(count) / max(count - 1, 1)
    if spoil.shake_px:
        noise = red_noise(stream(scene.seed, name), count, 1 / scene.camera.rate_hz, spoil.shake_time_s)
        shift += spoil.shake_px * noise
    return shift


def collapse_times(scene: Scene, stop_s: float) -> NDArray[np.float64]:
    """Middles of the keyhole's collapses up to a time, s, sorted."""
    random = poisson_times(stream(scene.seed, "collapses"), scene.keyhole.collapses_per_s, 0.0, stop_s)
    return np.sort(np.concatenate([random, np.asarray(scene.keyhole.collapse_times_s, dtype=np.float64)]))


def _keyhole(
    scene: Scene, times_s: NDArray[np.float64], relative: Callable[[Modulation, str], NDArray[np.float64]]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Keyhole brightness relative to its mean, and the height of flashes, 0 to 1."""
    keyhole, flares = scene.keyhole, scene.disturbances.flares
    dips = pulses(times_s, collapse_times(scene, float(times_s[-1])), keyhole.collapse_s)
    flare = np.zeros(len(times_s))
    if flares is not None:
        middles = poisson_times(stream(scene.seed, "flares"), flares.rate_per_s, 0.0, float(times_s[-1]))
        flare = pulses(times_s, middles, flares.duration_s)
    values = relative(keyhole.motion, "keyhole") * (1 - keyhole.collapse_depth * dips)
    if flares is not None:
        values = values * (1 + (flares.factor - 1) * flare)
    return values, flare
