"""Scale from the travel speed: what the metal moves in the picture against what it moves in truth."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

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
from .motion import Motion, rigid_motion
from .uncertainty import Budget, Contribution

# Taken where no uncertainty of the travel speed is given (common practice, no source).
ASSUMED_U_TRAVEL = 0.01
# Values held at once while looking for the motion, and frames looked at.
_PIXELS_AT_ONCE = 20_000_000
_FRAMES = (24, 160)
# Travel (share of the view) over the frames looked at that fixes the speed best.
_TRAVEL_SHARE = 0.6
# A camera that rides with the head keeps the pool in its place. Where the pool goes along with the metal for half of
# the way and more, that cannot be a camera that drifts a little.
_LEAST_LEFT = 0.5
# The scale goes with one over the speed: known worse than this, relative, its error is neither even nor the one stated.
_WORST_SPEED = 0.1


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


def motion_in_clip(
    read: Callable[[Sequence[int]], NDArray[np.generic]],
    start: int,
    stop: int,
    mask: NDArray[np.bool_] | None = None,
    *,
    tile_px: int | None = None,
) -> Motion:
    """Find the motion of the solid metal in a stretch of a clip, px per frame of the clip.

    Parameters
    ----------
    read
        Gives frames (n, h, w) by their numbers, such as `frames` of an open clip.
    start, stop
        Stretch of the clip in which the beam travels steadily; `stop` is not in it.
    mask
        Shape (h, w), True on what is to be left out.
    tile_px
        Side of a tile, px; by the frame's size if None.

    Raises
    ------
    UsageError
        The stretch is too short.
    MeasurementError
        No common motion was found.

    Notes
    -----
    Consecutive frames from the middle are looked at first. Where they hold only a small part of a view's
    travel, frames spaced further apart are looked at instead, so that slow travel is measured as well as fast.
    """
    if stop - start < 8:
        raise UsageError(
            f"frames {start} to {stop} are too few to find the motion of the metal; give at least 8"
        )
    height, width = read([start]).shape[1:]
    frames = max(_FRAMES[0], min(_FRAMES[1], _PIXELS_AT_ONCE // (height * width)))
    frames = min(frames, stop - start)
    motion: Motion | None = None
    spacing = used = 1
    try:
        motion = rigid_motion(read(_middle(start, stop, frames, 1)), mask, tile_px=tile_px)
    except MeasurementError:
        if stop - start < 2 * frames:
            raise
    widest = max(1, (stop - start) // frames)
    if motion is None or not motion.moving:
        # Too slow to be seen in that many frames, or standing: the whole stretch tells.
        spacing = widest
    else:
        reach = _TRAVEL_SHARE * min(
            width * motion.speed / max(abs(motion.dx), 1e-9),
            height * motion.speed / max(abs(motion.dy), 1e-9),
        )
        spacing = min(widest, max(1, int(reach / (motion.speed * frames))))
    if spacing > 1:
        try:
            spaced = rigid_motion(read(_middle(start, stop, frames, spacing)), mask, tile_px=tile_px)
        except MeasurementError:
            spaced = None
        if spaced is not None:
            found = _per_frame(spaced, spacing)
            if motion is None or found.moving != motion.moving or found.u_speed < motion.u_speed:
                motion, used = found, spacing
    if motion is None:
        raise MeasurementError(
            f"no common motion of solid metal found between frames {start} and {stop}: light the metal, or mask"
            " what is not metal"
        )
    seen = _middle(start, stop, frames, used)
    return replace(motion, first=seen[0], last=seen[-1])


def scale_from_travel(
    motion: Motion,
    *,
    record_rate_hz: float,
    travel_speed_mm_s: float,
    u_travel_speed_mm_s: float | None = None,
    u_record_rate_hz: float = 0.0,
    view: tuple[int, int] | None = None,
    tilt: Calibration | None = None,
    drift: Drift | None = None,
    inputs: Mapping[str, Input] | None = None,
) -> Calibration:
    """Scale from the motion of the metal and the known travel speed.

    Parameters
    ----------
    motion
        From `motion_in_clip` or `rigid_motion`, px per frame.
    record_rate_hz, u_record_rate_hz
        Rate at which the camera took the frames and its standard uncertainty, Hz.
    travel_speed_mm_s, u_travel_speed_mm_s
        Travel speed of the head and its standard uncertainty, mm/s; 1 % is assumed where none is given.
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
        A rate or speed makes no sense, or the target was seen in pictures of another size.
    MeasurementError
        The metal stands still in the picture; or the pool goes along with it for most of its way; or its speed is not
        known well enough for a scale.
    """
    for name, value in (("record rate", record_rate_hz), ("travel speed", travel_speed_mm_s)):
        if not (math.isfinite(value) and value > 0):
            raise UsageError(f"the {name} must be a finite number above 0, got {value!r}")
    assumed = u_travel_speed_mm_s is None
    u_travel = ASSUMED_U_TRAVEL * travel_speed_mm_s if u_travel_speed_mm_s is None else u_travel_speed_mm_s
    for name, value in (("travel speed", u_travel), ("record rate", u_record_rate_hz)):
        if not (math.isfinite(value) and value >= 0):
            raise UsageError(
                f"the uncertainty of the {name} must be a finite number of at least 0, got {value!r}"
            )
    if not motion.moving:
        raise MeasurementError(
            "the metal stands still in the picture: the travel speed gives a scale only where the camera rides"
            " with the head; use a target photo or two points"
        )
    if tilt is not None and tilt.scale.picture_px is not None and view not in (None, tilt.scale.picture_px):
        raise UsageError(
            "the target was seen in pictures of {} x {} px, the clip's are {} x {}".format(
                *tilt.scale.picture_px, *view
            )
            + ": a tilt is taken over in one and the same picture only; take the target's photo with the clip's size"
        )
    seen, u_drift = motion, 0.0
    if drift is not None:
        motion, u_drift = drift.of(motion)
    _check_speed(seen, motion, u_drift)
    plane = None if tilt is None else _sized(tilt, motion, travel_speed_mm_s / record_rate_hz)
    if plane is None:
        scale, u_motion = travel_speed_mm_s / (motion.speed * record_rate_hz), motion.u_speed / motion.speed
    else:
        scale, u_motion = float(plane.scale_at((plane.place_x, plane.place_y))), _u_along(plane, motion)
    parts = [
        Contribution("motion found in the clip", scale * u_motion),
        Contribution("drift of the camera, as the pool's place shows it", scale * u_drift / motion.speed),
        Contribution(
            "travel speed (1 % assumed)" if assumed else "travel speed", scale * u_travel / travel_speed_mm_s
        ),
        Contribution("record rate", scale * u_record_rate_hz / record_rate_hz),
    ]
    found: dict[str, Input] = {
        "speed_px_per_frame": motion.speed,
        "u_speed_px_per_frame": motion.u_speed,
        "travel_direction_deg": motion.travel_direction_deg,
        "u_travel_direction_deg": motion.u_direction_deg,
        "drift_along_travel_percent": 100 * (seen.speed / motion.speed - 1),
        "lag_frames": motion.lag,
        "pairs": motion.pairs,
        "tiles_that_follow_percent": 100 * motion.explained,
    }
    if tilt is None or plane is None:
        found |= ScaleLine(motion.centre_x, motion.centre_y, motion.travel_direction_deg).noted()
        notes = [
            "The scale holds along travel, where the metal was seen; a tilt across travel stays unseen. A target photo"
            " shows the tilt (--tilt)."
        ]
    else:
        change = float(tilt.scale.mm_per_px / scale - 1)
        found |= {"tilt_deg": plane.tilt_deg, "target_less_travel_percent": 100 * change}
        # A direction's error is up to √2 that of the mean over directions, which the target's file states.
        known = tilt.u_but_for(OVER_THE_VIEW, PITCH, HEIGHT) / tilt.scale.mm_per_px
        least, most = plane.spread_when_upright()
        parts += [
            Contribution("tilt, as the target shows it", math.sqrt(2) * scale * known),
            Contribution(OVER_THE_VIEW, (most - least) / 2 / math.sqrt(3)),
        ]
        notes = ["The tilt is that of the target photo; its size is that of the travel speed."]
    change = _change_over(motion, view, plane)
    if math.isfinite(change):
        parts.append(Contribution(OVER_THE_LINE, scale * change / 2 / math.sqrt(3)))
        found["change_over_view_percent"] = 100 * change
        if change > 0.02:
            notes.append(
                f"The metal moves {100 * change:.1f} % faster at one side of the view than at the other"
                + (
                    ": the view is tilted or turning. A target photo would take that out (--tilt)."
                    if plane is None
                    else " beyond what the target's tilt explains: was the camera moved in between?"
                )
            )
    if drift is not None and abs(seen.speed - motion.speed) > max(3 * u_drift, 0.003 * motion.speed):
        notes.append(
            f"The pool drifts in the picture: the camera moves against the head, by"
            f" {100 * abs(seen.speed / motion.speed - 1):.1f} % of the travel. That was taken out, but fasten the "
            "camera."
        )
    if assumed:
        notes.append(
            "The travel speed was taken as good to 1 %; give its uncertainty, from the machine's own check."
        )
    if motion.explained < 0.3:
        notes.append(
            "Fewer than a third of the tiles follow the motion: mask the pool and what is not metal."
        )
    return Calibration.made(
        scale,
        "travel",
        Budget(tuple(parts)),
        inputs={
            **(inputs or {}),
            "record_rate_hz": record_rate_hz,
            "u_record_rate_hz": u_record_rate_hz,
            "travel_speed_mm_s": travel_speed_mm_s,
            "u_travel_speed_mm_s": u_travel,
        },
        found=found,
        notes=tuple(notes),
        plane=plane,
        picture_px=view,
    )


def _check_speed(seen: Motion, left: Motion, u_drift: float) -> None:
    """Refuse what is left of the metal's motion after the drift, if no scale with an honest uncertainty follows."""
    if left.speed < _LEAST_LEFT * seen.speed:
        raise MeasurementError(
            f"what was taken for the pool goes along with the metal for {100 * (1 - left.speed / seen.speed):.0f} % of"
            " its way: it is a mark on the metal, or the camera does not ride with the head; give frames of steady"
            " travel with the beam on, or use a target photo or two points"
        )
    relative = math.hypot(left.u_speed, u_drift) / left.speed
    if relative > _WORST_SPEED:
        raise MeasurementError(
            f"the speed of the metal against the beam is known to {100 * relative:.0f} % only (at most"
            f" {100 * _WORST_SPEED:.0f} % give a scale): take a longer stretch of steady travel, fasten the camera, or "
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


def _change_over(motion: Motion, view: tuple[int, int] | None, plane: Plane | None) -> float:
    """Relative change of the speed along travel between the sides of the view, beyond that of a known plane.

    NaN where it was not seen.
    """
    if view is None or not np.isfinite(motion.gradient).all():
        return math.nan
    gradient = motion.gradient - (0.0 if plane is None else _perspective(plane, motion))
    along = np.array([motion.dx, motion.dy]) / motion.speed
    slope = along @ gradient / motion.speed
    return float(abs(slope[0]) * view[0] + abs(slope[1]) * view[1])


def _perspective(plane: Plane, motion: Motion) -> NDArray[np.float64]:
    """Change of the motion (dx, dy) per px to the right and down, shape (2, 2), that a plane's perspective makes."""
    centre = np.array([motion.centre_x, motion.centre_y])
    moved = plane.jacobian(centre) @ (motion.dx, motion.dy)
    steps = 10.0 * np.eye(2)
    ahead = np.linalg.solve(plane.jacobian(centre + steps), moved[:, None])[..., 0]
    behind = np.linalg.solve(plane.jacobian(centre - steps), moved[:, None])[..., 0]
    return np.asarray(((ahead - behind) / 20.0).T)


def _middle(start: int, stop: int, frames: int, spacing: int) -> list[int]:
    first = start + (stop - start - ((frames - 1) * spacing + 1)) // 2
    return list(range(first, first + frames * spacing, spacing))


def _per_frame(motion: Motion, spacing: int) -> Motion:
    return replace(
        motion,
        dx=motion.dx / spacing,
        dy=motion.dy / spacing,
        u_dx=motion.u_dx / spacing,
        u_dy=motion.u_dy / spacing,
        lag=motion.lag * spacing,
        gradient=motion.gradient / spacing,
    )
