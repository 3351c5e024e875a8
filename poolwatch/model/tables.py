"""One schema a table: column, kind, unit and meaning. Writers, documentation and tests read it."""

from __future__ import annotations

from .quantities import (
    AREA,
    DIRECTION,
    EXPOSURE,
    KEYHOLE,
    LENGTH,
    MATERIAL,
    PARTS,
    RATE,
    SCALE,
    SCALE_U,
    SIGNALS,
    SPEED,
    WIDTH,
    Fact,
    Signal,
)
from .table import Column, Table


def _each_frame(signal: Signal) -> Column:
    return Column(signal.column, "float", signal.unit, signal.meaning)


def _as_given(fact: Fact) -> Column:
    return Column(fact.name, "float" if fact.unit else "text", fact.unit, f"{fact.meaning}, as given")


def _mean_and_cv(signal: Signal) -> tuple[Column, Column]:
    varies = "fluctuation / mean: drift and measurement noise taken out, of the"
    return (
        Column(signal.mean_column, "float", signal.unit, f"mean of the {signal.words} over the steady part"),
        Column(f"{signal.name}_cv", "float", "", f"{varies} {signal.words} over the steady part"),
    )


def _peak(signal: Signal) -> Column:
    words = f"strongest peak of the {signal.words} that stands out of the noise; empty where none does"
    return Column(signal.peak_column, "float", "Hz", words)


# Signals whose score columns keep their places; those of later ones go last, for no column may ever move.
_FIRST = 4
# Names of the parts of the stability index, in order.
INDEX_PARTS = tuple(part.name for part in PARTS)

FRAMES = Table(
    "frames.csv",
    "one frame",
    (
        Column("frame", "int", "", "number of the frame in the file, from 0"),
        Column("time_s", "float", "s", "time since frame 0 at the record rate"),
        Column("status", "text", "", "ok, or why it was not measured (`poolwatch explain statuses`)"),
        _each_frame(LENGTH),
        _each_frame(WIDTH),
        _each_frame(AREA),
        Column("pool_front_mm", "float", "mm", "foremost place of the outline, from the beam"),
        Column(
            "pool_rear_mm", "float", "mm", "rearmost place of the outline, from the beam (negative: behind)"
        ),
        _each_frame(KEYHOLE),
        Column(
            "keyhole_area_mm2", "float", "mm²", "area in the keyhole region above the clip's keyhole level"
        ),
        Column(
            "spatter_in_view",
            "int",
            "",
            "particles that left the pool and are seen in this frame; empty where they were not looked for",
        ),
        Column("pool_centre_x_mm", "float", "mm", "centroid of the pool along travel, from the beam"),
        Column(
            "pool_centre_y_mm",
            "float",
            "mm",
            "centroid of the pool across travel, from the beam, positive to the left",
        ),
        Column("pool_brightness", "float", "full scale", "mean brightness inside the outline"),
        Column(
            "agitation",
            "float",
            "",
            "change of brightness inside the pool over `pool.agitation_lag_s` (0.5 ms), relative to the pool's "
            "brightness, overall flicker and noise removed",
        ),
        Column(
            "agitation_power",
            "float",
            "",
            "square of agitation with the noise taken out; may fall below 0 by chance",
        ),
        Column("gain", "float", "", "brightness of the pool relative to the clip's usual: flicker and drift"),
        Column("keyhole_saturated", "float", "", "share of the keyhole region at full scale"),
    ),
)

_PARTICLE = (
    Column("particle", "int", "", "number of the particle, from 1, by first frame"),
    Column("first_frame", "int", "", "first frame in which it was seen"),
    Column("last_frame", "int", "", "last frame in which it was seen"),
    Column("frames_seen", "int", "", "frames in which it was seen"),
    Column("first_x_mm", "float", "mm", "where it was first seen, along travel from the beam"),
    Column(
        "first_y_mm",
        "float",
        "mm",
        "where it was first seen, across travel from the beam, positive to the left",
    ),
    Column(
        "direction_deg",
        "float",
        "°",
        "direction of flight in the image plane, 0 forward along travel, counter-clockwise as seen",
    ),
    Column(
        "speed_mm_s",
        "float",
        "mm/s",
        "speed in the image plane, mean over the flight that was seen: drag makes it less than when leaving",
    ),
    Column("diameter_mm", "float", "mm", "diameter, blur and motion streak taken out"),
    Column("diameter_u_mm", "float", "mm", "standard uncertainty of the diameter"),
    Column("mass_ug", "float", "µg", "mass as a sphere of liquid metal; empty without a material"),
    Column("speed_u_mm_s", "float", "mm/s", "standard uncertainty of the speed"),
    Column("direction_u_deg", "float", "°", "standard uncertainty of the direction"),
    Column("mass_u_ug", "float", "µg", "standard uncertainty of the mass"),
    Column("left_frame", "float", "frame", "frame, with fraction, at which its path left the outline"),
    Column(
        "end",
        "text",
        "",
        "how its track ended (`poolwatch explain ends`): border, faded, landed, bounced, merged, clip_end",
    ),
    Column("saturated", "int", "", "1 where its picture reached full scale"),
)


