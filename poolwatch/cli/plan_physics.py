"""`poolwatch plan physics`: what physics expects of a pool and its drops."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from .amounts import Amount

if TYPE_CHECKING:
    from ..plan.physics import Liquid, Mode


@click.command("physics", short_help="frequencies that physics expects of a pool and its drops")
@click.option("--material", "key", default="austenitic-stainless", show_default=True, help="Metal.")
@click.option("--pool-length", type=Amount("mm"), required=True, help="Length of the pool.")
@click.option("--pool-width", type=Amount("mm"), required=True, help="Width of the pool.")
@click.option("--depth", type=Amount("mm"), help="Mean depth of the pool; default: deep.")
@click.option("--thickness", type=Amount("mm"), help="Sheet thickness, if the pool reaches through.")
@click.option(
    "--particle", "particles", type=Amount("mm"), multiple=True, help="Diameter of a drop; repeatable."
)
@click.option("--surface-tension", type=float, metavar="N_M", help="Instead of the material's, N/m.")
@click.option(
    "--peak", "peaks", type=Amount("Hz"), multiple=True, help="Peak of a spectrum, to read; repeatable."
)
@click.option("--record-rate", type=Amount("Hz"), help="Record rate: says what would appear folded.")
def physics(
    key: str,
    surface_tension: float | None,
    particles: tuple[float, ...],
    peaks: tuple[float, ...],
    record_rate: float | None,
    **pool: Any,
) -> None:
    """Capillary modes of a pool of this size and metal, drop mass and oscillation, with sources and validity.

    For orientation when a spectrum is read, never a verdict: the formulas are for still, round pools. Figures
    are given for a round pool as long, and as wide, as yours.

    \b
    Example: what could a peak at 210 Hz be?
      poolwatch plan physics --pool-length 4mm --pool-width 2mm --particle 100um --peak 210Hz
    """
    import dataclasses

    from ..model.materials import material
    from ..plan.physics import LEAST_TENSION, capillary_length_mm, liquid_of

    metal = material(key)
    if surface_tension is not None:
        metal = dataclasses.replace(metal, surface_tension_n_m=surface_tension)
    liquid = liquid_of(metal)
    click.echo(
        f"{metal.name}: surface tension {liquid.surface_tension_n_m:g} N/m, density {liquid.density_kg_m3:g} kg/m³, "
        f"capillary length {capillary_length_mm(liquid):.2f} mm"
    )
    click.echo(f"  {metal.source}")
    by_end = _modes(liquid, **pool)
    _drops(particles, liquid)
    _read(peaks, by_end, record_rate)
    for source in dict.fromkeys(mode.source for mode in by_end[0]):
        click.echo(f"source  {source}")
    click.echo(
        f"note  sulphur and oxygen may take surface tension down to {LEAST_TENSION:g} of this, and all frequencies to "
        f"{LEAST_TENSION**0.5:.2f} (from memory). A laser can drive a mode about ten times slower than these waves"
    )
    click.echo("note  orientation, never a verdict: real pools are long, flow, and carry a keyhole")


def _modes(
    liquid: Liquid, pool_length: float, pool_width: float, depth: float | None, thickness: float | None
) -> list[list[Mode]]:
    """Print the modes of round pools as wide and as long as this one; give them by diameter."""
    from ..plan.amounts import amount, table

    ends = sorted({pool_length, pool_width})
    by_end = [_pool(diameter, liquid, depth, thickness) for diameter in ends]
    rows: list[tuple[str, ...]] = [
        ("", *(f"D = {amount(diameter, 'mm')}" for diameter in ends), "decays in", "holds for")
    ]
    for modes in zip(*by_end, strict=True):
        first = modes[0]
        dies = [amount(mode.damping_s, "s", 2) for mode in modes if mode.damping_s == mode.damping_s]
        rows.append(
            (
                first.name,
                *(amount(mode.frequency_hz, "Hz") for mode in modes),
                " to ".join(dict.fromkeys(dies)),
                first.validity,
            )
        )
    for line in table(rows):
        click.echo(line)
    return by_end


def _pool(diameter: float, liquid: Liquid, depth: float | None, thickness: float | None) -> list[Mode]:
    from ..plan.physics import penetrated_mode, pool_mode, sloshing_mode

    modes = [sloshing_mode(diameter, liquid, diameters=m, depth_mm=depth) for m in (1, 2, 0)]
    modes += [pool_mode(diameter, liquid, sideways=True), pool_mode(diameter, liquid)]
    return modes + ([penetrated_mode(diameter, thickness, liquid)] if thickness is not None else [])


def _drops(particles: tuple[float, ...], liquid: Liquid) -> None:
    from ..plan.amounts import amount, table
    from ..plan.physics import drop_mass_ug, drop_mode

    rows: list[tuple[str, ...]] = []
    for diameter in particles:
        mode = drop_mode(diameter, liquid)
        rows.append(
            (
                f"drop of {amount(diameter, 'mm')}",
                f"{drop_mass_ug(diameter, liquid):.4g} µg",
                amount(mode.frequency_hz, "Hz"),
                f"decays in {amount(mode.damping_s, 's', 2)}",
                mode.source,
            )
        )
    for line in table(rows):
        click.echo(line)


def _read(peaks: tuple[float, ...], by_end: list[list[Mode]], record_rate: float | None) -> None:
    """Say which modes lie about a peak, and which would appear folded."""
    from ..plan.amounts import amount
    from ..plan.physics import LEAST_TENSION, aliased_hz

    for peak in peaks:
        near = []
        for modes in zip(*by_end, strict=True):
            low = min(mode.frequency_hz for mode in modes) * LEAST_TENSION**0.5
            high = max(mode.frequency_hz for mode in modes)
            if low * 0.9 <= peak <= high * 1.1:
                name = modes[0].name
                near.append(f"{name} ({amount(low, 'Hz')} to {amount(high, 'Hz')})")
        click.echo(
            f"peak at {amount(peak, 'Hz')}: "
            + (
                f"lies in the range of, or within 10 % of, {'; '.join(near)}"
                if near
                else "none of these modes lies there"
            )
        )
        if record_rate is not None and peak > record_rate / 2:
            click.echo(
                f"  at a record rate of {amount(record_rate, 'Hz')} it would appear folded, at "
                f"{amount(aliased_hz(peak, record_rate), 'Hz')}"
            )
    if record_rate is not None:
        folded = [mode for modes in by_end for mode in modes if mode.frequency_hz > record_rate / 2]
        for mode in folded:
            click.echo(
                f"note  {mode.name} at {amount(mode.frequency_hz, 'Hz')} is above half the record rate and would "
                f"appear at {amount(aliased_hz(mode.frequency_hz, record_rate), 'Hz')}"
            )
