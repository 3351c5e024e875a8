"""Tables of what is true in simulated footage: what each column means."""

from __future__ import annotations

from ..model.table import Column, Table


def _lengths(unit: str, area: str) -> tuple[Column, ...]:
    named = (
        ("length", "length of the pool at mid exposure"),
        ("width", "its width"),
        ("front", "its front, from the beam"),
        ("rear", "its rear, from the beam"),
    )
    lengths = tuple(Column(f"{name}_{unit}", "float", unit, meaning) for name, meaning in named)
    return (*lengths, Column(f"area_{unit}2", "float", area, "its area"))


TRUTH_FRAMES = Table(
    "truth_frames.csv",
    "one frame of the file",
    (
        Column("frame", "int", "", "number of the frame in the file, from 0"),
        Column("time_s", "float", "s", "frame / record rate"),
        Column(
            "true_time_s", "float", "s", "when it was really taken: differs after lost or repeated frames"
        ),
        Column("state", "text", "", "ok, dark, blown, repeated or cut_off"),
        *_lengths("px", "px²"),
        *_lengths("mm", "mm²"),
        Column("sway_px", "float", "px", "how far the tail is off to the left"),
        Column(
            "keyhole_brightness",
            "float",
            "full scale",
            "before gain and noise; empty while there is no keyhole",
        ),
        Column("gain", "float", "", "brightness of the frame relative to the others"),
        Column("origin_x_px", "float", "px", "the beam in the image, to the right"),
        Column("origin_y_px", "float", "px", "the beam in the image, down"),
        Column("size", "float", "", "1 for the full pool, less while it grows or shrinks"),
    ),
)
TRUTH_SPATTER = Table(
    "truth_spatter.csv",
    "one particle",
    (
        Column("particle", "int", "", "number of the particle, from 1"),
        Column("birth_frame", "float", "frame", "when its centre leaves the outline, with fraction"),
        Column("birth_s", "float", "s", "the same in time"),
        Column("x_px", "float", "px", "where it leaves the outline, to the right"),
        Column("y_px", "float", "px", "where it leaves the outline, down"),
        Column("speed_px_frame", "float", "px a frame", "its speed"),
        Column("speed_mm_s", "float", "mm/s", "its speed"),
        Column(
            "direction_deg", "float", "°", "its direction, 0 forward along travel, counter-clockwise as seen"
        ),
        Column("diameter_px", "float", "px", "its diameter"),
        Column("diameter_mm", "float", "mm", "its diameter"),
        Column("brightness", "float", "full scale", "its brightness when it leaves"),
        Column(
            "first_frame",
            "int",
            "",
            "first frame in which some of it is in the picture and outside the outline",
        ),
        Column("last_frame", "int", "", "last such frame"),
        Column("frames_seen", "int", "", "how many there are"),
    ),
)
TRUTH_SIGHTINGS = Table(
    "truth_sightings.csv",
    "one particle in one frame",
    (
        Column("particle", "int", "", "number in truth_spatter.csv"),
        Column("frame", "int", "", "frame"),
        Column(
            "x_px",
            "float",
            "px",
            "its centre at the middle of the exposure in which it is drawn, to the right",
        ),
        Column("y_px", "float", "px", "the same, down"),
        Column(
            "visible",
            "float",
            "",
            "share of it in the picture and outside the outline, times that of the exposure",
        ),
        Column("streak_px", "float", "px", "path of its centre during the exposure"),
        Column(
            "peak_brightness",
            "float",
            "full scale",
            "its brightest pixel, blur included, before gain and noise",
        ),
    ),
)
TRUTH_TABLES = (TRUTH_FRAMES, TRUTH_SPATTER, TRUTH_SIGHTINGS)
