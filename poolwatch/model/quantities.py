"""The quantities of a clip: facts that are given, signals of the pool, and the parts of the stability index.

Name, unit, meaning and source are said here, once, for tables, scores, settings and pages.
"""

from __future__ import annotations

from dataclasses import dataclass

# What a unit adds to the name of a column.
_ENDINGS = {"mm": "_mm", "mm²": "_mm2", "full scale": "", "": ""}


@dataclass(frozen=True)
class Signal:
    """A quantity that is measured in every frame, and whose fluctuation is scored.

    Attributes
    ----------
    name
        As in ``spectra.csv``, and the beginning of its columns.
    unit
        Of its values.
    meaning
        In words.
    words
        Its name on pages.
    peak
        Whether its strongest peak goes into the score row.
    gates
        Whether the steady part is one in which it is steady.
    """

    name: str
    unit: str
    meaning: str
    words: str
    peak: bool = True
    gates: bool = True

    @property
    def ending(self) -> str:
        """What its unit adds to the name of a column."""
        return _ENDINGS[self.unit]

    @property
    def column(self) -> str:
        """Its column in ``frames.csv``."""
        return self.name + self.ending

    @property
    def mean_column(self) -> str:
        """The column of its mean in ``score.csv``."""
        return f"{self.name}_mean{self.ending}"

    @property
    def peak_column(self) -> str:
        """The column of its strongest peak in ``score.csv``."""
        return f"{self.name}_peak_hz"


@dataclass(frozen=True)
class IndexPart:
    """A part of the stability index.

    Attributes
    ----------
    name
        As in the settings, and after ``d_`` in ``score.csv``.
    value
        What its value is.
    unit
        Of its value.
    source
        Column or table that it is worked out from.
    weight, half
        Its weight, and the value at which its desirability is one half, by default. They are ours: no standard sets
        them.
    signal
        The signal whose fluctuation over its mean it is, if it is that.
    """

    name: str
    value: str
    unit: str
    source: str
    weight: float
    half: float
    signal: Signal | None = None

    @property
    def words(self) -> str:
        """Its name on pages."""
        return self.name.replace("_", " ")

    @property
    def column(self) -> str:
        """The column of its desirability in ``score.csv``."""
        return f"d_{self.name}"


def _varies(signal: Signal, weight: float, half: float, name: str = "") -> IndexPart:
    value = f"fluctuation / mean of the {signal.words}"
    return IndexPart(name or signal.name, value, "", signal.column, weight, half, signal)


@dataclass(frozen=True)
class Fact:
    """A fact about a recording that a person gives.

    Attributes
    ----------
    name
        Field of `Recording`, column of a manifest and of ``score.csv``.
    unit
        Of its value; empty for words.
    words
        Its name on pages.
    meaning
        In words.
    option
        How commands take it.
    cost
        What cannot be said without it.
    """

    name: str
    unit: str
    words: str
    meaning: str
    option: str = ""
    cost: str = ""


RATE = Fact(
    "record_rate_hz", "Hz", "record rate", "rate at which the camera took the frames", "--record-rate"
)
SCALE = Fact("mm_per_px", "mm", "scale", "size of a pixel in the plane of the weld", "--mm-per-px")
SCALE_U = Fact("mm_per_px_u", "mm", "uncertainty of the scale", "standard uncertainty of the size of a pixel")
DIRECTION = Fact(
    "travel_direction_deg",
    "°",
    "travel direction",
    "travel direction in the picture, 0 = right, 90 = up",
    "--travel-direction",
)
SPEED = Fact(
    "travel_speed_mm_s",
    "mm/s",
    "travel speed",
    "welding speed",
    "--travel-speed",
    "nothing per length of weld",
)
EXPOSURE = Fact(
    "exposure_s",
    "s",
    "exposure",
    "exposure of a frame",
    "--exposure",
    "fast particles look larger than they are",
)
MATERIAL = Fact(
    "material", "", "material", "metal, for the mass of particles", "--material", "no mass of particles"
)
GIVEN = (RATE, SCALE, SCALE_U, DIRECTION, SPEED, EXPOSURE, MATERIAL)
LENGTH = Signal("pool_length", "mm", "extent of the pool along travel", "pool length")
WIDTH = Signal("pool_width", "mm", "extent of the pool across travel", "pool width")
AREA = Signal("pool_area", "mm²", "area inside the outline", "pool area", peak=False, gates=False)
KEYHOLE = Signal(
    "keyhole_brightness", "full scale", "mean brightness of the keyhole region", "keyhole brightness"
)
SIGNALS = (LENGTH, WIDTH, AREA, KEYHOLE)
PARTS = (
    _varies(LENGTH, 0.15, 0.05),
    _varies(WIDTH, 0.15, 0.05),
    _varies(AREA, 0.10, 0.08),
    IndexPart("agitation", "root mean square of the agitation", "", "agitation_power", 0.10, 0.10),
    _varies(KEYHOLE, 0.15, 0.15, name="keyhole"),
    IndexPart("collapses", "share of time in collapse", "", KEYHOLE.column, 0.10, 0.02),
    IndexPart("spatter_count", "particles a mm of weld", "1/mm", "spatter.csv", 0.15, 1.0),
    IndexPart("spatter_mass", "mg of particles a metre of weld", "mg/m", "spatter.csv", 0.10, 10.0),
)
