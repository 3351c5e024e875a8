"""Scale from the travel speed: what the metal moves in the picture against what it moves in truth."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from ..model.axes import Size
from ..model.errors import MeasurementError, UsageError
from .calibration import (
    HEIGHT,
    OVER_THE_LINE,
    OVER_THE_VIEW,
    PITCH,
    Calibration,
    Input,
    Plane,
    ScaleLine,
)
from .motion import Motion
from .uncertainty import Budget, Contribution

# Taken where no uncertainty of the travel speed is given (common practice, no source).
ASSUMED_U_TRAVEL = 0.01
# A camera that rides with the head keeps the pool in its place. Where the pool goes along with the metal for half of
# the way and more, that cannot be a camera that drifts a little.
_LEAST_LEFT = 0.5
# The scale goes with one over the speed: known worse than this, relative, its error is neither even nor the one stated.
_WORST_SPEED = 0.1
# Fewer tiles than this that follow, a change of speed over the view, and a drift, relative, that are worth a note.
_FEW_FOLLOW, _NOTABLE_CHANGE, _NOTABLE_DRIFT = 0.3, 0.02, 0.003


@dataclass(frozen=True)
class Drift:
    """Drift of the beam's place in the picture of a camera that should ride with it.

    Attributes
    ----------
    dx, dy
        Drift, px per frame, x right and y down.
    u_dx, u_dy
        Standard uncertainties, px per frame.
    frames
        Frames that showed it.
    """

    dx: float
    dy: float
    u_dx: float
    u_dy: float
    frames: int

    def of(self, motion: Motion) -> tuple[Motion, float]:
        """Motion of the metal against the beam, and the uncertainty that the drift gives its speed, px per frame."""
        left = replace(motion, dx=motion.dx - self.dx, dy=motion.dy - self.dy)
        if left.speed == 0:
            return left, math.hypot(self.u_dx, self.u_dy)
        return left, math.hypot(left.dx * self.u_dx, left.dy * self.u_dy) / left.speed


@dataclass(frozen=True)
class Travel:
    """How fast the head travels, and the camera records.

    Attributes
    ----------
    record_rate_hz, u_record_rate_hz
        Rate at which the camera took the frames and its standard uncertainty, Hz.
    speed_mm_s
        Travel speed of the head, mm/s.
    given_u_mm_s
        Its standard uncertainty, mm/s; None: 1 % of it is assumed.

    Raises
    ------
    UsageError
        A rate or speed makes no sense.
    """

    record_rate_hz: float
    speed_mm_s: float
    given_u_mm_s: float | None = None
    u_record_rate_hz: float = 0.0

    def __post_init__(self) -> None:
        for name, value in (("record rate", self.record_rate_hz), ("travel speed", self.speed_mm_s)):
            if not (math.isfinite(value) and value > 0):
                raise UsageError(f"the {name} must be a finite number above 0, got {value!r}")
        for name, value in (("travel speed", self.u_mm_s), ("record rate", self.u_record_rate_hz)):
            if not (math.isfinite(value) and value >= 0):
                raise UsageError(
                    f"the uncertainty of the {name} must be a finite number of at least 0, got {value!r}"
                )

    @property
    def u_mm_s(self) -> float:
        """Standard uncertainty of the travel speed, given or assumed, mm/s."""
        return ASSUMED_U_TRAVEL * self.speed_mm_s if self.given_u_mm_s is None else self.given_u_mm_s

    def noted(self) -> dict[str, Input]:
        """As it stands among what went into a calibration."""
        return {
            "record_rate_hz": self.record_rate_hz,
            "u_record_rate_hz": self.u_record_rate_hz,
            "travel_speed_mm_s": self.speed_mm_s,
            "u_travel_speed_mm_s": self.u_mm_s,
        }


def scale_from_travel(
    motion: Motion,
    travel: Travel,
    *,
    view: Size | None = None,
    tilt: Calibration | None = None,
    drift: Drift | None = None,
    inputs: Mapping[str, Input] | None = None,
) -> Calibration:
    """Scale from the motion of the metal and the known travel speed.

    Parameters
    ----------
    motion
        From `clip_motion.motion_in_clip` or `rigid_motion`, px per frame.
    travel
        Travel speed of the head and record rate.
    view
        Width and height of the frames, px: how the scale changes over the view enters the uncertainty.
    tilt
        Calibration by a target photo of the same view: its tilt is taken over, and its size found anew.
    drift
        Drift of the beam in the picture, where it is known: the travel speed is that of the metal against the beam.
    inputs
        More to be noted in the scale file.

    Raises
    ------
    UsageError
        The target was seen in pictures of another size.
    MeasurementError
        The metal stands still in the picture; or the pool goes along with it for most of its way; or its speed is not
        known well enough for a scale.
    """
    _check_view(motion, view, tilt)
    left, u_drift = (motion, 0.0) if drift is None else drift.of(motion)
    _check_speed(motion, left, u_drift)
    plane = None if tilt is None else _sized(tilt, left, travel.speed_mm_s / travel.record_rate_hz)
    if plane is None:
        scale, u_motion = travel.speed_mm_s / (left.speed * travel.record_rate_hz), left.u_speed / left.speed
    else:
        scale, u_motion = float(plane.scale_at((plane.place_x, plane.place_y))), _u_along(plane, left)
    terms = [
        _of_motion(motion, left, scale * u_motion, scale * u_drift / left.speed),
        _of_travel(travel, scale),
        _of_no_tilt(left) if tilt is None or plane is None else _of_tilt(tilt, plane, scale),
        _of_view(left, view, plane, scale),
        _of_drift(motion, left, u_drift if drift is not None else math.inf),
    ]
    return Calibration.made(
        scale,
        "travel",
        Budget(tuple(part for term in terms for part in term.parts)),
        inputs={**(inputs or {}), **travel.noted()},
        found={name: value for term in terms for name, value in term.found.items()},
        notes=tuple(note for term in terms for note in term.notes),
        plane=plane,
        picture_px=view,
    )


@dataclass(frozen=True)
class _Term:
    """What one cause adds to a calibration: parts of its uncertainty, what was found, notes."""

    parts: tuple[Contribution, ...] = ()
    found: Mapping[str, Input] = field(default_factory=dict)
    notes: tuple[str, ...] = ()


def _of_motion(seen: Motion, left: Motion, u_motion: float, u_drift: float) -> _Term:
    """The motion of the metal as seen, and what is left of it after the camera's drift."""
    few = "Fewer than a third of the tiles follow the motion: mask the pool and what is not metal."
    return _Term(
        (
            Contribution("motion found in the clip", u_motion),
            Contribution("drift of the camera, as the pool's place shows it", u_drift),
        ),
        {
            "speed_px_per_frame": left.speed,
            "u_speed_px_per_frame": left.u_speed,
            "travel_direction_deg": left.travel_direction_deg,
            "u_travel_direction_deg": left.u_direction_deg,
            "drift_along_travel_percent": 100 * (seen.speed / left.speed - 1),
            "lag_frames": left.lag,
            "pairs": left.pairs,
            "tiles_that_follow_percent": 100 * left.explained,
        },
        (few,) if left.explained < _FEW_FOLLOW else (),
    )


