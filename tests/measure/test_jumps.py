"""A frame whose outline jumps is taken out with all that rests on it."""

from __future__ import annotations

import numpy as np

from poolwatch.clips import open_clip
from poolwatch.measure import MeasureSettings
from poolwatch.measure.gather import gather
from poolwatch.measure.jumps import mark_jumps
from poolwatch.measure.look import look_at
from poolwatch.model.recording import Recording
from poolwatch.simulate import Scene, Simulation


def test_a_frame_that_jumps_leaves_nothing_behind(tmp_path):
    scene = {"frames": 80, "seed": 71, "camera": {"width": 160, "height": 100, "mm_per_px": 0.03}}
    scene["pool"] = {"length": {"noise_sd": 0.01}, "ripple": 0.1}
    np.save(tmp_path / "clip.npy", Simulation(Scene.checked(scene, where="test")).frames(0, 80))
    settings = MeasureSettings(spatter_on=False)
    with open_clip(tmp_path / "clip.npy", settings=settings.clip) as reader:
        look = look_at(reader, Recording(record_rate_hz=10_000), settings)
        gathered = gather(reader, look, settings, workers=1)
    assert look.lag > 1
    assert mark_jumps(gathered, look.lag) == 0
    jump = 40
    before = gathered.outlines(jump + 1)
    gathered.figures["rear"][jump] -= 30.0
    assert mark_jumps(gathered, look.lag) == 1
    assert gathered.status[jump] == "broken"
    assert all(np.isnan(values[jump]) for values in gathered.figures.values())
    assert len(gathered.outlines(jump)) == 0
    assert np.array_equal(gathered.outlines(jump + 1), before)
    gone = np.flatnonzero(np.isnan(gathered.agitation[look.lag :])) + look.lag
    assert gone.tolist() == [jump, jump + look.lag]
    gathered.outlines.save(tmp_path / "outlines.bin")
    saved = type(gathered.outlines).load(tmp_path / "outlines.bin")
    assert len(saved) == 80
    assert len(saved(jump)) == 0
    assert np.array_equal(saved(jump + 1), before)
