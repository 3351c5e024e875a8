"""The other way round: what a given camera can show, and which wishes it cannot meet."""

from __future__ import annotations

from dataclasses import dataclass

from pydantic import Field

from ..model.errors import UsageError
from ..model.settings import Settings
from .amounts import amount, round_down
from .recording import RecordingPlan, Rules, Wish, memory_gb


class Camera(Settings):
    """What is fixed of a camera and its set-up; None is free.

    Attributes
    ----------
    record_rate_hz
        Rate, Hz.
    width_px, height_px
        View along and across travel, px.
    mm_per_px
        Size of a pixel in the plane of the weld, mm.
    exposure_s
        Exposure, s.
    memory_gb
        Memory for one clip, 10^9 bytes.
    pixels_per_s
        Most pixels a second that the camera reads out.
    """

    record_rate_hz: float | None = Field(default=None, gt=0, le=1e8)
    width_px: int | None = Field(default=None, ge=8, le=100_000)
    height_px: int | None = Field(default=None, ge=8, le=100_000)
    mm_per_px: float | None = Field(default=None, gt=0, le=100)
    exposure_s: float | None = Field(default=None, gt=0, le=100)
    memory_gb: float | None = Field(default=None, gt=0)
    pixels_per_s: float | None = Field(default=None, gt=0)


@dataclass(frozen=True)
class Ability:
    """One thing that a camera can show: the figure, why it is so, and its formula."""

    what: str
    shown: str
    reason: str
    formula: str


def abilities(camera: Camera, wish: Wish, rules: Rules | None = None) -> tuple[Ability, ...]:
    """What a camera can show.

    Parameters
    ----------
    camera
        Rate and size of a pixel are needed; view, exposure and memory tell more.
    wish
        Pool size, margin, and the particle sizes and speeds in question.
    rules
        How finely.

    Raises
    ------
    UsageError
        Rate or size of a pixel is missing, or the exposure is longer than the time between frames.
    """
    rules = rules or Rules()
    rate, scale = camera.record_rate_hz, camera.mm_per_px
    if rate is None or scale is None:
        raise UsageError("to tell what a camera can show, give its record rate and the mm per pixel")
    exposure = camera.exposure_s or 1 / rate
    if exposure * rate > 1.001:
        raise UsageError(
            f"an exposure of {amount(exposure, 's')} does not fit between frames at {amount(rate, 'Hz')}: "
            f"at most {amount(1 / rate, 's')}"
        )
    taken = "" if camera.exposure_s else " (exposure taken as the whole time between frames)"
    width, height = _view(camera)
    margin = wish.margin
    if width is not None and height is not None:
        margin = min(width - wish.pool_length_mm, height - wish.pool_width_mm) / 2
    across = Ability(
        "pixels across the pool",
        amount(min(wish.pool_length_mm, wish.pool_width_mm) / scale, "px"),
        f"{rules.pool_px:g} wanted; under 30 the edges limit the figures",
        "pool width / (mm per px)",
    )
    return (
        _frequency(rate, exposure, rules, taken),
        *_particles(rate, scale, exposure, wish, rules, taken),
        *_in_view(rate, margin, rules),
        across,
        *_view_and_memory(camera, rate, margin, rules),
    )


def _frequency(rate: float, exposure: float, rules: Rules, taken: str) -> Ability:
    return Ability(
        "highest frequency",
        amount(min(rate / rules.samples_per_period, rules.exposure_periods / exposure), "Hz"),
        f"{rules.samples_per_period:g} frames a period; exposure at most {rules.exposure_periods:g} of it{taken}",
        f"min(rate / {rules.samples_per_period:g}, {rules.exposure_periods:g} / exposure)",
    )


