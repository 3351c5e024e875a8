"""What a manifest says of a weld for readers of the report: nothing that is measured rests on it."""

from __future__ import annotations

from .table import Column, Table

TITLE, DATE, POWER, BEAM_PICTURE, BEAM_PICTURE_SCALE = (
    "title",
    "date",
    "laser_power_w",
    "beam_picture",
    "beam_picture_mm_per_px",
)
WELD_FACTS = Table(
    "weld facts",
    "one weld",
    (
        Column(TITLE, "text", "", "title of the trial, for the report; the same in every row"),
        Column("customer", "text", "", "who the report is for"),
        Column(DATE, "text", "", "day of the weld, such as 2026-11-29"),
        Column("welder", "text", "", "who welded"),
        Column("machine", "text", "", "laser, optics and machine"),
        Column("sheet", "text", "", "the metal: thickness, grade, batch"),
        Column(POWER, "float", "W", "laser power on the work"),
        Column(BEAM_PICTURE, "text", "", "picture of the beam's profile, from the manifest's folder"),
        Column(BEAM_PICTURE_SCALE, "float", "mm", "size of a pixel of that picture"),
    ),
)
"""Columns of a manifest that go through to ``scores.csv`` and into the head of the report. Any may be left out."""
