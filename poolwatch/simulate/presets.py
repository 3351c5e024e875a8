"""The demo scenario: four invented beam shapes on 2 mm austenitic stainless sheet for plate heat exchangers.

Every figure here is made up to be plausible; none was measured. Unsteadiness falls in clear steps from
single-spot over twin-spot and flat-top to crescent.
"""

from __future__ import annotations

from typing import Any

from ..model.errors import UsageError
from .scene import Scene

_CAMERA: dict[str, Any] = {"rate_hz": 10_000.0, "mm_per_px": 0.02, "exposure_s": 2e-5}
_POOL: dict[str, Any] = {"taper": 0.45, "hot": 0.5, "rim": 0.27, "halo": 0.07, "background": 0.008}


def _motion(sd: float, time_s: float, *tones: tuple[float, float]) -> dict[str, Any]:
    return {
        "noise_sd": sd,
        "noise_time_s": time_s,
        "tones": [
            {"frequency_hz": hz, "amplitude": a, "phase_deg": 70.0 * i} for i, (hz, a) in enumerate(tones)
        ],
    }


_SHAPES: dict[str, dict[str, Any]] = {
    "single-spot": {
        "pool": {
            "length_mm": 2.4, "width_mm": 1.2, "ripple": 0.11, "ripple_hz": 1100.0,
            "length": _motion(0.042, 8e-4, (320.0, 0.035)),
            "width": _motion(0.030, 5e-4, (520.0, 0.022)),
            "sway": _motion(0.030, 8e-4),
        },
        "keyhole": {
            "brightness": 0.72, "diameter_mm": 0.30, "collapses_per_s": 90.0, "collapse_depth": 0.55,
            "motion": _motion(0.10, 3e-4, (880.0, 0.06)),
        },
        "spatter": {"rate_per_s": 1500.0, "burst_mean": 1.6, "speed_mm_s": 1400.0, "diameter_mm": 0.075},
        "plume": 0.09,
    },
    "twin-spot": {
        "pool": {
            "length_mm": 2.5, "width_mm": 1.22, "ripple": 0.08, "ripple_hz": 1000.0,
            "length": _motion(0.028, 8e-4, (260.0, 0.022)),
            "width": _motion(0.020, 5e-4, (430.0, 0.014)),
            "sway": _motion(0.020, 8e-4),
        },
        "keyhole": {
            "brightness": 0.70, "diameter_mm": 0.28, "collapses_per_s": 40.0, "collapse_depth": 0.45,
            "spots_mm": [[0.17, 0.0], [-0.17, 0.0]],
            "motion": _motion(0.07, 3e-4, (700.0, 0.04)),
        },
        "spatter": {"rate_per_s": 700.0, "burst_mean": 1.3, "speed_mm_s": 1200.0, "diameter_mm": 0.07},
        "plume": 0.07,
    },
    "flat-top": {
        "pool": {
            "length_mm": 2.3, "width_mm": 1.3, "ripple": 0.055, "ripple_hz": 850.0,
            "length": _motion(0.018, 8e-4, (210.0, 0.013)),
            "width": _motion(0.013, 5e-4, (350.0, 0.009)),
            "sway": _motion(0.012, 8e-4),
        },
        "keyhole": {
            "brightness": 0.68, "diameter_mm": 0.46, "collapses_per_s": 15.0, "collapse_depth": 0.35,
            "motion": _motion(0.045, 3e-4, (560.0, 0.025)),
        },
        "spatter": {"rate_per_s": 300.0, "speed_mm_s": 1000.0, "diameter_mm": 0.065},
        "plume": 0.05,
    },
    "crescent": {
        "pool": {
            "length_mm": 2.4, "width_mm": 1.26, "ripple": 0.035, "ripple_hz": 800.0,
            "length": _motion(0.010, 8e-4, (180.0, 0.008)),
            "width": _motion(0.008, 5e-4, (300.0, 0.005)),
            "sway": _motion(0.007, 8e-4),
        },
        "keyhole": {
            "brightness": 0.68, "diameter_mm": 0.24, "collapses_per_s": 3.0, "collapse_depth": 0.3,
            "spots_mm": [[0.12, 0.0], [0.02, 0.22], [0.02, -0.22]],
            "motion": _motion(0.028, 3e-4, (480.0, 0.014)),
        },
        "spatter": {"rate_per_s": 120.0, "speed_mm_s": 900.0, "diameter_mm": 0.06},
        "plume": 0.04,
    },
}  # fmt: skip
SHAPES = tuple(_SHAPES)


def shape_values(shape: str) -> dict[str, Any]:
    """Values of a demo shape, nested as a `Scene` is, for changes before it is made.

    Raises
    ------
    UsageError
        There is no such shape.
    """
    if shape not in _SHAPES:
        raise UsageError(f"unknown demo shape {shape!r}; known: {', '.join(_SHAPES)}")
    part = _SHAPES[shape]
    return {
        "travel_speed_mm_s": 100.0,
        "camera": dict(_CAMERA),
        "pool": {**_POOL, **part["pool"]},
        "keyhole": dict(part["keyhole"]),
        "spatter": {
            "direction_deg": 180.0,
            "spread_deg": 150.0,
            "speed_sigma": 0.35,
            "diameter_sigma": 0.3,
            "brightness": 0.75,
            "fade_s": 8e-3,
            **part["spatter"],
        },
        "disturbances": {
            "flicker_sd": 0.004,
            "plume": {"brightness": part["plume"], "puffs": 4},
            "trail": {"share": 0.4, "fade_mm": 1.2},
        },
    }


def shape_scene(shape: str, **changes: Any) -> Scene:
    """Scene of a demo shape; `changes` replace its outermost values (frames, seed, camera …).

    Raises
    ------
    UsageError
        There is no such shape, or a change does not fit.
    """
    return Scene.checked({**shape_values(shape), **changes}, where=f"shape {shape}")
