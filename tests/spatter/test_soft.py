"""A surface without an edge is plume or glare and is told without a fit; a disc has one, blurred, drawn out or faint."""

from __future__ import annotations

import numpy as np
import pytest

from poolwatch.spatter import SpatterSettings, detect, learn
from poolwatch.spatter.records import SOFT, UNFITTED
from tests.spatter.rendered import stamp

GROUND, NOISE = 20.0, 1.5


def seen(thing: np.ndarray, x0: int, y0: int, sigma: float, seed: int) -> np.ndarray:
    """Sightings of a thing, light above the ground with its upper left pixel at (x0, y0), in one noisy frame."""
    rng = np.random.default_rng(seed)
    frames = GROUND + NOISE * rng.standard_normal((33, 128, 192))
    frames[-1, y0 : y0 + thing.shape[0], x0 : x0 + thing.shape[1]] += thing
    frames = np.clip(np.rint(frames), 0, 255).astype(np.uint8)
    settings = SpatterSettings(psf_sigma_px=sigma)
    look = learn(frames[:32], full_scale=255.0, settings=settings)
    return detect(frames[32:], None, look, settings)


@pytest.mark.parametrize("wide", [6.0, 9.0])
@pytest.mark.parametrize("long", [1.0, 1.8])
@pytest.mark.parametrize("light", [20.0, 120.0])
def test_a_puff_is_soft_and_not_fitted(wide: float, long: float, light: float) -> None:
    rows, cols = np.mgrid[0:100, 0:160]
    puff = light * np.exp(-0.5 * (((cols - 80) / (wide * long)) ** 2 + ((rows - 50) / wide) ** 2))
    found = seen(puff, 10, 10, 0.8, 5)
    largest = found[np.argmax(found["signal"])]
    assert largest["mark"] & SOFT
    assert largest["mark"] & UNFITTED


@pytest.mark.parametrize("sigma", [0.7, 1.4])
@pytest.mark.parametrize(("diameter", "streak"), [(12.0, (0.0, 0.0)), (22.0, (0.0, 0.0)), (9.0, (14.0, 8.0))])
@pytest.mark.parametrize("light", [12.0, 150.0])
def test_a_disc_is_not_soft(sigma: float, diameter: float, streak: tuple[float, float], light: float) -> None:
    x0, y0, cover = stamp(96.3, 60.7, diameter, streak, sigma)
    found = seen(light * cover, x0, y0, sigma, 6)
    largest = found[np.argmax(found["signal"])]
    assert not largest["mark"] & (SOFT | UNFITTED)
    length2 = float(np.hypot(largest["streak_m"], largest["streak_n"]))
    assert np.sqrt(16 * largest["spread"] - 2 / 3 * length2) == pytest.approx(diameter, rel=0.12)