def _particles(
    rate: float, scale: float, exposure: float, wish: Wish, rules: Rules, taken: str
) -> tuple[Ability, Ability, Ability]:
    """The smallest particle that is sized, and the fastest that are sharp and linked."""
    smallest = rules.particle_px * scale
    size = wish.smallest_particle_mm or smallest
    return (
        Ability(
            "smallest particle",
            amount(smallest, "mm"),
            f"{rules.particle_px:g} px across it; smaller ones may be seen, not sized",
            f"{rules.particle_px:g} px",
        ),
        Ability(
            "fastest particle, sharp",
            amount(rules.streak * size / exposure, "mm/s"),
            f"moves {rules.streak:g} of {amount(size, 'mm')} in the exposure{taken}",
            f"{rules.streak:g} d / exposure",
        ),
        Ability(
            "fastest particle, linked",
            amount(rules.step_px * scale * rate, "mm/s"),
            f"at most {rules.step_px:g} px between frames",
            f"{rules.step_px:g} px x rate",
        ),
    )


def _in_view(rate: float, margin: float, rules: Rules) -> tuple[Ability, ...]:
    """The fastest particle that is seen often enough before it leaves the margin, mm."""
    if margin <= 0:
        return ()
    seen = Ability(
        "fastest particle, seen",
        amount(margin * rate / rules.sightings, "mm/s"),
        f"seen {rules.sightings} times in {amount(margin, 'mm')} of margin",
        f"margin x rate / {rules.sightings}",
    )
    return (seen,)


def _view_and_memory(camera: Camera, rate: float, margin: float, rules: Rules) -> tuple[Ability, ...]:
    width, height = _view(camera)
    if width is None or height is None or camera.width_px is None or camera.height_px is None:
        return ()
    room = f"leaves {amount(margin, 'mm')} around the pool" if margin > 0 else "the pool does not fit in"
    second = memory_gb(camera.width_px, camera.height_px, 1, rules) * rate
    rows = (
        Ability("view", f"{amount(width, 'mm')} x {amount(height, 'mm')}", room, "px x (mm per px)"),
        Ability("memory", f"{amount(second, 'GB')}/s", "without compression", "width x height x rate"),
    )
    if camera.memory_gb is None:
        return rows
    longest = amount(camera.memory_gb / second, "s")
    return (*rows, Ability("longest clip", longest, "the memory given", "memory / (memory/s)"))


def with_margin_of(camera: Camera, wish: Wish) -> Wish:
    """The wish with the margin that the camera's view leaves around the pool, where no margin was asked for."""
    width, height = _view(camera)
    if wish.margin_mm is not None or width is None or height is None:
        return wish
    margin = min(width - wish.pool_length_mm, height - wish.pool_width_mm) / 2
    return wish.model_copy(update={"margin_mm": margin}) if margin > 0 else wish


def conflicts(camera: Camera, wish: Wish, plan: RecordingPlan, rules: Rules | None = None) -> tuple[str, ...]:
    """Sentences on every wish that the camera cannot meet, each saying what would do; empty where all are met.

    Parameters
    ----------
    camera
        What is fixed.
    wish
        What must be seen.
    plan
        What `plan_recording` made of the wish.
    rules
        As given to `plan_recording`.
    """
    rules = rules or Rules()
    said: list[str] = []
    fixed = {
        "record rate": camera.record_rate_hz,
        "exposure": camera.exposure_s,
        "scale": camera.mm_per_px,
    }
    said += _streak(camera, wish, rules)
    for limit in plan.limits:
        value = fixed.get(limit.quantity)
        if value is None or limit.formula == "1 / rate":
            continue
        if said and "d / v" in limit.formula:
            continue
        missed = value < limit.value * 0.999 if limit.bound == "at least" else value > limit.value * 1.001
        if missed:
            unit = {"record rate": "Hz", "exposure": "s", "scale": "mm/px"}[limit.quantity]
            said.append(
                f"{'an' if limit.quantity == 'exposure' else 'a'} {limit.quantity} of {amount(value, unit)} does not "
                f"do for {limit.reason}; "
                f"{limit} would do."
            )
    rate = camera.record_rate_hz or plan.record_rate_hz
    exposure = camera.exposure_s or plan.exposure_s
    if exposure * rate > 1.001:
        said.append(
            f"an exposure of {amount(exposure, 's')} does not fit between frames at {amount(rate, 'Hz')}: "
            f"at most {amount(1 / rate, 's')}, or at most {amount(1 / exposure, 'Hz')} at this exposure."
        )
    return (*said, *_room(camera, wish, plan, rules), *_weld(wish, plan))


