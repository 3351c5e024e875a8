"""Tables of the finished weld in a photo."""

from __future__ import annotations

from .table import Column, Table

BEAD = Table(
    "bead.csv",
    "one photo of a weld",
    (
        Column("photo", "text", "", "name of the file"),
        Column("bead_seen_mm", "float", "mm", "length judged, ends of the weld left out"),
        Column("bead_width_mean_mm", "float", "mm", "mean distance of the two edges"),
        Column("bead_width_u_mm", "float", "mm", "its standard uncertainty, that of the scale included"),
        Column("bead_width_sd_mm", "float", "mm", "standard deviation of the width along the weld"),
        Column(
            "bead_edge_rms_mm",
            "float",
            "mm",
            "rms departure of the two edges from a line that follows what is slower than a fifth of the "
            "length seen, noise "
            "taken out; empty where noise hides it",
        ),
        Column(
            "bead_ripple_spacing_mm",
            "float",
            "mm",
            "mean spacing of the ripples; empty where none stands out",
        ),
        Column(
            "bead_ripple_spacing_u_mm", "float", "mm", "its standard uncertainty, that of the scale included"
        ),
        Column(
            "bead_ripple_order",
            "float",
            "",
            "0 irregular to 1 regular: phase kept from one ripple to the next",
        ),
        Column(
            "bead_deposits_per_cm",
            "float",
            "1/cm",
            "particles stuck to the sheet beside the bead, per cm of weld",
        ),
        Column("bead_deposit_area_mm2_per_cm", "float", "mm²/cm", "area that they cover, per cm of weld"),
        Column(
            "flags", "text", "", "what to know before using the row: words of `poolwatch explain bead-flags`"
        ),
    ),
)
BEAD_ALONG = Table(
    "bead_along.csv",
    "one place along a weld",
    (
        Column("along_mm", "float", "mm", "place along the weld, from where it is first seen"),
        Column("judged", "int", "", "1 where the figures rest on it"),
        Column("width_mm", "float", "mm", "distance of the two edges"),
        Column("left_mm", "float", "mm", "left edge from the straight axis of the weld"),
        Column("right_mm", "float", "mm", "right edge from it, negative to the right"),
        Column("tone", "float", "", "light of the middle of the bead over that of the sheet"),
        Column(
            "change",
            "text",
            "",
            "gap, hidden, crater, wide, narrow, bright or dark; empty where nothing changes",
        ),
    ),
)
