"""Waviness of the edges: what is faster than a fifth of the length seen, with noise and blur taken out."""

from __future__ import annotations

import math

import numpy as np

from .facts import Edges, Floats, Mask, Waviness

# Slower than this share of the length is the course of the edge, not its waviness.
SLOW_SHARE = 0.2
# Waviness must be so many standard errors of the noise's variance, and this share of that variance, to be given.
_ERRORS, _LEAST_SHARE = 3.0, 0.2
# Columns over which noise is alike.
_ALIKE = 4
# The blur is put back as far as it leaves this share of an amplitude.
_LEAST_GAIN = 0.5


def departure(values: Floats, judged: Mask) -> Floats:
    """Departure from a line and cosines down to a wavelength of a fifth of the length, by least "
    "squares; 0 elsewhere."""
    at = np.flatnonzero(judged)
    first, last = int(at[0]), int(at[-1])
    t = (at - first + 0.5) / (last - first + 1)
    # Cosine k has a wavelength of 2 / k lengths.
    count = int(2 / SLOW_SHARE)
    design = np.column_stack([t - 0.5, *(np.cos(math.pi * k * t) for k in range(count + 1))])
    weights = np.linalg.lstsq(design, values[at], rcond=None)[0]
    out = np.zeros_like(values)
    out[at] = values[at] - design @ weights
    return out


def waviness(edges: Edges) -> Waviness:
    """Waviness of both edges together.

    Notes
    -----
    The spectrum of what the search finds at straight edges drawn into the photo's own texture is subtracted from the
    spectrum of the edges; what averaging along the bead and blur took away is put back where it left half at least.
    """
    judged = edges.judged
    at = np.flatnonzero(judged)
    part = slice(int(at[0]), int(at[-1]) + 1)
    share = float(judged[part].mean())
    signal, noise = 0.0, 0.0
    for edge in (edges.left, edges.right):
        found = _power(departure(edge.left, judged)[part]) / share
        planted = _power(departure(edge.noise, judged)[part]) / share
        k = np.fft.rfftfreq(part.stop - part.start)
        blur = math.hypot(edge.smoothing, 0.0 if edges.by_texture else edge.blur)
        gain = np.maximum(np.exp(-2 * math.pi**2 * blur**2 * k**2), _LEAST_GAIN)
        signal += float(np.sum((found - planted) / gain**2)) / 2
        noise += float(np.sum(planted)) / 2
    pieces = max(2 * judged.sum() / max(_ALIKE, 4 * edges.left.smoothing), 2.0)
    least = noise * (_LEAST_SHARE + _ERRORS * math.sqrt(4 / pieces))
    rms = math.sqrt(signal) if signal > least else math.nan
    return Waviness(rms, math.sqrt(noise))


def _power(values: Floats) -> Floats:
    """Power of each frequency; their sum is the mean square."""
    power = np.abs(np.fft.rfft(values)) ** 2 / len(values) ** 2
    power[1:] *= 2
    if len(values) % 2 == 0:
        power[-1] /= 2
    return np.asarray(power)