def _streak(camera: Camera, wish: Wish, rules: Rules) -> list[str]:
    """A particle that moves several of its own diameters while the shutter is open."""
    d, v, t = wish.smallest_particle_mm, wish.fastest_particle_mm_s, camera.exposure_s
    if d is None or v is None or t is None or v * t <= rules.streak * d * 1.001:
        return []
    way = v * t
    what = "is a streak" if way >= d else "is blurred"
    return [
        f"a {amount(d, 'mm')} particle at {amount(v, 'mm/s')} in a {amount(t, 's')} exposure {what}: it moves "
        f"{amount(way, 'mm')}, {way / d:.3g} of its diameters; an exposure of at most "
        f"{amount(round_down(rules.streak * d / v), 's')} would do, or at this exposure a particle no faster than "
        f"{amount(rules.streak * d / t, 'mm/s')}, or no smaller than {amount(way / rules.streak, 'mm')}."
    ]


def _room(camera: Camera, wish: Wish, plan: RecordingPlan, rules: Rules) -> list[str]:
    """View, read-out and memory."""
    said = []
    rate = camera.record_rate_hz or plan.record_rate_hz
    width, height = camera.width_px or plan.width_px, camera.height_px or plan.height_px
    scale = camera.mm_per_px or plan.mm_per_px
    need_w = wish.pool_length_mm + 2 * wish.margin
    if wish.fixed_camera and wish.travel_speed_mm_s:
        need_w += wish.travel_speed_mm_s * plan.clip_s
    need_h = wish.pool_width_mm + 2 * wish.margin
    if (camera.width_px or camera.height_px) and (
        width * scale < need_w * 0.999 or height * scale < need_h * 0.999
    ):
        coarser = max(need_w / width, need_h / height)
        said.append(
            f"a view of {width} x {height} px at {amount(scale, 'mm/px')} is "
            f"{amount(width * scale, 'mm')} x {amount(height * scale, 'mm')}; pool and margins need "
            f"{amount(need_w, 'mm')} x {amount(need_h, 'mm')}: {amount(coarser, 'mm/px')}, a larger view or a "
            "smaller margin would do."
        )
    if camera.pixels_per_s is not None and width * height * rate > camera.pixels_per_s * 1.001:
        said.append(
            f"{width} x {height} px at {amount(rate, 'Hz')} is {width * height * rate / 1e9:.3g} Gpx/s; the camera "
            f"reads {camera.pixels_per_s / 1e9:.3g}: "
            f"{amount(round_down(camera.pixels_per_s / (width * height)), 'Hz')} "
            f"in this view, or {camera.pixels_per_s / rate:,.0f} px in the view at this rate."
        )
    need = memory_gb(width, height, int(rate * plan.clip_s), rules)
    if camera.memory_gb is not None and need > camera.memory_gb * 1.001:
        said.append(
            f"a clip of {amount(plan.clip_s, 's')} needs {amount(need, 'GB')} of memory, the camera has "
            f"{amount(camera.memory_gb, 'GB')}: that holds {amount(plan.clip_s * camera.memory_gb / need, 's')}."
        )
    return said


def _weld(wish: Wish, plan: RecordingPlan) -> list[str]:
    """Whether there is enough weld for the clip."""
    if wish.weld_length_mm is None or wish.travel_speed_mm_s is None:
        return []
    way = wish.travel_speed_mm_s * plan.clip_s
    if way <= wish.weld_length_mm * 1.001:
        return []
    return [
        f"a clip of {amount(plan.clip_s, 's')} at {amount(wish.travel_speed_mm_s, 'mm/s')} needs "
        f"{amount(way, 'mm')} of steady weld, there are {amount(wish.weld_length_mm, 'mm')}: that is "
        f"{amount(wish.weld_length_mm / wish.travel_speed_mm_s, 's')}; a longer weld or a wider interval would do."
    ]


def _view(camera: Camera) -> tuple[float | None, float | None]:
    """View along and across travel, mm."""
    if camera.width_px is None or camera.height_px is None or camera.mm_per_px is None:
        return None, None
    return camera.width_px * camera.mm_per_px, camera.height_px * camera.mm_per_px
