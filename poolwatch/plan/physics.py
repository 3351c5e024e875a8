"""What physics expects of a pool and its drops: orientation for reading a spectrum, never a verdict.

All figures hold for a still, circular pool or a free sphere of one temperature, small waves and a clean surface. A
weld pool is long, flows, carries a keyhole and has a surface tension that falls with temperature, sulphur and
oxygen; expect real peaks tens of per cent away, and others that none of these formulas knows.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from ..model.errors import UsageError
from ..model.materials import Material

GRAVITY_M_S2 = 9.81
# Share of the pure metal's surface tension that sulphur and oxygen may leave in steel (from memory).
LEAST_TENSION = 0.6


@dataclass(frozen=True)
class Liquid:
    """What the formulas need of a metal: surface tension N/m, density kg/m³, viscosity Pa s (None: not known)."""

    surface_tension_n_m: float
    density_kg_m3: float
    viscosity_pa_s: float | None = None

    def __post_init__(self) -> None:
        for name in ("surface_tension_n_m", "density_kg_m3"):
            value = getattr(self, name)
            if not (math.isfinite(value) and value > 0):
                raise UsageError(f"{name} must be a finite number above 0, got {value!r}")


@dataclass(frozen=True)
class Mode:
    """One expected oscillation.

    Attributes
    ----------
    name
        In words.
    frequency_hz
        Expected frequency, Hz.
    damping_s
        Time in which viscosity takes its amplitude to 1/e, s; NaN where not known.
    source
        Where the formula comes from.
    validity
        For what it holds.
    """

    name: str
    frequency_hz: float
    damping_s: float
    source: str
    validity: str


def liquid_of(material: Material) -> Liquid:
    """The liquid of a material at its melting point.

    Raises
    ------
    UsageError
        Its surface tension is not known.
    """
    if material.surface_tension_n_m is None:
        raise UsageError(
            f"no surface tension is known for {material.key!r}; add it to your materials file, or give it"
        )
    viscosity = None if material.viscosity_mpa_s is None else material.viscosity_mpa_s / 1e3
    return Liquid(material.surface_tension_n_m, material.density_kg_m3, viscosity)


def capillary_length_mm(liquid: Liquid) -> float:
    """Length above which gravity flattens a surface: sqrt(sigma / (rho g)), mm."""
    return 1e3 * math.sqrt(liquid.surface_tension_n_m / (liquid.density_kg_m3 * GRAVITY_M_S2))


def drop_mass_ug(diameter_mm: float, liquid: Liquid) -> float:
    """Mass of a sphere, µg: rho pi d³ / 6."""
    return liquid.density_kg_m3 * math.pi * diameter_mm**3 / 6


def drop_mode(diameter_mm: float, liquid: Liquid, order: int = 2) -> Mode:
    """Oscillation of a free drop: f = sqrt(l (l-1) (l+2) sigma / (rho R³)) / 2 pi.

    Damping: rho R² / ((l-1) (2l+1) eta).

    Parameters
    ----------
    diameter_mm
        Of the sphere, mm.
    liquid
        The metal.
    order
        l: 2 is the slowest, from egg to lens and back.

    Raises
    ------
    UsageError
        The diameter is not above 0 or the order is below 2.
    """
    _positive("diameter", diameter_mm)
    if order < 2:
        raise UsageError(f"a drop oscillates from order 2 upwards, got {order}")
    radius = diameter_mm / 2e3
    rho, sigma, eta = liquid.density_kg_m3, liquid.surface_tension_n_m, liquid.viscosity_pa_s
    square = order * (order - 1) * (order + 2) * sigma / (rho * radius**3)
    damping = math.nan if eta is None else rho * radius**2 / ((order - 1) * (2 * order + 1) * eta)
    return Mode(
        f"drop of {diameter_mm:g} mm, order {order}",
        math.sqrt(square) / (2 * math.pi),
        damping,
        "Rayleigh 1879; Lamb, Hydrodynamics, art. 275 (from memory)",
        "free sphere, small amplitude, no gas, no heat",
    )


def sloshing_mode(
    diameter_mm: float, liquid: Liquid, *, diameters: int, circles: int = 1, depth_mm: float | None = None
) -> Mode:
    """Wave on a round pool with a free edge: w² = (g k + sigma k³ / rho) tanh(k h), k R a zero of J'_m.

    Parameters
    ----------
    diameter_mm
        Of the pool, mm.
    liquid
        The metal.
    diameters
        m, lines of rest across the pool: 1 tips from side to side, 0 rises and sinks as rings.
    circles
        n, number of the zero, from 1.
    depth_mm
        Mean depth, mm; None: deep against the wave.

    Raises
    ------
    UsageError
        A length is not above 0.
    """
    from scipy.special import jnp_zeros

    _positive("diameter", diameter_mm)
    k = float(jnp_zeros(diameters, circles)[-1]) / (diameter_mm / 2e3)
    return Mode(
        f"sloshing ({diameters},{circles})",
        _wave(k, liquid, depth_mm),
        _surface_damping(k, liquid),
        "dispersion of waves with gravity and surface tension, Lamb, art. 267 (from memory); zeros of J'",
        "still round pool, edge free to move along the wall, "
        + ("deep" if depth_mm is None else f"{depth_mm:g} mm deep"),
    )


def pool_mode(diameter_mm: float, liquid: Liquid, *, sideways: bool = False) -> Mode:
    """Weld pool that does not reach through: f = c sqrt(sigma / rho) / D^1.5, c = 5.84, or 3.37 sideways.

    Up and down the wave number is the second zero of J0 over R, sideways the first of J1 over R; deep pool,
    gravity left out.
    """
    _positive("diameter", diameter_mm)
    zero = 3.8317059702075125 if sideways else 5.520078110286311
    k = zero / (diameter_mm / 2e3)
    return Mode(
        "weld pool, sideways (c = 3.37)" if sideways else "weld pool, up and down (c = 5.84)",
        math.sqrt(liquid.surface_tension_n_m * k**3 / liquid.density_kg_m3) / (2 * math.pi),
        _surface_damping(k, liquid),
        "Xiao & den Ouden, arc weld pools (constants from memory, derived here from zeros of J0 and J1)",
        "partly penetrated round pool, deep, no gravity",
    )


def penetrated_mode(diameter_mm: float, thickness_mm: float, liquid: Liquid) -> Mode:
    """Weld pool that reaches through: a membrane with two free faces, f = 1.08 sqrt(sigma / (rho h)) / D."""
    _positive("diameter", diameter_mm)
    _positive("thickness", thickness_mm)
    k = 2.404825557695773 / (diameter_mm / 2e3)
    square = 2 * liquid.surface_tension_n_m / (liquid.density_kg_m3 * thickness_mm / 1e3)
    return Mode(
        "weld pool, fully penetrated (c = 1.08)",
        k * math.sqrt(square) / (2 * math.pi),
        math.nan,
        "Xiao & den Ouden, arc weld pools (constant from memory, derived here as a membrane of two faces)",
        "pool through the whole sheet, thin against its width",
    )


def aliased_hz(frequency_hz: float, record_rate_hz: float) -> float:
    """Where a frequency appears at a record rate: itself up to half the rate, folded back above."""
    folded = frequency_hz % record_rate_hz
    return min(folded, record_rate_hz - folded)


def _wave(k: float, liquid: Liquid, depth_mm: float | None) -> float:
    square = GRAVITY_M_S2 * k + liquid.surface_tension_n_m * k**3 / liquid.density_kg_m3
    if depth_mm is not None:
        _positive("depth", depth_mm)
        square *= math.tanh(k * depth_mm / 1e3)
    return math.sqrt(square) / (2 * math.pi)


def _surface_damping(k: float, liquid: Liquid) -> float:
    """Deep waves decay as exp(-2 nu k² t): Lamb, art. 348 (from memory)."""
    if liquid.viscosity_pa_s is None:
        return math.nan
    return liquid.density_kg_m3 / (2 * liquid.viscosity_pa_s * k * k)


def _positive(name: str, value: float) -> None:
    if not (math.isfinite(value) and value > 0):
        raise UsageError(f"{name} must be a finite number above 0, got {value!r}")
