"""What to record: from what must be seen to rate, exposure, scale, view, frames and memory."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from pydantic import Field

from ..model.errors import UsageError
from ..model.settings import Settings
from .amounts import amount, round_down, round_up

Quantity = Literal["record rate", "exposure", "scale", "clip length"]
UNITS: dict[str, str] = {"record rate": "Hz", "exposure": "s", "scale": "mm/px", "clip length": "s"}


# Length and width of a laser weld's pool, from micro welds to deep ones at high power.
_POOL_MM = (0.05, 100.0)


class Wish(Settings):
    """What must be seen; whatever is not given asks for nothing.

    Attributes
    ----------
    smallest_particle_mm
        Diameter of the smallest particle that must be found and sized, mm.
    fastest_particle_mm_s
        Speed of the fastest particle that must be followed, in the image plane, mm/s.
    highest_frequency_hz, lowest_frequency_hz
        Ends of the band in which the pool's motion is of interest, Hz.
    pool_length_mm, pool_width_mm
        Size of the largest pool expected, mm.
    travel_speed_mm_s
        Welding speed, mm/s.
    clip_s
        Length of clip that the interval of the index or something else asks for, s.
    weld_length_mm
        Length of steady weld that there is to film, mm.
    margin_mm
        View around the pool, in which particles are followed; None: one pool width.
    fixed_camera
        The camera stands still and the pool crosses the view.
    """

    smallest_particle_mm: float | None = Field(default=None, gt=0, le=100)
    fastest_particle_mm_s: float | None = Field(default=None, gt=0, le=1e6)
    highest_frequency_hz: float | None = Field(default=None, gt=0, le=1e7)
    lowest_frequency_hz: float | None = Field(default=None, gt=0, le=1e6)
    pool_length_mm: float = Field(gt=0, le=1000)
    pool_width_mm: float = Field(gt=0, le=1000)
    travel_speed_mm_s: float | None = Field(default=None, gt=0, le=1e5)
    clip_s: float | None = Field(default=None, gt=0, le=1e5)
    weld_length_mm: float | None = Field(default=None, gt=0, le=1e6)
    margin_mm: float | None = Field(default=None, gt=0, le=1000)
    fixed_camera: bool = False

    @property
    def margin(self) -> float:
        """View around the pool, mm."""
        return self.margin_mm or self.pool_width_mm


class Rules(Settings):
    """How finely a thing must be recorded to be measured: common practice where no other reason is given.

    Attributes
    ----------
    samples_per_period
        Frames in a period of the highest frequency. 2 is the sampling theorem's limit; the room above shows
        the noise floor and keeps aliases away.
    sightings
        Frames in which a particle is seen on its way across the margin; poolwatch believes none below 3.
    particle_px
        Pixels across the smallest particle: below about 3 its size is a guess from its brightness.
    pool_px
        Pixels across the pool; poolwatch flags fewer than 30.
    streak
        Longest way of a particle during the exposure, in diameters.
    smear_px
        Longest way of the metal during the exposure, px.
    exposure_periods
        Exposure in periods of the highest frequency: 0.25 takes a tenth off its amplitude (sinc 0.25 = 0.90).
    step_px
        Longest way of a particle between frames, px, over which poolwatch links by default.
    periods
        Periods of the lowest frequency in a clip; poolwatch takes what has fewer than 2 as drift.
    bytes_per_px
        1 for 8 bits, 2 for 10 to 16 bits.
    """

    samples_per_period: float = Field(default=2.5, gt=2)
    sightings: int = Field(default=5, ge=3)
    particle_px: float = Field(default=3.0, ge=1)
    pool_px: float = Field(default=60.0, ge=10)
    streak: float = Field(default=0.5, gt=0)
    smear_px: float = Field(default=0.5, gt=0)
    exposure_periods: float = Field(default=0.25, gt=0, le=1)
    step_px: float = Field(default=65.0, gt=1)
    periods: float = Field(default=10.0, ge=2)
    bytes_per_px: float = Field(default=1.0, ge=1, le=2)


@dataclass(frozen=True)
class Limit:
    """One limit of one quantity, in the unit of `UNITS`, with its reason and formula."""

    quantity: Quantity
    bound: Literal["at least", "at most"]
    value: float
    reason: str
    formula: str

    @property
    def cause(self) -> str:
        """The wish behind the limit: its reason up to the colon."""
        return self.reason.split(":")[0]

    def __str__(self) -> str:
        return f"{self.bound} {amount(self.value, UNITS[self.quantity])}"


@dataclass(frozen=True)
class RecordingPlan:
    """What to record.

    Attributes
    ----------
    record_rate_hz, exposure_s, mm_per_px, clip_s
        Chosen: the strictest limit, rounded to the safe side.
    width_px, height_px
        View along and across travel, px, in steps of 16.
    frames
        Frames of a clip.
    memory_gb
        Memory of a clip without compression, 10^9 bytes.
    limits
        All limits, strictest first within a quantity.
    notes
        The trades, and what was taken because nothing was said.
    """

    record_rate_hz: float
    exposure_s: float
    mm_per_px: float
    clip_s: float
    width_px: int
    height_px: int
    frames: int
    memory_gb: float
    limits: tuple[Limit, ...]
    notes: tuple[str, ...]

    def binding(self, quantity: Quantity) -> Limit | None:
        """The limit that decides a quantity."""
        return next((limit for limit in self.limits if limit.quantity == quantity), None)


def plan_recording(
    wish: Wish,
    rules: Rules | None = None,
    *,
    mm_per_px: float | None = None,
    record_rate_hz: float | None = None,
) -> RecordingPlan:
    """From what must be seen to what to record.

    Parameters
    ----------
    wish
        What must be seen.
    rules
        How finely; None for common practice.
    mm_per_px, record_rate_hz
        Given by a camera; None: chosen by the strictest limit.

    Raises
    ------
    UsageError
        The lowest frequency is not below the highest.
    """
    rules = rules or Rules()
    _check_frequencies(wish)
    notes: list[str] = []
    scale_limits = _sorted(_scale_limits(wish, rules))
    mm_per_px = mm_per_px or round_down(scale_limits[0].value)
    rate_limits = _sorted(_rate_limits(wish, rules, mm_per_px))
    rate = record_rate_hz or (round_up(rate_limits[0].value) if rate_limits else 1000.0)
    if record_rate_hz is None and not rate_limits:
        notes.append("record rate: no wish sets it; 1 kHz taken. Name a frequency or a particle speed.")
    exposure_limits = _sorted(_exposure_limits(wish, rules, mm_per_px, rate))
    exposure = round_down(exposure_limits[0].value)
    clip_limits = _sorted(_clip_limits(wish, rules))
    clip_s = round_up(clip_limits[0].value) if clip_limits else 1.0
    if not clip_limits:
        notes.append("clip length: no wish sets it; 1 s taken. Name a lowest frequency or an interval.")
    crossing = (wish.travel_speed_mm_s or 0.0) * clip_s if wish.fixed_camera else 0.0
    width = _steps((wish.pool_length_mm + 2 * wish.margin + crossing) / mm_per_px)
    height = _steps((wish.pool_width_mm + 2 * wish.margin) / mm_per_px)
    frames = math.ceil(rate * clip_s)
    limits = (*rate_limits, *exposure_limits, *scale_limits, *clip_limits)
    notes = _odd(wish) + _trades(limits, wish) + notes
    return RecordingPlan(
        rate,
        exposure,
        mm_per_px,
        clip_s,
        width,
        height,
        frames,
        memory_gb(width, height, frames, rules),
        limits,
        tuple(notes),
    )


def _check_frequencies(wish: Wish) -> None:
    low, high = wish.lowest_frequency_hz, wish.highest_frequency_hz
    if low is not None and high is not None and low >= high:
        raise UsageError(
            f"the lowest frequency, {amount(low, 'Hz')}, must be below the highest, {amount(high, 'Hz')}"
        )


def memory_gb(width_px: int, height_px: int, frames: int, rules: Rules) -> float:
    """Memory of a clip without compression, 10^9 bytes."""
    return width_px * height_px * frames * rules.bytes_per_px / 1e9


def _scale_limits(wish: Wish, rules: Rules) -> list[Limit]:
    limits = [
        Limit(
            "scale",
            "at most",
            min(wish.pool_length_mm, wish.pool_width_mm) / rules.pool_px,
            f"the pool's edge: {rules.pool_px:g} px across the pool",
            f"pool width / {rules.pool_px:g}",
        )
    ]
    if wish.smallest_particle_mm is not None:
        limits.append(
            Limit(
                "scale",
                "at most",
                wish.smallest_particle_mm / rules.particle_px,
                f"the smallest particle: {rules.particle_px:g} px across it",
                f"d / {rules.particle_px:g}",
            )
        )
    return limits


def _rate_limits(wish: Wish, rules: Rules, mm_per_px: float) -> list[Limit]:
    limits = []
    if wish.highest_frequency_hz is not None:
        limits.append(
            Limit(
                "record rate",
                "at least",
                rules.samples_per_period * wish.highest_frequency_hz,
                f"the highest frequency: {rules.samples_per_period:g} frames a period (2 is the sampling limit)",
                f"{rules.samples_per_period:g} f",
            )
        )
    if wish.fastest_particle_mm_s is not None:
        limits += [
            Limit(
                "record rate",
                "at least",
                rules.sightings * wish.fastest_particle_mm_s / wish.margin,
                f"the fastest particle: seen {rules.sightings} times in {amount(wish.margin, 'mm')} of margin",
                f"{rules.sightings} v / margin",
            ),
            Limit(
                "record rate",
                "at least",
                wish.fastest_particle_mm_s / (rules.step_px * mm_per_px),
                f"the fastest particle: linked over at most {rules.step_px:g} px between frames",
                f"v / ({rules.step_px:g} px)",
            ),
        ]
    return limits


def _exposure_limits(wish: Wish, rules: Rules, mm_per_px: float, rate: float) -> list[Limit]:
    limits = [Limit("exposure", "at most", 1 / rate, "the time between frames", "1 / rate")]
    if wish.highest_frequency_hz is not None:
        limits.append(
            Limit(
                "exposure",
                "at most",
                rules.exposure_periods / wish.highest_frequency_hz,
                "the highest frequency: blurred by no more than a tenth of its amplitude"
                if rules.exposure_periods == 0.25
                else f"the highest frequency: {rules.exposure_periods:g} of its period",
                f"{rules.exposure_periods:g} / f",
            )
        )
    if wish.fastest_particle_mm_s is not None and wish.smallest_particle_mm is not None:
        limits.append(
            Limit(
                "exposure",
                "at most",
                rules.streak * wish.smallest_particle_mm / wish.fastest_particle_mm_s,
                f"streaks: the fastest particle moves {rules.streak:g} of the smallest diameter",
                f"{rules.streak:g} d / v",
            )
        )
    if wish.travel_speed_mm_s is not None:
        limits.append(
            Limit(
                "exposure",
                "at most",
                rules.smear_px * mm_per_px / wish.travel_speed_mm_s,
                f"smear: pool or sheet moves {rules.smear_px:g} px by the travel",
                f"{rules.smear_px:g} px / travel speed",
            )
        )
    return limits


def _clip_limits(wish: Wish, rules: Rules) -> list[Limit]:
    limits = []
    if wish.clip_s is not None:
        limits.append(
            Limit("clip length", "at least", wish.clip_s, "the interval or length asked for", "as given")
        )
    if wish.lowest_frequency_hz is not None:
        limits.append(
            Limit(
                "clip length",
                "at least",
                rules.periods / wish.lowest_frequency_hz,
                f"the lowest frequency: {rules.periods:g} of its periods (below 2 it counts as drift)",
                f"{rules.periods:g} / f_low",
            )
        )
    return limits


def _sorted(limits: list[Limit]) -> list[Limit]:
    """Strictest first."""
    return sorted(limits, key=lambda limit: -limit.value if limit.bound == "at least" else limit.value)


def _steps(px: float) -> int:
    """Cameras set their window in steps; 16 px is common."""
    return max(16, math.ceil(px / 16 - 1e-9) * 16)


def _odd(wish: Wish) -> list[str]:
    """A size that no laser weld's pool has is most likely in another unit than meant."""
    return [
        f"pool {side}: {amount(value, 'mm')} is no usual laser weld's ({amount(_POOL_MM[0], 'mm')} to "
        f"{amount(_POOL_MM[1], 'mm')}, common practice, no source); check its unit"
        for side, value in (("length", wish.pool_length_mm), ("width", wish.pool_width_mm))
        if not _POOL_MM[0] <= value <= _POOL_MM[1]
    ]


def _trades(limits: tuple[Limit, ...], wish: Wish) -> list[str]:
    """What decides each quantity, and how far it would give without that."""
    said = []
    for quantity in ("record rate", "exposure", "scale"):
        mine = [limit for limit in limits if limit.quantity == quantity]
        if len(mine) < 2:
            continue
        first = mine[0]
        others = [limit for limit in mine if limit.cause != first.cause]
        if others and max(first.value / others[0].value, others[0].value / first.value) > 1.05:
            said.append(
                f"{quantity}: set by {first.cause}; without it {others[0]} would do ({others[0].cause})."
            )
    rate = next((limit for limit in limits if limit.quantity == "record rate"), None)
    if rate is not None and "margin" in rate.formula:
        said.append(
            f"trade: twice the margin ({amount(2 * wish.margin, 'mm')}) halves that rate but widens the view; "
            "a slower fastest particle lowers both."
        )
    scale = next(limit for limit in limits if limit.quantity == "scale")
    if wish.smallest_particle_mm is not None and "particle" in scale.reason:
        said.append(
            "trade: twice the smallest particle needs a quarter of the pixels and of the memory"
            + (", and allows twice the exposure." if wish.fastest_particle_mm_s is not None else ".")
        )
    return said
