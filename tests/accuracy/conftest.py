"""Simulated pools and their truth, shared by the accuracy tests."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from poolwatch.model.axes import PoolAxes
from poolwatch.pool import Pool, PoolLook, PoolSettings, find_pool, learn_pool
from poolwatch.simulate import Scene, Simulation


@dataclass(frozen=True)
class Measured:
    """Pools found in simulated frames beside the truth."""

    look: PoolLook
    pools: list[Pool]
    truth: object
    frames: np.ndarray
    full_scale: float

    @property
    def ok(self) -> np.ndarray:
        return np.array([p.status == "ok" for p in self.pools])

    def error(self, what: str) -> np.ndarray:
        """Measured less true, px (relative for the area), of the frames that were measured."""
        ok = self.ok
        if what == "length":
            found = np.array([p.front - p.rear for p in self.pools])
            return (found - self.truth.length_px.to_numpy())[ok]
        if what == "width":
            found = np.array([p.left - p.right for p in self.pools])
            return (found - self.truth.width_px.to_numpy())[ok]
        found = np.array([p.area for p in self.pools])
        return (found / self.truth.area_px2.to_numpy() - 1)[ok]


def measure_scene(scene: dict, frames: int = 200, settings: PoolSettings | None = None) -> Measured:
    """Render a scene and find the pool in every frame."""
    settings = settings or PoolSettings()
    checked = Scene.checked({"frames": frames, **scene}, where="test")
    simulation = Simulation(checked)
    pictures = simulation.frames(0, frames)
    forward = PoolAxes(0, 0, checked.camera.direction_deg).forward
    full = float(checked.camera.full_scale)
    look = learn_pool(pictures[:: max(frames // 50, 1)], full, forward=forward, settings=settings)
    pools = [find_pool(f, look, forward=forward, settings=settings) for f in pictures]
    return Measured(look, pools, simulation.truth_frames, pictures, full)


@pytest.fixture(scope="session")
def pool_scene():
    """The function above."""
    return measure_scene
