"""`poolwatch calibrate travel`: a scale file from the known travel speed."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import click

from ..model.errors import UsageError
from .amounts import Amount
from .calibrate_output import finish, named, outputs


@click.command("travel")
@click.argument("clip", type=click.Path(path_type=Path))
@click.option(
    "--record-rate",
    "record_rate_hz",
    type=Amount("Hz", bare=True),
    required=True,
    help="Rate at which the camera took the frames, Hz.",
)
@click.option(
    "--u-record-rate",
    "u_record_rate_hz",
    type=Amount("Hz", bare=True),
    default=0.0,
    help="Its standard uncertainty, Hz.",
)
@click.option(
    "--travel-speed", "speed_mm_s", type=Amount("mm/s", bare=True), required=True, help="Welding speed, mm/s."
)
@click.option(
    "--u-travel-speed",
    "given_u_mm_s",
    type=Amount("mm/s", bare=True),
    default=None,
    help="Its standard uncertainty, mm/s; default: 1 % of it.",
)
@click.option("--from-frame", type=click.IntRange(0), default=0, help="First frame of steady travel.")
@click.option(
    "--to-frame", type=click.IntRange(1), default=None, help="Frame after the last one of steady travel."
)
@click.option(
    "--mask", type=click.Path(path_type=Path), default=None, help="Still: left out where not black."
)
@click.option(
    "--tilt",
    type=click.Path(path_type=Path),
    default=None,
    help="Scale file of a target photo of the same view: its tilt is taken over, its size found anew.",
)
@click.option(
    "--tile-px", type=int, default=None, help="Side of the tiles compared, px; default: by the frame's size."
)
@outputs
def travel(
    clip: Path,
    from_frame: int,
    to_frame: int | None,
    mask: Path | None,
    tilt: Path | None,
    tile_px: int | None,
    out: Path,
    date: str | None,
    **given: Any,
) -> None:
    """Scale from the known travel speed and the motion of the metal in the clip.

    The camera must ride with the head, and lamp or laser light must show the texture of the metal.
    """
    from ..clips import open_clip
    from ..measure.camera_drift import camera_drift
    from ..scale.clip_motion import motion_in_clip
    from ..scale.file import read_calibration
    from ..scale.photo import read_photo
    from ..scale.travel import Travel, scale_from_travel

    target_seen = None if tilt is None else read_calibration(tilt)
    if target_seen is not None and target_seen.plane is None:
        raise UsageError(f"{tilt}: holds no plane; give the scale file of a target photo")
    left_out = None if mask is None else read_photo(mask) > 0
    with open_clip(clip) as reader:
        count = reader.facts.frame_count
        stop = count if to_frame is None else min(to_frame, count)
        with named(clip):
            motion = motion_in_clip(reader.frames, from_frame, stop, left_out, tile_px=tile_px)
            speed = Travel(**given)
            drift = camera_drift(reader, motion, speed.record_rate_hz)
            made = scale_from_travel(
                motion,
                speed,
                view=(reader.facts.width, reader.facts.height),
                tilt=target_seen,
                drift=drift,
                inputs={
                    "clip": clip.name,
                    "from_frame": from_frame,
                    "to_frame": stop,
                    **({} if tilt is None else {"tilt": tilt.name}),
                },
            )
    if drift is None:
        way = motion.speed * (motion.last - motion.first)
        rides = (
            "The pool was not seen well enough to show whether the camera drifts against the head: it was taken to ride"
            f" rigidly. Each px that it drifts along travel over frames {motion.first} to {motion.last} changes the "
            f"scale by {100 / way:.2g} %."
        )
        made = dataclasses.replace(made, notes=(*made.notes, rides))
    finish(made, out, date)