def _of_travel(travel: Travel, scale: float) -> _Term:
    assumed = travel.given_u_mm_s is None
    note = "The travel speed was taken as good to 1 %; give its uncertainty, from the machine's own check."
    return _Term(
        (
            Contribution(
                "travel speed (1 % assumed)" if assumed else "travel speed",
                scale * travel.u_mm_s / travel.speed_mm_s,
            ),
            Contribution("record rate", scale * travel.u_record_rate_hz / travel.record_rate_hz),
        ),
        notes=(note,) if assumed else (),
    )


def _of_no_tilt(left: Motion) -> _Term:
    note = (
        "The scale holds along travel, where the metal was seen; a tilt across travel stays unseen. A target photo "
        "shows the tilt (--tilt)."
    )
    line = ScaleLine(left.centre_x, left.centre_y, left.travel_direction_deg)
    return _Term(found=line.noted(), notes=(note,))


def _of_tilt(tilt: Calibration, plane: Plane, scale: float) -> _Term:
    # A direction's error is up to √2 that of the mean over directions, which the target's file states.
    known = tilt.u_but_for(OVER_THE_VIEW, PITCH, HEIGHT) / tilt.scale.mm_per_px
    least, most = plane.spread_when_upright()
    change = float(tilt.scale.mm_per_px / scale - 1)
    return _Term(
        (
            Contribution("tilt, as the target shows it", math.sqrt(2) * scale * known),
            Contribution(OVER_THE_VIEW, (most - least) / 2 / math.sqrt(3)),
        ),
        {"tilt_deg": plane.tilt_deg, "target_less_travel_percent": 100 * change},
        ("The tilt is that of the target photo; its size is that of the travel speed.",),
    )


