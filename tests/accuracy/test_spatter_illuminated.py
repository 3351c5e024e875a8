"""Particles in lit clips drawn at random, bright, dark and with shadows, against their truth."""

from __future__ import annotations

import numpy as np
import pytest

from tests.accuracy.lit_spatter import KINDS, Tally, measured, others, own, relief


@pytest.mark.long
def test_particles_and_their_shadows_are_separated() -> None:
    tally = Tally()
    measured(own("shadow", 2), tally)
    assert tally.wanted >= 5
    assert tally.recall >= 0.85
    assert tally.false <= 1
    assert abs(np.median(tally.size)) < 0.05
    assert abs(np.median(tally.speed)) < 0.01


@pytest.mark.long
@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("name", ["own", "other"])
def test_clips_drawn_at_random(kind: str, name: str) -> None:
    module, tally = relief(), Tally()
    if name == "other" and module is None:
        pytest.skip("the other generator is not there")
    for seed in range(1000, 1030):
        measured(own(kind, seed) if name == "own" or module is None else others(module, kind, seed), tally)
    if kind == "none":
        assert tally.false <= 1
        return
    assert tally.recall >= 0.93
    assert tally.precision >= 0.95
    assert abs(np.median(tally.size)) < 0.05
    assert abs(np.median(tally.speed)) < 0.01
