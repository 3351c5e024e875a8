"""A bead as a height field under a lamp (Lambert 1760, Phong 1975): nothing of it is shared with the drawn photos."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter, gaussian_filter1d

from poolwatch.bead.measuring import measure_bead
from poolwatch.bead.waviness import departure
from poolwatch.measure.bead import spacings_that_stand_out

_FINE = 2
# Height of the cap over its width.
_CROWN = 0.03


def shaded(seed: int, *, lamp_deg: float, ripples: float = 0.0, tone: float = 1.0):
    """A photo of a cap that rises from a rough sheet, and the places of its upper and lower edge a column, px."""
    rng = np.random.default_rng([7, seed])
    columns, rows, width = 700, 220, 60.0
    wave = gaussian_filter1d(rng.standard_normal((2, columns * _FINE)), 8 * _FINE, axis=1)
    wave *= 0.8 / wave.std()
    upper, lower = rows / 2 - width / 2 + wave[0], rows / 2 + width / 2 + wave[1]
    y, x = np.mgrid[: rows * _FINE, : columns * _FINE] / _FINE
    across = (y - (upper + lower) / 2) / ((lower - upper) / 2)
    inside = np.abs(across) < 1
    cap = np.where(inside, _CROWN * width * (1 - across**2), 0.0)
    # Ripples are crescents that die out at the toe.
    cap += inside * ripples * (1 - across**2) * np.cos(2 * np.pi * (x + 12 * across**2) / 14)
    sheet = gaussian_filter(rng.standard_normal(cap.shape), (0.6 * _FINE, 20 * _FINE))
    grain = gaussian_filter(rng.standard_normal(cap.shape), 1.0 * _FINE)
    height = cap + 0.004 * sheet / sheet.std() + np.where(inside, 0.06, 0.01) * grain / grain.std()
    slope_y, slope_x = np.gradient(height, 1 / _FINE)
    turn, rise = math.radians(lamp_deg), math.radians(40)
    lamp = np.array([math.cos(rise) * math.cos(turn), math.cos(rise) * math.sin(turn), math.sin(rise)])
    norm = np.sqrt(1 + slope_x**2 + slope_y**2)
    facing = np.clip((lamp[2] - lamp[0] * slope_x - lamp[1] * slope_y) / norm, 0, None)
    mirrored = np.clip(2 * facing / norm - lamp[2], 0, 1)
    light = gaussian_filter(np.where(inside, tone, 1.0) * 0.5 * facing + 0.25 * mirrored**12, 0.9 * _FINE)
    light = light.reshape(rows, _FINE, columns, _FINE).mean(axis=(1, 3))
    light = np.clip(light + 0.006 * rng.standard_normal(light.shape), 0, 1)
    # Centres of photo pixels lie half a pixel of the fine grid further on.
    edges = [one.reshape(columns, _FINE).mean(axis=1) - (_FINE - 1) / (2 * _FINE) for one in (upper, lower)]
    return np.round(light * 255).astype(np.float32)[..., None] / 255, edges


@pytest.mark.slow
@pytest.mark.often("50.0-0.3-0.6")
@pytest.mark.parametrize(("lamp", "ripples", "tone"), [(90.0, 0.0, 1.4), (50.0, 0.3, 0.6), (0.0, 0.3, 1.4)])
def test_shaded_cap(lamp: float, ripples: float, tone: float) -> None:
    """Lamp across the weld, aslant and along it, bead brighter or darker: width within 0.5 px, edges 15 % or 0.1 px."""
    light, (upper, lower) = shaded(1, lamp_deg=lamp, ripples=ripples, tone=tone)
    found = measure_bead(light, mm_per_px=0.05, stands_out=spacings_that_stand_out)
    judged = found.edges.judged
    columns = found.axis.picture(found.strip.along[judged], found.edges.centre[judged])[:, 0]
    width = found.edges.width[judged] * math.cos(math.radians(found.axis.direction_deg))
    true = [np.interp(columns, np.arange(len(one)), one) for one in (upper, lower)]
    assert float(np.mean(width - true[1] + true[0])) == pytest.approx(0, abs=0.5)
    fast = [departure(one, np.ones(len(one), dtype=bool)) for one in true]
    rms = math.sqrt(float(np.mean(np.square(fast))))
    assert found.waviness.rms == pytest.approx(rms, abs=max(0.1, 0.15 * rms))
    assert math.isnan(found.ripples.spacing) if not ripples else abs(found.ripples.spacing - 14) < 0.6
