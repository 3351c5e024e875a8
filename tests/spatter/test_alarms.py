"""Lossy compression must not rain particles: the level follows the false alarms of the clip itself."""

from __future__ import annotations

import numpy as np
import pytest

from poolwatch.clips import open_clip
from poolwatch.footage import FORMATS, write_frames
from poolwatch.pool import PoolSettings, find_pool, learn_pool
from poolwatch.simulate import Scene, Simulation
from poolwatch.spatter import SpatterSettings, detect, learn
from poolwatch.spatter.alarms import alarm_factor

SETTINGS = SpatterSettings()


@pytest.fixture(scope="module")
def pictures():
    scene = {
        "frames": 48,
        "seed": 61,
        "camera": {"width": 256, "height": 128, "mm_per_px": 0.03},
        "pool": {"length": {"noise_sd": 0.03}},
    }
    return Simulation(Scene.checked(scene, where="test")).frames(0, 48)


def outlines_of(frames):
    look = learn_pool(frames, 255.0, forward=(1.0, 0.0), settings=PoolSettings())
    return [find_pool(f, look, forward=(1.0, 0.0), settings=PoolSettings()).vertices for f in frames]


@pytest.mark.parametrize("kind", ["mp4-h264", "avi-mjpeg"])
def test_compressed_footage_without_particles_shows_hardly_any(pictures, tmp_path, kind):
    path = write_frames(tmp_path / f"c{FORMATS[kind].ending}", pictures, format=kind, depth_bits=8)
    with open_clip(path) as reader:
        frames = np.concatenate([block.frames for block in reader.blocks()])
        full = reader.facts.full_scale
    outlines = outlines_of(frames)
    look = learn(frames, full_scale=full, outlines=outlines, settings=SETTINGS)
    assert len(detect(frames, outlines, look, SETTINGS)) <= 3 * len(frames)


def test_a_sound_noise_model_is_left_alone(pictures):
    outlines = outlines_of(pictures)
    look = learn(pictures, full_scale=255.0, outlines=outlines, settings=SETTINGS)
    assert alarm_factor(pictures, outlines, look, SETTINGS) == 1.0
    assert look.detection_level == SETTINGS.detection_level
