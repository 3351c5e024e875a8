"""Expected frequencies against handbook figures and against each other."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from poolwatch.cli.main import main
from poolwatch.model.errors import UsageError
from poolwatch.model.materials import material
from poolwatch.plan.physics import (
    Liquid,
    aliased_hz,
    capillary_length_mm,
    drop_mass_ug,
    drop_mode,
    liquid_of,
    penetrated_mode,
    pool_mode,
    sloshing_mode,
)

# Densities: Assael et al., J. Phys. Chem. Ref. Data 35 (2006) 285; 39 (2010) 033105. Surface tensions of the clean
# metals: Mills & Su, Int. Mater. Rev. 51 (2006) 329; iron's 1.87 N/m is another handbook's.
ALUMINIUM = Liquid(1.05, 2377.23)
IRON = Liquid(1.88, 7034.96, 5.851e-3)
COPPER = Liquid(1.32, 7997.0)


def test_drop_of_water() -> None:
    """R = 1 mm, 0.0728 N/m, 998.2 kg/m³: 121.57 Hz (Lamb, art. 275, formula from memory, figure worked out again)."""
    water = Liquid(0.0728, 998.2)
    assert drop_mode(2.0, water).frequency_hz == pytest.approx(121.57, abs=0.005)
    assert drop_mode(2.0, water, 3).frequency_hz / drop_mode(2.0, water).frequency_hz == pytest.approx(
        1.9365, abs=1e-4
    )
    assert drop_mode(2.0, water, 4).frequency_hz / drop_mode(2.0, water).frequency_hz == pytest.approx(3.0)


@pytest.mark.parametrize(
    ("liquid", "d100", "d200", "length", "mass"),
    [
        (ALUMINIUM, 26_759, 9460.7, 6.71, 1.245),
        (IRON, 20_814, 7358.9, 5.22, 3.683),
        (COPPER, 16_358, 5783.5, 4.10, 4.187),
    ],
)
def test_drops_of_metal(liquid: Liquid, d100: float, d200: float, length: float, mass: float) -> None:
    assert drop_mode(0.1, liquid).frequency_hz == pytest.approx(d100, rel=2e-4)
    assert drop_mode(0.2, liquid).frequency_hz == pytest.approx(d200, rel=2e-4)
    assert capillary_length_mm(liquid) == pytest.approx(length, abs=0.006)
    assert drop_mass_ug(0.1, liquid) == pytest.approx(mass, rel=1e-3)


def test_damping_of_a_drop() -> None:
    assert drop_mode(0.1, IRON).damping_s == pytest.approx(0.601e-3, rel=2e-3)


@pytest.mark.parametrize(
    ("liquid", "diameter", "depth", "expected"),
    [
        (ALUMINIUM, 2, None, (265.1, 565.3, 794.0)),
        (ALUMINIUM, 2, 0.5, (225.9, 539.2, 776.9)),
        (ALUMINIUM, 5, None, (68.2, 143.9, 201.7)),
        (Liquid(1.87, 7034.96), 2, None, (206.1, 438.9, 616.2)),
    ],
)
def test_sloshing_of_a_round_pool(
    liquid: Liquid, diameter: float, depth: float | None, expected: tuple[float, ...]
) -> None:
    """Dispersion of waves with gravity and surface tension, zeros of J' (worked out independently)."""
    found = [sloshing_mode(diameter, liquid, diameters=m, depth_mm=depth).frequency_hz for m in (1, 2, 0)]
    assert found == pytest.approx(expected, abs=0.06)


def test_constants_of_weld_pool_modes() -> None:
    """Xiao & den Ouden: 5.84, 3.37 and 1.08 (from memory)."""
    one = Liquid(1.0, 1.0)
    assert pool_mode(1e3, one).frequency_hz == pytest.approx(5.838, abs=5e-4)
    assert pool_mode(1e3, one, sideways=True).frequency_hz == pytest.approx(3.376, abs=5e-4)
    assert penetrated_mode(1e3, 1e3, one).frequency_hz == pytest.approx(1.0826, abs=5e-5)
    assert pool_mode(5, ALUMINIUM).frequency_hz == pytest.approx(347.0, abs=0.1)
    assert pool_mode(5, ALUMINIUM, sideways=True).frequency_hz == pytest.approx(200.7, abs=0.1)
    assert pool_mode(5, IRON).frequency_hz == pytest.approx(269.9, abs=0.1)
    assert pool_mode(5, IRON, sideways=True).frequency_hz == pytest.approx(156.1, abs=0.1)
    assert penetrated_mode(5, 2, IRON).frequency_hz == pytest.approx(79.1, abs=0.1)


@given(st.floats(0.1, 3), st.floats(1000, 10_000), st.floats(0.2, 10))
def test_doubling_the_diameter_divides_by_two_to_the_three_halves(sigma: float, rho: float, d: float) -> None:
    liquid = Liquid(sigma, rho)
    assert pool_mode(d, liquid).frequency_hz / pool_mode(2 * d, liquid).frequency_hz == pytest.approx(2**1.5)
    assert drop_mode(d, liquid).frequency_hz / drop_mode(2 * d, liquid).frequency_hz == pytest.approx(2**1.5)


def test_a_surface_wave_obeys_the_potential_flow_it_comes_from() -> None:
    """(0,1) on a deep pool: kinetic and potential energy of the wave are equal at its frequency."""
    d, liquid = 3.0, Liquid(1.6, 6900.0)
    mode = sloshing_mode(d, liquid, diameters=0)
    k = 3.8317059702 / (d / 2e3)
    r = np.linspace(0, d / 2e3, 20_001)
    from scipy.special import j0, j1

    step = r[1] - r[0]
    potential = (
        0.5
        * np.sum(
            (liquid.density_kg_m3 * 9.81 * j0(k * r) ** 2 + liquid.surface_tension_n_m * (k * j1(k * r)) ** 2)
            * r
        )
        * step
    )
    kinetic = (
        0.5
        * np.sum(liquid.density_kg_m3 / k * (2 * math.pi * mode.frequency_hz) ** 2 * j0(k * r) ** 2 * r)
        * step
    )
    assert kinetic == pytest.approx(potential, rel=1e-4)


def test_aliases() -> None:
    """7 kHz at 10 kHz appears at 3 kHz (sampling theorem)."""
    assert aliased_hz(7000, 10_000) == 3000
    assert aliased_hz(4000, 10_000) == 4000
    assert aliased_hz(23_000, 10_000) == 3000


def test_refusals() -> None:
    with pytest.raises(UsageError, match="from order 2"):
        drop_mode(0.1, IRON, 1)
    with pytest.raises(UsageError, match="diameter must be"):
        pool_mode(0, IRON)
    with pytest.raises(UsageError, match="surface_tension_n_m must be"):
        Liquid(-1, 1)


def test_command(capsys: pytest.CaptureFixture[str]) -> None:
    liquid = liquid_of(material("aluminium"))
    arguments = ["--material", "aluminium", "--pool-length", "4", "--pool-width", "2", "--particle", "100um"]
    assert main(["plan", "physics", *arguments, "--peak", "240Hz", "--record-rate", "1kHz"]) == 0
    printed = capsys.readouterr().out
    assert f"{sloshing_mode(2, liquid, diameters=1).frequency_hz:.3g} Hz" in printed
    assert "1.245 µg" in printed
    assert "never a verdict" in printed
    assert "peak at 240 Hz: lies in the range of, or within 10 % of" in printed
    assert "is above half the record rate" in printed
    assert "source  Xiao & den Ouden" in printed
