"""Scale files: a calibration as a small TOML file that a person can read and edit."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Literal

import numpy as np
from pydantic import Field, PositiveInt

from ..model.axes import Scale
from ..model.errors import UsageError
from ..model.files import write_text
from ..model.settings import Settings, read_toml
from .calibration import OVER_THE_VIEW, Calibration, Input, Lens, Plane
from .uncertainty import Budget, Contribution

_HEADER = """\
# poolwatch scale file: use it with `poolwatch measure CLIP --scale FILE` or in a manifest's column `scale`.
# u_mm_per_px is a standard uncertainty. It is one error shared by the whole clip: it does not shrink with frames.
"""

# Scales that differ by more than this over the view are not one scale. Below that the difference is part of its
# uncertainty.
_MOST_SPREAD = 0.05


class _ScalePart(Settings):
    mm_per_px: float = Field(gt=0, le=100)
    u_mm_per_px: float = Field(default=0.0, ge=0)
    method: Literal["target", "ruler", "points", "travel", "given"] = "given"
    source: str = "given"
    date: str = ""
    # Files made before this key, or by hand, do without it.
    picture_px: tuple[PositiveInt, PositiveInt] | None = None


class _BudgetPart(Settings):
    name: str
    u_mm_per_px: float = Field(ge=0)
    degrees_of_freedom: float | None = Field(default=None, gt=0)


class _LensPart(Settings):
    camera_matrix: list[list[float]]
    distortion: list[float] = Field(min_length=5, max_length=5)


class _PlanePart(Settings):
    place_px: list[float] = Field(min_length=2, max_length=2)
    region_px: list[float] = Field(min_length=4, max_length=4)
    least_mm_per_px: float = Field(gt=0)
    most_mm_per_px: float = Field(gt=0)
    tilt_deg: float | None = None
    homography: list[list[float]]
    lens: _LensPart | None = None


class _ScaleFile(Settings):
    scale: _ScalePart
    inputs: dict[str, Input] = Field(default_factory=dict)
    found: dict[str, Input] = Field(default_factory=dict)
    notes: list[str] = Field(default_factory=list)
    budget: list[_BudgetPart] = Field(default_factory=list)
    plane: _PlanePart | None = None


def read_scale(path: str | Path) -> Scale:
    """Read the scale from a scale file, made by `poolwatch calibrate` or by hand.

    A file made by hand needs no more than a table ``[scale]`` with ``mm_per_px``. Where the file holds a tilted plane,
    the scale comes with the matrix that sets it upright at the weld's place; what the scale still changes over the
    view, by perspective, is in its uncertainty.

    Raises
    ------
    UsageError
        The file is missing or is not as it should be, or the scale changes by more than a few per cent over the view
        even when it is set upright.
    """
    calibration = read_calibration(path)
    plane = calibration.plane
    if plane is None:
        return calibration.scale
    least, most = plane.least_mm_per_px, plane.most_mm_per_px
    upright = plane.upright()
    if upright is not None:
        least, most = plane.spread_when_upright()
    if most > (1 + _MOST_SPREAD) * least:
        raise UsageError(
            f"{path}: the scale changes from {least:.4g} to {most:.4g} mm a pixel over the view, even with its tilt set"
            " upright. Calibrate again with --region around the weld, from further away or more squarely"
        )
    if upright is None:
        return calibration.scale
    u = math.hypot(calibration.u_but_for(OVER_THE_VIEW), (most - least) / 2 / math.sqrt(3))
    place = (plane.place_x, plane.place_y)
    return replace(calibration.scale, u_mm_per_px=u, stretch=upright, place_px=place)


def read_calibration(path: str | Path) -> Calibration:
    """Read all that a scale file holds.

    Raises
    ------
    UsageError
        The file is missing or is not as it should be.
    """
    content = _ScaleFile.checked(read_toml(path), where=str(path))
    part = content.scale
    budget = Budget(
        tuple(
            Contribution(line.name, line.u_mm_per_px, line.degrees_of_freedom or math.inf)
            for line in content.budget
        )
    )
    return Calibration(
        scale=Scale(part.mm_per_px, part.u_mm_per_px, part.source, picture_px=part.picture_px),
        method=part.method,
        budget=budget,
        inputs=content.inputs,
        found=content.found,
        notes=tuple(content.notes),
        date=part.date,
        plane=None if content.plane is None else _plane(content.plane, str(path)),
    )


def write_scale(path: str | Path, calibration: Calibration) -> None:
    """Write a scale file, whole or not at all.

    Raises
    ------
    OutputError
        The place cannot be written.
    """
    write_text(path, scale_text(calibration))


def scale_text(calibration: Calibration) -> str:
    """A calibration as the text of a scale file."""
    scale = calibration.scale
    lines = [_HEADER]
    # Top-level keys must stand before the first table in TOML.
    if calibration.notes:
        lines += [
            "notes = [",
            *(f"  {_toml(note)}," for note in calibration.notes),
            "]",
            "",
        ]
    lines += _table(
        "scale",
        {
            "mm_per_px": scale.mm_per_px,
            "u_mm_per_px": scale.u_mm_per_px,
            "method": calibration.method,
            "source": scale.source,
            "date": calibration.date,
            **({} if scale.picture_px is None else {"picture_px": list(scale.picture_px)}),
        },
    )
    lines += _table("inputs", calibration.inputs) + _table("found", calibration.found)
    for part in calibration.budget.contributions:
        line: dict[str, Input] = {"name": part.name, "u_mm_per_px": part.u}
        if math.isfinite(part.dof):
            line["degrees_of_freedom"] = part.dof
        lines += _table("budget", line, "[[{}]]")
    plane = calibration.plane
    if plane is not None:
        lines += _table(
            "plane",
            {
                "place_px": [plane.place_x, plane.place_y],
                "region_px": list(plane.region),
                "least_mm_per_px": plane.least_mm_per_px,
                "most_mm_per_px": plane.most_mm_per_px,
                **({"tilt_deg": plane.tilt_deg} if math.isfinite(plane.tilt_deg) else {}),
                "homography": plane.homography.tolist(),
            },
        )
        if plane.lens is not None:
            lens = {
                "camera_matrix": plane.lens.camera_matrix.tolist(),
                "distortion": plane.lens.distortion.tolist(),
            }
            lines += _table("plane.lens", lens)
    return "\n".join(lines).rstrip("\n") + "\n"


def _plane(part: _PlanePart, where: str) -> Plane:
    lens = None
    if part.lens is not None:
        lens = Lens(
            _matrix(part.lens.camera_matrix, "plane.lens.camera_matrix", where),
            np.array(part.lens.distortion),
        )
    x, y, width, height = part.region_px
    place_x, place_y = part.place_px
    plane = Plane(
        homography=_matrix(part.homography, "plane.homography", where),
        place_x=place_x,
        place_y=place_y,
        region=(x, y, width, height),
        least_mm_per_px=part.least_mm_per_px,
        most_mm_per_px=part.most_mm_per_px,
        tilt_deg=math.nan if part.tilt_deg is None else part.tilt_deg,
        lens=lens,
    )
    _check_in_view(plane, where)
    return plane


def _check_in_view(plane: Plane, where: str) -> None:
    """Refuse a plane that has no scale at the weld's place, or whose horizon runs through the region."""
    x, y, width, height = plane.region
    corners = [(x, y), (x + width, y), (x, y + height), (x + width, y + height)]
    with np.errstate(all="ignore"):
        jacobian = plane.jacobian([(plane.place_x, plane.place_y), *corners])
        # The determinant changes its sign where the plane's horizon is.
        size = np.linalg.det(jacobian) / (jacobian**2).sum(axis=(1, 2))
    if not (np.isfinite(size).all() and (size * size[0] > 1e-12).all()):
        raise UsageError(
            f"{where}: 'plane.homography' gives no scale at the weld's place and all over the region; calibrate again"
        )


def _matrix(rows: list[list[float]], name: str, where: str) -> np.ndarray:
    if len(rows) != 3 or any(len(row) != 3 for row in rows):
        raise UsageError(f"{where}: {name!r} must be 3 rows of 3 numbers; calibrate again")
    return np.array(rows, dtype=np.float64)


def _table(name: str, values: Mapping[str, object], bracket: str = "[{}]") -> list[str]:
    if not values:
        return []
    return [bracket.format(name), *(f"{key} = {_toml(value)}" for key, value in values.items()), ""]


def _toml(value: object) -> str:
    if isinstance(value, str):
        # JSON's escapes are TOML's, but for DEL.
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        text = repr(value)
        return text if any(mark in text for mark in ".en") else f"{text}.0"
    if isinstance(value, list):
        return "[" + ", ".join(_toml(item) for item in value) + "]"
    raise TypeError(f"a scale file cannot hold {value!r}")
