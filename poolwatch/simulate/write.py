"""A simulation on disk: the clip, its truth, and the scene that renders it again."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..footage import FootageOptions, footage_format, write_frames
from ..model.files import write_text
from .scene import Scene
from .settings import Modulation
from .simulation import Simulation

BLOCK = 32
DEFAULT_NAME = "clip"
QUANTITIES = {
    "length": "length_mm",
    "width": "width_mm",
    "area": "area_mm2",
    "keyhole_brightness": "keyhole_brightness",
}


def write_simulation(
    scene: Scene,
    out_dir: str | Path,
    *,
    format: str = "mkv-ffv1",
    name: str = DEFAULT_NAME,
    truth_dir: str | Path | None = None,
    playback_rate_hz: float = 25.0,
    progress: Callable[[int], None] | None = None,
) -> Path:
    """Render a scene into a folder, truth beside it.

    Parameters
    ----------
    scene
        What to render.
    out_dir
        Folder for ``<name><ending>``.
    format
        Name in `poolwatch.footage.FORMATS`.
    name
        Name of the clip without ending.
    truth_dir
        Folder for ``truth_frames.csv``, ``truth_spatter.csv``, ``truth_sightings.csv``, ``truth.json`` and
        ``scene.toml``. If not given they are beside the clip, and begin with ``<name>_`` where a `name` is given:
        several clips of one folder keep their truth.
    playback_rate_hz
        Rate at which a player shows the clip, Hz.
    progress
        Called with the number of frames rendered so far.

    Returns
    -------
    Path
        The clip.

    Raises
    ------
    UsageError
        The format is unknown or cannot hold such frames.
    OutputError
        The place cannot be written.
    """
    sim = Simulation(scene)
    clip = write_frames(
        Path(out_dir) / f"{name}{footage_format(format).ending}",
        _rendered(sim, progress),
        format=format,
        depth_bits=scene.camera.depth_bits,
        playback_rate_hz=playback_rate_hz,
        options=FootageOptions(align="high" if scene.camera.grey_step > 1 else "low"),
    )
    _write_truth(sim, Path(truth_dir or out_dir), "" if truth_dir else truth_start(name), clip.name)
    return clip


def _rendered(sim: Simulation, progress: Callable[[int], None] | None) -> Iterator[NDArray[Any]]:
    frames, step = sim.scene.frames, sim.scene.camera.grey_step
    for start in range(0, frames, BLOCK):
        block = sim.frames(start, min(start + BLOCK, frames))
        yield block // step if step > 1 else block
        if progress is not None:
            progress(start + len(block))


def truth_start(name: str) -> str:
    """How the names of the truth's files beside a clip of a name begin."""
    return "" if name == DEFAULT_NAME else f"{name}_"


def _write_truth(sim: Simulation, folder: Path, start: str, clip: str) -> None:
    for name in ("truth_frames", "truth_spatter", "truth_sightings"):
        table: pd.DataFrame = getattr(sim, name)
        text = table.to_csv(index=False, float_format="%.8g", lineterminator="\n")
        write_text(folder / f"{start}{name}.csv", text)
    write_text(folder / f"{start}truth.json", json.dumps(truth(sim, clip), indent=2) + "\n")
    write_text(folder / f"{start}scene.toml", scene_toml(sim.scene))


def recording(scene: Scene) -> dict[str, float]:
    """What `poolwatch measure` wants to know about the clip, by the names of a manifest's columns."""
    return {
        "record_rate_hz": scene.camera.rate_hz,
        "mm_per_px": scene.camera.mm_per_px,
        "travel_direction_deg": scene.camera.direction_deg,
        "travel_speed_mm_s": scene.travel_speed_mm_s,
        "exposure_s": scene.camera.exposure_s,
    }


