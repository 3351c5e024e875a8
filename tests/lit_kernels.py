"""The kernels of lit footage and of rendering, compiled by one process: ``python -m tests.lit_kernels``.

`poolwatch.measure.compile_kernels` compiles those of glowing footage alone. Two workers of a test run that meet lit
clips at the same time would each compile the rest, half a minute of processor.
"""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Any

SCENE: dict[str, Any] = {
    "kind": "illuminated",
    "frames": 40,
    "seed": 3,
    "travel_speed_mm_s": 90.0,
    "camera": {"width": 200, "height": 120, "mm_per_px": 0.025},
    "spatter": {"rate_per_s": 2000.0},
    "disturbances": {"plume": {"brightness": 0.08}, "trail": {}, "glare": {}},
}


def are_compiled() -> bool:
    """Whether this machine's cache holds them."""
    from poolwatch.pool.illuminated.boundary import settle
    from poolwatch.pool.illuminated.bumps import level_bumps
    from poolwatch.simulate.illuminated import _metal_field

    for kernel in (settle, level_bumps, _metal_field):
        where = getattr(getattr(kernel, "stats", None), "cache_path", None)
        name = f"{kernel.__module__.rpartition('.')[2]}.{kernel.__name__}-*.nbi"
        if where and not any(Path(where).glob(name)):
            return False
    return True


def compile_lit() -> None:
    """Render and measure a small lit clip, and render a glowing one."""
    import poolwatch
    from poolwatch.measure.compiling import collect_garbage_rarely
    from poolwatch.simulate import Scene, Simulation, write_simulation

    collect_garbage_rarely()
    Simulation(Scene.checked({**SCENE, "kind": "glowing", "frames": 2}, where="here")).frames(0, 2)
    with tempfile.TemporaryDirectory() as folder:
        clip = write_simulation(Scene.checked(SCENE, where="here"), folder, format="npy")
        poolwatch.measure_clip(clip, record_rate_hz=10_000.0, mm_per_px=0.025, travel_speed_mm_s=90.0)


if __name__ == "__main__":
    compile_lit()
