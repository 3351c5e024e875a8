"""The signals of a pool, one value a frame: name, unit and meaning, said once for tables, scores and pages."""

from __future__ import annotations

from dataclasses import dataclass

# What a unit adds to the name of a column.
_ENDINGS = {"mm": "_mm", "mm²": "_mm2", "full scale": ""}


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


LENGTH = Signal("pool_length", "mm", "extent of the pool along travel", "pool length")
WIDTH = Signal("pool_width", "mm", "extent of the pool across travel", "pool width")
AREA = Signal("pool_area", "mm²", "area inside the outline", "pool area", peak=False, gates=False)
KEYHOLE = Signal(
    "keyhole_brightness", "full scale", "mean brightness of the keyhole region", "keyhole brightness"
)
SIGNALS = (LENGTH, WIDTH, AREA, KEYHOLE)