def truth(sim: Simulation, clip: str) -> dict[str, Any]:
    """Everything that is true of the clip as a whole, ready for JSON.

    ``in_clip`` figures are those of the frames in which the pool has its full size and is not spoilt
    (fluctuation: standard deviation / mean, a straight line taken out); ``expected`` ones are analytic, for an
    endless clip, to first order for the area; null where collapses, flashes or sway leave no closed form.
    """
    scene = sim.scene
    table = sim.truth_frames
    whole = table[(table["size"] >= 1) & table["state"].isin(("ok", "cut_off"))]
    quantities = {
        name: {"in_clip": _in_clip(whole["time_s"], whole[column]), "expected": expected}
        for (name, column), expected in zip(QUANTITIES.items(), _expected(scene), strict=True)
    }
    born = sim.truth_spatter
    return {
        "what": "simulated footage, not a recording",
        "clip": clip,
        "poolwatch_version": version("poolwatch"),
        "recording": recording(scene),
        "frames": scene.frames,
        "states": {str(k): int(v) for k, v in table["state"].value_counts().sort_index().items()},
        "quantities": quantities,
        "tones": {
            "length": _tones(scene.pool.length),
            "width": _tones(scene.pool.width),
            "front": _tones(scene.pool.front),
            "sway": _tones(scene.pool.sway),
            "keyhole_brightness": _tones(scene.keyhole.motion),
        },
        "collapse_times_s": [float(f"{t:.8g}") for t in sim.collapse_times_s],
        "particles": len(born),
        "particles_seen_3_times": int((born["frames_seen"] >= 3).sum()),
        "scene": scene.model_dump(mode="json"),
    }


def _tones(motion: Modulation) -> list[dict[str, Any]]:
    return [tone.model_dump() for tone in motion.tones]


def _in_clip(time_s: pd.Series, values: pd.Series) -> dict[str, float | None]:
    known = values.notna()
    x, y = time_s[known].to_numpy(), values[known].to_numpy()
    if len(y) < 3:
        return {"mean": None, "fluctuation": None}
    rest = y - np.polyval(np.polyfit(x - x.mean(), y, 1), x - x.mean())
    return {"mean": float(y.mean()), "fluctuation": float(rest.std() / y.mean())}


def _shared(one: Modulation, other: Modulation) -> float:
    """Covariance of two motions: tones of the same frequency."""
    return sum(
        a.amplitude * b.amplitude / 2 * float(np.cos(np.radians(a.phase_deg - b.phase_deg)))
        for a in one.tones
        for b in other.tones
        if a.frequency_hz == b.frequency_hz
    )


def _expected(scene: Scene) -> list[dict[str, float | None]]:
    pool, keyhole = scene.pool, scene.keyhole
    from .outline import widest

    length, width = pool.length.fluctuation, pool.width.fluctuation
    shared = _shared(pool.length, pool.width)
    area = np.pi / 4 * pool.length_mm * pool.width_mm / widest(pool.taper)
    swings = bool(pool.sway.fluctuation or pool.sway.drift)
    spoilt = bool(keyhole.collapses_per_s or keyhole.collapse_times_s or scene.disturbances.flares)
    lit = bool(keyhole.spots_mm)
    return [
        {"mean": pool.length_mm, "fluctuation": length},
        {"mean": None if swings else pool.width_mm, "fluctuation": None if swings else width},
        {
            "mean": float(area * (1 + shared)),
            "fluctuation": float(np.sqrt(length**2 + width**2 + 2 * shared + (length * width) ** 2)),
        },
        {
            "mean": keyhole.brightness if lit and not spoilt else None,
            "fluctuation": keyhole.motion.fluctuation if lit and not spoilt else None,
        },
    ]


def scene_toml(scene: Scene) -> str:
    """TOML text that `Scene` reads back to the same scene."""
    lines = ["# Renders the clip beside it again: poolwatch simulate --scene scene.toml --out DIR"]
    values = scene.model_dump(mode="json", exclude_none=True)
    _table(values, (), lines)
    return "\n".join(lines) + "\n"


def _table(values: Mapping[str, Any], path: tuple[str, ...], lines: list[str]) -> None:
    if path:
        lines += ["", f"[{'.'.join(path)}]"]
    for key, value in values.items():
        if not isinstance(value, Mapping):
            lines.append(f"{key} = {_value(value)}")
    for key, value in values.items():
        if isinstance(value, Mapping):
            _table(value, (*path, key), lines)


def _value(value: Any) -> str:
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_value(item) for item in value) + "]"
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{key} = {_value(item)}" for key, item in value.items()) + " }"
    # JSON's strings, numbers and booleans are TOML's.
    return json.dumps(value)
