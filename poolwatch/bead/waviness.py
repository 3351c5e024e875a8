"""Waviness of the edges: what is faster than a fifth of the length seen, with noise and blur taken out."""

from __future__ import annotations

import math

import numpy as np

from .facts import Edges, Floats, Mask, Waviness

# Slower than this share of the length is the course of the edge, not its waviness.
SLOW_SHARE = 0.2
# Waviness must be so many standard errors of the noise's variance, and this share of that variance, to be given.
_ERRORS, _LEAST_SHARE = 3.0, 0.2
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
    spectrum of the edges; what following along the bead and blur took away is put back where it left half at least.
    """
    judged = edges.judged
    at = np.flatnonzero(judged)
    part = slice(int(at[0]), int(at[-1]) + 1)
    share = float(judged[part].mean())
    k = np.asarray(np.fft.rfftfreq(part.stop - part.start), dtype=np.float64)
    signal, noise, errors = 0.0, 0.0, 0.0
    for edge in (edges.left, edges.right):
        found = departure(edge.left, judged)[part]
        kept, rest = _kept(found, departure(edge.noise, judged)[part], k)
        planted = _power(rest) / share
        gain = kept * np.exp(-2 * math.pi**2 * (0.0 if edges.by_texture else edge.blur) ** 2 * k**2)
        signal += float(np.sum((_power(found) / share - planted) / np.maximum(gain, _LEAST_GAIN) ** 2)) / 2
        noise += float(np.sum(planted)) / 2
        errors += float(np.sum(planted**2)) / 4
    least = _LEAST_SHARE * noise + _ERRORS * math.sqrt(errors)
    rms = math.sqrt(signal) if signal > least else math.nan
    return Waviness(rms, math.sqrt(noise))


def _kept(found: Floats, shifted: Floats, k: Floats) -> tuple[Floats, Floats]:
    """Share of an amplitude that the walk keeps at each frequency, and what shifts a planted edge besides.

    A random walk with noise on top, smoothed, keeps 1 / (1 + r (2 - 2 cos 2πk)) (Whittle 1983).
    """
    spectrum, off = np.fft.rfft(found), np.fft.rfft(shifted)
    bend = 2 - 2 * np.cos(2 * math.pi * k)

    def lost(r: float) -> Floats:
        return np.asarray(r * bend / (1 + r * bend))

    ratio = min(np.logspace(-2, 4, 61), key=lambda r: float(np.sum(np.abs(off + lost(r) * spectrum) ** 2)))
    return 1 - lost(ratio), np.asarray(np.fft.irfft(off + lost(ratio) * spectrum, len(found)))


def _power(values: Floats) -> Floats:
    """Power of each frequency; their sum is the mean square."""
    power = np.abs(np.fft.rfft(values)) ** 2 / len(values) ** 2
    power[1:] *= 2
    if len(values) % 2 == 0:
        power[-1] /= 2
    return np.asarray(power)
