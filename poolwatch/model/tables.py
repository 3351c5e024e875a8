"""One schema a table: column, kind, unit and meaning. Writers, documentation and tests read it."""

from __future__ import annotations

from .quantities import AREA, KEYHOLE, LENGTH, PARTS, SIGNALS, WIDTH, Signal
from .table import Column, Kind, Table


def _c(name: str, kind: Kind, unit: str, meaning: str) -> Column:
    return Column(name, kind, unit, meaning)


def _each_frame(signal: Signal) -> Column:
    return Column(signal.column, "float", signal.unit, signal.meaning)


# Names of the parts of the stability index, in order.
INDEX_PARTS = tuple(part.name for part in PARTS)

FRAMES = Table(
    "frames.csv",
    "one frame",
    (
        _c("frame", "int", "", "number of the frame in the file, from 0"),
        _c("time_s", "float", "s", "time since frame 0 at the record rate"),
        _c("status", "text", "", "ok, or why it was not measured (`poolwatch explain statuses`)"),
        _each_frame(LENGTH),
        _each_frame(WIDTH),
        _each_frame(AREA),
        _c("pool_front_mm", "float", "mm", "foremost place of the outline, from the beam"),
        _c("pool_rear_mm", "float", "mm", "rearmost place of the outline, from the beam (negative: behind)"),
        _each_frame(KEYHOLE),
        _c("keyhole_area_mm2", "float", "mm²", "area in the keyhole region above the clip's keyhole level"),
        _c(
            "spatter_in_view",
            "int",
            "",
            "particles that left the pool and are seen in this frame; empty where they were not looked for",
        ),
        _c("pool_centre_x_mm", "float", "mm", "centroid of the pool along travel, from the beam"),
        _c(
            "pool_centre_y_mm",
            "float",
            "mm",
            "centroid of the pool across travel, from the beam, positive to the left",
        ),
        _c("pool_brightness", "float", "full scale", "mean brightness inside the outline"),
        _c(
            "agitation",
            "float",
            "",
            "change of brightness inside the pool over `pool.agitation_lag_s` (0.5 ms), relative to the pool's "
            "brightness, overall flicker and noise removed",
        ),
        _c(
            "agitation_power",
            "float",
            "",
            "square of agitation with the noise taken out; may fall below 0 by chance",
        ),
        _c("gain", "float", "", "brightness of the pool relative to the clip's usual: flicker and drift"),
        _c("keyhole_saturated", "float", "", "share of the keyhole region at full scale"),
    ),
)