def _poisson_ends(rate: str, more: str = "") -> tuple[Column, Column]:
    """Columns of the interval of a rate of counted events."""
    words = f"end of the 95 % interval of {rate}, exact for a Poisson count (Garwood 1936){more}"
    return Column(f"{rate}_low", "float", "1/s", f"lower {words}"), Column(
        f"{rate}_high", "float", "1/s", f"upper {words}"
    )


SPATTER = Table("spatter.csv", "one particle that left the pool", _PARTICLE)
SPATTER_REJECTED = Table(
    "spatter_rejected.csv",
    "one track that was not counted as a particle that left the pool",
    (*_PARTICLE, Column("reason", "text", "", "why it does not count (`poolwatch explain reasons`)")),
)
TRACKS = Table(
    "tracks.csv",
    "one sighting of one particle, counted (particle > 0) or not (particle < 0: minus its number among the rejected)",
    (
        Column("particle", "int", "", "number in spatter.csv, or minus the number in spatter_rejected.csv"),
        Column("frame", "int", "", "frame"),
        Column("x_px", "float", "px", "place in the image, to the right"),
        Column("y_px", "float", "px", "place in the image, down"),
        Column("diameter_px", "float", "px", "diameter found in this frame"),
    ),
)
SPECTRA = Table(
    "spectra.csv",
    "one frequency of one signal",
    (
        Column("signal", "text", "", "pool_length, pool_width, pool_area, keyhole_brightness …"),
        Column("frequency_hz", "float", "Hz", "frequency"),
        Column("psd", "float", "", "one-sided power spectral density of the conditioned signal"),
        Column("psd_unit", "text", "", "unit of psd"),
        Column("red_noise_psd", "float", "", "red-noise background (median-robust AR(1)), same unit"),
        Column("peak_level_psd", "float", "", "level that a bin must pass to count as a peak, same unit"),
    ),
)
SCORE = Table(
    "score.csv",
    "the clip",
    (
        Column("clip", "text", "", "name of the file"),
        Column("clip_id", "text", "", "fingerprint of the file"),
        Column("settings_id", "text", "", "fingerprint of all settings that change numbers"),
        Column("poolwatch_version", "text", "", "version that measured it"),
        Column("beam_shape", "text", "", "as given"),
        Column("replicate", "text", "", "as given"),
        Column("stability_index", "float", "", "0 to 100, higher is steadier"),
        Column("stability_index_low", "float", "", "lower end of its 95 % interval, within this clip"),
        Column("stability_index_high", "float", "", "upper end of its 95 % interval, within this clip"),
        Column("frames_measured", "int", "", "frames of the steady part with status ok"),
        Column("steady_start_s", "float", "s", "start of the steady part"),
        Column("steady_end_s", "float", "s", "end of the steady part"),
        *(column for signal in SIGNALS[:_FIRST] for column in _mean_and_cv(signal)),
        *(_peak(signal) for signal in SIGNALS[:_FIRST] if signal.peak),
        Column(
            "spatter_count",
            "int",
            "",
            "particles that left the pool in the steady part; empty where they were not looked for",
        ),
        Column("spatter_per_s", "float", "1/s", "same, per second"),
        Column("spatter_per_m", "float", "1/m", "same, per metre of weld; empty without a travel speed"),
        Column(
            "spatter_mass_mg_per_m",
            "float",
            "mg/m",
            "mass of them per metre of weld; empty without material or travel speed",
        ),
        Column(
            "spatter_min_diameter_mm",
            "float",
            "mm",
            "smallest particle that this clip could show (half of them found)",
        ),
        Column(
            "flags",
            "text",
            "",
            "what to know before using the row: words of `poolwatch explain flags`, separated by blanks",
        ),
        *(
            Column(
                f"{signal.name}_{what}_{end}",
                "float",
                signal.unit if what == "mean" else "",
                f"{end} end of the 95 % interval of {signal.name}_{what}",
            )
            for signal in SIGNALS
            for what in ("mean", "cv")
            for end in ("low", "high")
        ),
        Column(
            "agitation_mean",
            "float",
            "",
            "surface agitation over the steady part: change of brightness inside the pool in 0.5 ms, root mean square, "
            "as a share of the pool's brightness",
        ),
        Column(
            "keyhole_collapses_per_s",
            "float",
            "1/s",
            "drops of the keyhole brightness below the collapse level, per second",
        ),
        *_poisson_ends("keyhole_collapses_per_s"),
        *_poisson_ends("spatter_per_s", ", wider for bursts"),
        Column("spatter_d10_mm", "float", "mm", "a tenth of the particles is smaller"),
        Column("spatter_d50_mm", "float", "mm", "half of the particles are smaller"),
        Column("spatter_d90_mm", "float", "mm", "nine tenths of the particles are smaller"),
        Column("spatter_sauter_mm", "float", "mm", "Sauter mean diameter: sum of d³ over sum of d²"),
        Column("spatter_speed_median_mm_s", "float", "mm/s", "median speed in the image plane"),
        Column("spatter_share_forward", "float", "", "share flying within 45° of forward"),
        Column("spatter_share_back", "float", "", "share flying within 45° of backward"),
        Column("spatter_share_left", "float", "", "share flying within 45° of left"),
        Column("spatter_share_right", "float", "", "share flying within 45° of right"),
        Column(
            "spatter_fano",
            "float",
            "",
            "variance / mean of counts per window; 1 for a Poisson process, more for bursts",
        ),
        Column("spatter_fano_low", "float", "", "lower end of what a Poisson process would give, 95 %"),
        Column("spatter_fano_high", "float", "", "upper end of what a Poisson process would give, 95 %"),
        Column(
            "keyhole_before_spatter",
            "float",
            "",
            "mean keyhole brightness before ejections, relative to its mean",
        ),
        Column(
            "keyhole_before_spatter_p",
            "float",
            "",
            "share of random timings that would give as large a departure",
        ),
        *(
            Column(
                part.column,
                "float",
                "",
                f"desirability of the index part {part.words}, 0 to 1; empty where it was left out",
            )
            for part in PARTS
        ),
        *map(_as_given, (RATE, SCALE)),
        Column(SCALE_U.name, "float", SCALE_U.unit, f"{SCALE_U.meaning}, shared by all lengths of the clip"),
        *map(_as_given, (SPEED, EXPOSURE, MATERIAL)),
        Column("footage", "text", "", "glowing or illuminated"),
        Column("band_low_hz", "float", "Hz", "lower end of the band in which fluctuation was taken"),
        Column("band_high_hz", "float", "Hz", "upper end of the band in which fluctuation was taken"),
        Column(
            "view_stretch",
            "float",
            "",
            "how many times as much a pixel is worth along the tilt of the view as across it; 1 for a square view",
        ),
        Column(
            "view_stretch_deg",
            "float",
            "°",
            "direction of that in the picture, 0 = right, 90 = up; empty for a square view",
        ),
        Column(
            DIRECTION.name,
            "float",
            DIRECTION.unit,
            f"{DIRECTION.meaning}, as given or found from the motion in the clip",
        ),
        *(
            column
            for signal in SIGNALS[_FIRST:]
            for column in (*_mean_and_cv(signal), *([_peak(signal)] if signal.peak else []))
        ),
    ),
)
RANKING = Table(
    "ranking.csv",
    "one beam shape",
    (
        Column("rank", "int", "", "1 is the steadiest"),
        Column("beam_shape", "text", "", "as given"),
        Column("clips", "int", "", "welds of this shape that count"),
        Column(
            "stability_index",
            "float",
            "",
            "mean over welds; with blocks, as if every shape were welded equally often in each",
        ),
        Column(
            "stability_index_low",
            "float",
            "",
            "lower end of the 95 % interval of the mean, over and within welds",
        ),
        Column(
            "stability_index_high",
            "float",
            "",
            "upper end of the 95 % interval of the mean, over and within welds",
        ),
        Column("group", "text", "", "shapes that share a letter do not differ on this evidence"),
        Column(
            "probability_best",
            "float",
            "",
            "probability that this shape is the steadiest of those tried; empty where it cannot be said",
        ),
        Column(
            "order_holds",
            "float",
            "",
            "share of random weights of the index parts under which the shape keeps its rank; the welds stay the same, "
            "so it tests no difference",
        ),
        Column("remarks", "text", "", "what to know before using the row"),
    ),
)
MARKS = Table(
    "handcheck.csv",
    "one mark of a person in one frame, as the page of `poolwatch handcheck` saves it",
    (
        Column("clip_id", "text", "", "fingerprint of the recording"),
        Column("settings_id", "text", "", "fingerprint of the settings it was measured with"),
        Column("seed", "int", "", "seed of the draw of frames"),
        Column("drawn", "text", "", "frames at random + worst moments + frames in a row for particles"),
        Column("frame", "int", "", "number of the frame in the file, from 0"),
        Column(
            "mark",
            "text",
            "",
            "front, rear, left, right: where the pool ends. outline: a point on it, in order. unclear: the ends cannot "
            "be seen. particle: where it is first seen. run_seen: all frames in a row were looked through",
        ),
        Column("x_px", "float", "px", "place in the image, to the right; empty for unclear and run_seen"),
        Column("y_px", "float", "px", "place in the image, down; empty for unclear and run_seen"),
        Column(
            "tone",
            "text",
            "",
            "tone of the picture it was placed in: linear, or raised (faint parts raised as in the overlay)",
        ),
        Column("person", "text", "", "who marked"),
        Column("round", "int", "", "which time the same person marked, from 1"),
    ),
)
TABLES = (FRAMES, SPATTER, SPATTER_REJECTED, TRACKS, SPECTRA, SCORE, RANKING, MARKS)
