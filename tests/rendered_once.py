"""Footage rendered once in a test run, whichever of its workers asks first: on disk, by what the scene says."""

from __future__ import annotations

import hashlib
import json
import os
import time
from pathlib import Path
from typing import Any

import pytest

from poolwatch.simulate import Scene, write_simulation

PATIENCE_S = 300.0


def rendered(factory: pytest.TempPathFactory, scene: dict[str, Any], format: str) -> Path:
    """The clip of a scene, its truth beside it; it is shared, so it must not be changed."""
    # Each worker has a folder of its own in that of the run.
    base = factory.getbasetemp()
    run = base.parent if "PYTEST_XDIST_WORKER" in os.environ else base
    key = hashlib.sha256(json.dumps([scene, format], sort_keys=True).encode()).hexdigest()[:16]
    folder, done = run / f"footage-{key}", run / f"footage-{key}.txt"
    try:
        folder.mkdir()
    except FileExistsError:
        end = time.monotonic() + PATIENCE_S
        while not done.exists():
            assert time.monotonic() < end, f"{folder} was begun by another worker and never finished"
            time.sleep(0.1)
        return folder / done.read_text(encoding="utf-8")
    clip = write_simulation(Scene.checked(scene, where="test"), folder, format=format)
    beside = folder / "name.txt"
    beside.write_text(clip.name, encoding="utf-8")
    beside.replace(done)
    return clip
