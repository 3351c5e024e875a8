"""Liquid-metal properties, read from `configs/materials.toml` or a file of the user's."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from pydantic import Field

from .data import data_folder
from .errors import UsageError
from .settings import Settings, read_toml


class _MaterialEntry(Settings):
    name: str
    density_kg_m3: float = Field(gt=0)
    density_u_rel: float = Field(default=0.02, ge=0)
    surface_tension_n_m: float | None = Field(default=None, gt=0)
    viscosity_mpa_s: float | None = Field(default=None, gt=0)
    melting_k: float | None = Field(default=None, gt=0)
    source: str


@dataclass(frozen=True)
class Material:
    """A metal as liquid at its melting point.

    Attributes
    ----------
    key
        The word used on the command line.
    name
        In words.
    density_kg_m3
        Liquid density at the melting point.
    density_u_rel
        Relative standard uncertainty of the density.
    surface_tension_n_m, viscosity_mpa_s, melting_k
        For orientation on capillary motion; None where not known.
    source
        Where the figures come from.
    """

    key: str
    name: str
    density_kg_m3: float
    density_u_rel: float
    surface_tension_n_m: float | None
    viscosity_mpa_s: float | None
    melting_k: float | None
    source: str


def materials(path: str | Path | None = None) -> dict[str, Material]:
    """All materials by key.

    Raises
    ------
    UsageError
        The file is not as it should be.
    """
    path = Path(path) if path is not None else data_folder("configs") / "materials.toml"
    found = {}
    for key, values in read_toml(path).items():
        if not isinstance(values, dict):
            raise UsageError(f"{path}: {key!r} stands outside a [material] table; see configs/materials.toml")
        entry = _MaterialEntry.checked(values, where=f"{path} [{key}]")
        found[key] = Material(key=key, **entry.model_dump())
    return found


def material(key: str, path: str | Path | None = None) -> Material:
    """One material by key.

    Raises
    ------
    UsageError
        No such material; the message lists those there are.
    """
    known = materials(path)
    if key not in known:
        raise UsageError(f"unknown material {key!r}; known: {', '.join(known)} (configs/materials.toml)")
    return known[key]
