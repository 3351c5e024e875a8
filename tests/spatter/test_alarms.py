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
from poolwatch.spatter.visibility import smallest_diameter

pytestmark = pytest.mark.slow

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


@pytest.mark.long
@pytest.mark.often("60.0")
@pytest.mark.parametrize("rate_per_s", [0.0, 60.0])
def test_what_compression_leaves_does_not_pass_for_usual_particles(tmp_path, rate_per_s):
    """The smallest particle goes by the clip's own bright ones, or by what is assumed: blocks of a codec are neither."""
    scene = {
        "frames": 240,
        "seed": 8,
        "camera": {"width": 320, "height": 192, "mm_per_px": 0.02},
        "pool": {"length": {"noise_sd": 0.03}},
        "spatter": {"rate_per_s": rate_per_s},
    }
    drawn = Simulation(Scene.checked(scene, where="test")).frames(0, 240)
    path = write_frames(tmp_path / "c.avi", drawn, format="avi-mjpeg", depth_bits=8)
    smallest = []
    with open_clip(path) as reader:
        for frames in (drawn[::5], reader.frames(range(0, 240, 5))):
            outlines = outlines_of(frames)
            look = learn(frames, full_scale=255.0, outlines=outlines, settings=SETTINGS)
            smallest.append(smallest_diameter(frames, outlines, look, settings=SETTINGS))
    # Each is known to some 5 %; without a particle the unknown point spread limits both alike.
    assert 0.95 * smallest[0] < smallest[1] < 2.5 * smallest[0]