_PARTICLE = (
    _c("particle", "int", "", "number of the particle, from 1, by first frame"),
    _c("first_frame", "int", "", "first frame in which it was seen"),
    _c("last_frame", "int", "", "last frame in which it was seen"),
    _c("frames_seen", "int", "", "frames in which it was seen"),
    _c("first_x_mm", "float", "mm", "where it was first seen, along travel from the beam"),
    _c(
        "first_y_mm",
        "float",
        "mm",
        "where it was first seen, across travel from the beam, positive to the left",
    ),
    _c(
        "direction_deg",
        "float",
        "°",
        "direction of flight in the image plane, 0 forward along travel, counter-clockwise as seen",
    ),
    _c(
        "speed_mm_s",
        "float",
        "mm/s",
        "speed in the image plane, mean over the flight that was seen: drag makes it less than when leaving",
    ),
    _c("diameter_mm", "float", "mm", "diameter, blur and motion streak taken out"),
    _c("diameter_u_mm", "float", "mm", "standard uncertainty of the diameter"),
    _c("mass_ug", "float", "µg", "mass as a sphere of liquid metal; empty without a material"),
    _c("speed_u_mm_s", "float", "mm/s", "standard uncertainty of the speed"),
    _c("direction_u_deg", "float", "°", "standard uncertainty of the direction"),
    _c("mass_u_ug", "float", "µg", "standard uncertainty of the mass"),
    _c("left_frame", "float", "frame", "frame, with fraction, at which its path left the outline"),
    _c(
        "end",
        "text",
        "",
        "how its track ended (`poolwatch explain ends`): border, faded, landed, bounced, merged, clip_end",
    ),
    _c("saturated", "int", "", "1 where its picture reached full scale"),
)
SPATTER = Table("spatter.csv", "one particle that left the pool", _PARTICLE)
SPATTER_REJECTED = Table(
    "spatter_rejected.csv",
    "one track that was not counted as a particle that left the pool",
    (*_PARTICLE, _c("reason", "text", "", "why it does not count (`poolwatch explain reasons`)")),
)
TRACKS = Table(
    "tracks.csv",
    "one sighting of one particle, counted (particle > 0) or not (particle < 0: minus its number among the rejected)",
    (
        _c("particle", "int", "", "number in spatter.csv, or minus the number in spatter_rejected.csv"),
        _c("frame", "int", "", "frame"),
        _c("x_px", "float", "px", "place in the image, to the right"),
        _c("y_px", "float", "px", "place in the image, down"),
        _c("diameter_px", "float", "px", "diameter found in this frame"),
    ),
)
SPECTRA = Table(
    "spectra.csv",
    "one frequency of one signal",
    (
        _c("signal", "text", "", "pool_length, pool_width, pool_area, keyhole_brightness …"),
        _c("frequency_hz", "float", "Hz", "frequency"),
        _c("psd", "float", "", "one-sided power spectral density of the conditioned signal"),
        _c("psd_unit", "text", "", "unit of psd"),
        _c("red_noise_psd", "float", "", "red-noise background (median-robust AR(1)), same unit"),
        _c("peak_level_psd", "float", "", "level that a bin must pass to count as a peak, same unit"),
    ),
)
SCORE = Table(
    "score.csv",
    "the clip",
    (
        _c("clip", "text", "", "name of the file"),
        _c("clip_id", "text", "", "fingerprint of the file"),
        _c("settings_id", "text", "", "fingerprint of all settings that change numbers"),
        _c("poolwatch_version", "text", "", "version that measured it"),
        _c("beam_shape", "text", "", "as given"),
        _c("replicate", "text", "", "as given"),
        _c("stability_index", "float", "", "0 to 100, higher is steadier"),
        _c("stability_index_low", "float", "", "lower end of its 95 % interval, within this clip"),
        _c("stability_index_high", "float", "", "upper end of its 95 % interval, within this clip"),
        _c("frames_measured", "int", "", "frames of the steady part with status ok"),
        _c("steady_start_s", "float", "s", "start of the steady part"),
        _c("steady_end_s", "float", "s", "end of the steady part"),
        *(
            column
            for signal in SIGNALS
            for column in (
                _c(
                    signal.mean_column,
                    "float",
                    signal.unit,
                    f"mean of the {signal.words} over the steady part",
                ),
                _c(
                    f"{signal.name}_cv",
                    "float",
                    "",
                    f"fluctuation / mean: drift and measurement noise taken out, of the {signal.words} over the "
                    "steady part",
                ),
            )
        ),
        *(
            _c(
                signal.peak_column,
                "float",
                "Hz",
                f"strongest peak of the {signal.words} that stands out of the noise; empty where none does",
            )
            for signal in SIGNALS
            if signal.peak
        ),
        _c(
            "spatter_count",
            "int",
            "",
            "particles that left the pool in the steady part; empty where they were not looked for",
        ),
        _c("spatter_per_s", "float", "1/s", "same, per second"),
        _c("spatter_per_m", "float", "1/m", "same, per metre of weld; empty without a travel speed"),
        _c(
            "spatter_mass_mg_per_m",
            "float",
            "mg/m",
            "mass of them per metre of weld; empty without material or travel speed",
        ),
        _c(
            "spatter_min_diameter_mm",
            "float",
            "mm",
            "smallest particle that this clip could show (half of them found)",
        ),
        _c(
            "flags",
            "text",
            "",
            "what to know before using the row: words of `poolwatch explain flags`, separated by blanks",
        ),
        *(
            _c(
                f"{signal.name}_{what}_{end}",
                "float",
                signal.unit if what == "mean" else "",
                f"{end} end of the 95 % interval of {signal.name}_{what}",
            )
            for signal in SIGNALS
            for what in ("mean", "cv")
            for end in ("low", "high")
        ),
        _c("agitation_mean", "float", "", "mean surface agitation over the steady part"),
        _c(
            "keyhole_collapses_per_s",
            "float",
            "1/s",
            "drops of the keyhole brightness below the collapse level, per second",
        ),
        _c("spatter_per_s_low", "float", "1/s", "lower end of the 95 % interval of spatter_per_s"),
        _c("spatter_per_s_high", "float", "1/s", "upper end of the 95 % interval of spatter_per_s"),
        _c("spatter_d10_mm", "float", "mm", "a tenth of the particles is smaller"),
        _c("spatter_d50_mm", "float", "mm", "half of the particles are smaller"),
        _c("spatter_d90_mm", "float", "mm", "nine tenths of the particles are smaller"),
        _c("spatter_sauter_mm", "float", "mm", "Sauter mean diameter: sum of d³ over sum of d²"),
        _c("spatter_speed_median_mm_s", "float", "mm/s", "median speed in the image plane"),
        _c("spatter_share_forward", "float", "", "share flying within 45° of forward"),
        _c("spatter_share_back", "float", "", "share flying within 45° of backward"),
        _c("spatter_share_left", "float", "", "share flying within 45° of left"),
        _c("spatter_share_right", "float", "", "share flying within 45° of right"),
        _c(
            "spatter_fano",
            "float",
            "",
            "variance / mean of counts per window; 1 for a Poisson process, more for bursts",
        ),
        _c("spatter_fano_low", "float", "", "lower end of what a Poisson process would give, 95 %"),
        _c("spatter_fano_high", "float", "", "upper end of what a Poisson process would give, 95 %"),
        _c(
            "keyhole_before_spatter",
            "float",
            "",
            "mean keyhole brightness before ejections, relative to its mean",
        ),
        _c(
            "keyhole_before_spatter_p",
            "float",
            "",
            "share of random timings that would give as large a departure",
        ),
        *(
            _c(
                part.column,
                "float",
                "",
                f"desirability of the index part {part.words}, 0 to 1; empty where it was left out",
            )
            for part in PARTS
        ),
        _c("record_rate_hz", "float", "Hz", "record rate as given"),
        _c("mm_per_px", "float", "mm", "size of a pixel as given"),
        _c(
            "mm_per_px_u",
            "float",
            "mm",
            "standard uncertainty of mm_per_px, shared by all lengths of the clip",
        ),
        _c("travel_speed_mm_s", "float", "mm/s", "as given"),
        _c("exposure_s", "float", "s", "as given"),
        _c("material", "text", "", "as given"),
        _c("footage", "text", "", "glowing or illuminated"),
        _c("band_low_hz", "float", "Hz", "lower end of the band in which fluctuation was taken"),
        _c("band_high_hz", "float", "Hz", "upper end of the band in which fluctuation was taken"),
        _c(
            "view_stretch",
            "float",
            "",
            "how many times as much a pixel is worth along the tilt of the view as across it; 1 for a square view",
        ),
        _c(
            "view_stretch_deg",
            "float",
            "°",
            "direction of that in the picture, 0 = right, 90 = up; empty for a square view",
        ),
        _c(
            "travel_direction_deg",
            "float",
            "°",
            "as given, or found from the motion in the clip; 0 = right, 90 = up in the picture",
        ),
    ),
)
RANKING = Table(
    "ranking.csv",
    "one beam shape",
    (
        _c("rank", "int", "", "1 is the steadiest"),
        _c("beam_shape", "text", "", "as given"),
        _c("clips", "int", "", "welds of this shape that count"),
        _c(
            "stability_index",
            "float",
            "",
            "mean over welds; with blocks, as if every shape were welded equally often in each",
        ),
        _c(
            "stability_index_low",
            "float",
            "",
            "lower end of the 95 % interval of the mean, over and within welds",
        ),
        _c(
            "stability_index_high",
            "float",
            "",
            "upper end of the 95 % interval of the mean, over and within welds",
        ),
        _c("group", "text", "", "shapes that share a letter do not differ on this evidence"),
        _c(
            "probability_best",
            "float",
            "",
            "probability that this shape is the steadiest of those tried; empty where it cannot be said",
        ),
        _c("order_holds", "float", "", "share of random index weights under which the shape keeps its rank"),
        _c("remarks", "text", "", "what to know before using the row"),
    ),
)
MARKS = Table(
    "handcheck.csv",
    "one mark of a person in one frame, as the page of `poolwatch handcheck` saves it",
    (
        _c("clip_id", "text", "", "fingerprint of the recording"),
        _c("settings_id", "text", "", "fingerprint of the settings it was measured with"),
        _c("seed", "int", "", "seed of the draw of frames"),
        _c("drawn", "text", "", "frames at random + worst moments + frames in a row for particles"),
        _c("frame", "int", "", "number of the frame in the file, from 0"),
        _c(
            "mark",
            "text",
            "",
            "front, rear, left, right: where the pool ends. outline: a point on it, in order. unclear: the ends cannot "
            "be seen. particle: where it is first seen. run_seen: all frames in a row were looked through",
        ),
        _c("x_px", "float", "px", "place in the image, to the right; empty for unclear and run_seen"),
        _c("y_px", "float", "px", "place in the image, down; empty for unclear and run_seen"),
        _c(
            "tone",
            "text",
            "",
            "tone of the picture it was placed in: linear, or raised (faint parts raised as in the overlay)",
        ),
        _c("person", "text", "", "who marked"),
        _c("round", "int", "", "which time the same person marked, from 1"),
    ),
)
TABLES = (FRAMES, SPATTER, SPATTER_REJECTED, TRACKS, SPECTRA, SCORE, RANKING, MARKS)