def _of_view(left: Motion, view: Size | None, plane: Plane | None, scale: float) -> _Term:
    """How the speed of the metal changes over the view."""
    change = _change_over(left, view, plane)
    if not math.isfinite(change):
        return _Term()
    why = (
        ": the view is tilted or turning. A target photo would take that out (--tilt)."
        if plane is None
        else " beyond what the target's tilt explains: was the camera moved in between?"
    )
    note = f"The metal moves {100 * change:.1f} % faster at one side of the view than at the other{why}"
    return _Term(
        (Contribution(OVER_THE_LINE, scale * change / 2 / math.sqrt(3)),),
        {"change_over_view_percent": 100 * change},
        (note,) if change > _NOTABLE_CHANGE else (),
    )


def _of_drift(seen: Motion, left: Motion, u_drift: float) -> _Term:
    if abs(seen.speed - left.speed) <= max(3 * u_drift, _NOTABLE_DRIFT * left.speed):
        return _Term()
    note = (
        "The pool drifts in the picture: the camera moves against the head, by"
        f" {100 * abs(seen.speed / left.speed - 1):.1f} % of the travel. That was taken out, but fasten the camera."
    )
    return _Term(notes=(note,))


def _check_view(motion: Motion, view: Size | None, tilt: Calibration | None) -> None:
    """Refuse metal that stands still, and a tilt seen in pictures of another size."""
    if not motion.moving:
        raise MeasurementError(
            "the metal stands still in the picture: the travel speed gives a scale only where the camera rides"
            " with the head; use a target photo or two points"
        )
    if tilt is None or view is None or tilt.scale.picture_px in (None, view):
        return
    seen, own = ("{} x {}".format(*size) for size in (tilt.scale.picture_px, view))
    raise UsageError(
        f"the target was seen in pictures of {seen} px, the clip's are {own}: a tilt holds in one and "
        "the same picture only. Take the target's photo with the clip's size"
    )


def _check_speed(seen: Motion, left: Motion, u_drift: float) -> None:
    """Refuse what is left of the metal's motion after the drift, if no scale with an honest uncertainty follows."""
    if left.speed < _LEAST_LEFT * seen.speed:
        raise MeasurementError(
            f"what was taken for the pool goes along with the metal for {100 * (1 - left.speed / seen.speed):.0f} % of"
            " its way. It is a mark on the metal, or the camera does not ride with the head. Give frames of steady"
            " travel with the beam on, or use a target photo or two points"
        )
    relative = math.hypot(left.u_speed, u_drift) / left.speed
    if relative > _WORST_SPEED:
        raise MeasurementError(
            f"the speed of the metal against the beam is known to {100 * relative:.0f} % only (at most"
            f" {100 * _WORST_SPEED:.0f} % give a scale). Take a longer stretch of steady travel, fasten the camera, or "
            "use a target photo or two points"
        )


def _sized(tilt: Calibration, motion: Motion, mm_per_frame: float) -> Plane:
    """The target's plane, so large that the metal moves as far in it as it does in truth."""
    if tilt.plane is None:
        raise UsageError(
            f"a calibration by {tilt.scale.source} shows no tilt; give that of a target photo, or none"
        )
    moved = tilt.plane.jacobian((motion.centre_x, motion.centre_y)) @ (motion.dx, motion.dy)
    return tilt.plane.resized(mm_per_frame / float(np.linalg.norm(moved)))


def _u_along(plane: Plane, motion: Motion) -> float:
    """Relative standard uncertainty of the speed in the plane that comes from that of the motion in the image."""
    here = plane.jacobian((motion.centre_x, motion.centre_y))
    moved = here @ (motion.dx, motion.dy)
    sensitivity = moved @ here / float(moved @ moved)
    return float(np.hypot(*(sensitivity * (motion.u_dx, motion.u_dy))))


def _change_over(motion: Motion, view: Size | None, plane: Plane | None) -> float:
    """Relative change of the speed along travel between the sides of the view, beyond that of a known plane.

    NaN where it was not seen.
    """
    if view is None or not np.isfinite(motion.gradient).all():
        return math.nan
    gradient = motion.gradient - (0.0 if plane is None else _perspective(plane, motion))
    along = np.array([motion.dx, motion.dy]) / motion.speed
    return float(np.abs(along @ gradient / motion.speed) @ view)


def _perspective(plane: Plane, motion: Motion) -> NDArray[np.float64]:
    """Change of the motion (dx, dy) per px to the right and down, shape (2, 2), that a plane's perspective makes."""
    centre = np.array([motion.centre_x, motion.centre_y])
    moved = plane.jacobian(centre) @ (motion.dx, motion.dy)
    steps = 10.0 * np.eye(2)
    ahead = np.linalg.solve(plane.jacobian(centre + steps), moved[:, None])[..., 0]
    behind = np.linalg.solve(plane.jacobian(centre - steps), moved[:, None])[..., 0]
    return np.asarray(((ahead - behind) / 20.0).T)
