"""What an error of the point spread does to a particle's size, against fits with the wrong one."""

from __future__ import annotations

import math

import numpy as np
import pytest

from poolwatch.spatter.fitting import fit_sighting
from poolwatch.spatter.leverage import Particle, blur_leverage
from poolwatch.spatter.parameters import PARAMETERS, SPREAD, STREAK_M, Imaging, Pixels
from poolwatch.spatter.profile import SHAPE, density, disc_table, shape_of

BLUR = 0.95
READ, GROUND, FULL = 1.0, 10.0, 255.0


def imaging(shot, blur=BLUR):
    return Imaging(disc_table(), blur, READ, shot)


def picture(diameter, streak, brightness, blur):
    """Pixels x, y and light above the ground of a disc drawn out along x, and its flux and T."""
    reach = math.ceil(0.5 * diameter + 0.5 * streak + 4 * blur)
    ys, xs = (a.ravel().astype(float) for a in np.mgrid[-reach : reach + 1, -reach : reach + 1])
    shape = np.empty(SHAPE)
    spread = diameter**2 / 16 + streak**2 / 24
    shape_of(disc_table(), spread, streak**2, 0.0, blur, shape)
    flux = brightness * math.pi / 4 * diameter**2
    light = np.array([flux * density(x - 0.2, y + 0.1, shape) for x, y in zip(xs, ys, strict=True)])
    return xs, ys, light, flux, spread


def seen(diameter, streak, brightness, shot):
    """How T at the true streak falls with the blur's variance, by fits with a wider and a narrower blur."""
    xs, ys, light, flux, spread = picture(diameter, streak, brightness, BLUR)
    # What the fit of a clip takes in: a little more than what is brighter than a quarter of the peak.
    shape, steps = np.empty(SHAPE), np.arange(0, 60, 0.05)
    shape_of(disc_table(), spread, streak**2, 0.0, BLUR, shape)
    foot = 0.25 * density(0.0, 0.0, shape)
    x_reach = 1.5 * BLUR + 1.6 + 0.05 * sum(density(s, 0.0, shape) > foot for s in steps)
    y_reach = 1.5 * BLUR + 1.6 + 0.05 * sum(density(0.0, s, shape) > foot for s in steps)
    inside = (np.abs(xs - 0.2) <= x_reach) & (np.abs(ys + 0.1) <= y_reach)
    xs, ys, light = xs[inside], ys[inside], light[inside]
    grounds, limits = np.full(len(xs), GROUND), np.full(len(xs), FULL - GROUND)
    told = []
    for factor in (0.98, 1.02):
        p = np.array([0.1, 0.0, flux, 0.0, spread, streak**2, 0.0])
        covariance = np.empty((PARAMETERS, PARAMETERS))
        noise = math.sqrt(READ + shot * GROUND)
        values = np.minimum(light, FULL - GROUND)
        pixels = Pixels(xs, ys, values, grounds, limits)
        fit_sighting(imaging(shot, BLUR * factor), pixels, noise, p, covariance)
        slope = covariance[SPREAD, STREAK_M] / covariance[STREAK_M, STREAK_M]
        told.append((p[SPREAD] + slope * (streak**2 - p[STREAK_M]), p[STREAK_M]))
    change = BLUR**2 * (1.02**2 - 0.98**2)
    return (told[0][0] - told[1][0]) / change, (told[0][1] - told[1][1]) / change


@pytest.mark.parametrize(
    ("diameter", "streak", "brightness", "shot"),
    [
        (1.5, 0.0, 120.0, 0.02),
        (4.0, 0.0, 120.0, 0.02),
        (4.0, 0.0, 120.0, 0.0),
        (9.0, 0.0, 30.0, 0.2),
        (5.0, 8.0, 100.0, 0.05),
        (12.0, 30.0, 60.0, 0.02),
        (7.0, 0.0, 400.0, 0.02),
    ],
)
def test_it_is_what_fits_with_a_wrong_point_spread_show(diameter, streak, brightness, shot):
    _, _, _, flux, spread = picture(diameter, streak, brightness, BLUR)
    told = blur_leverage(imaging(shot), Particle(flux, spread, streak**2, 0.0), GROUND, FULL)
    fall, streak_falls = seen(diameter, streak, brightness, shot)
    assert told[0] == pytest.approx(fall, abs=0.08)
    if streak > 0:
        assert told[1] == pytest.approx(streak_falls, rel=0.4)


def test_a_point_takes_all_of_it_and_a_large_disc_hardly_any():
    def fall(diameter, shot):
        particle = Particle(100.0 * math.pi / 4 * diameter**2, diameter**2 / 16, 0.0, 0.0)
        return blur_leverage(imaging(shot), particle, GROUND, FULL)[0]

    assert fall(0.6, 0.0) == pytest.approx(1.0, abs=0.1)
    # Where all pixels have the same noise the middle of the edge stays; where its faint side has less, it moves out.
    assert abs(fall(16.0, 0.0)) < 0.1
    assert fall(16.0, 1.0) > fall(16.0, 0.0) + 0.1


def test_what_cannot_be_told_is_said():
    # All of it full: no pixel bears on the size.
    told = blur_leverage(imaging(0.0), Particle(1e5, 1.0, 0.0, 0.0), 300.0, FULL)
    assert np.isnan(told).all()
