"""From a series to its steady part, spectrum, peaks, fluctuation, index and intervals."""

from .collapses import Collapses, collapses
from .desirability import desirabilities, index_of, mean_of
from .events import (
    EventTriggered,
    Fano,
    Rate,
    counts_per_window,
    event_triggered,
    fano,
    rate_interval,
)
from .fluctuation import Fluctuation, fluctuation
from .index import (
    PartResult,
    PartSeries,
    StabilityIndex,
    collapse_share,
    events,
    level,
    root_level,
    stability_index,
    variation,
)
from .longrun import block_length
from .peaks import Peak, peaks
from .series import Series
from .settings import StabilitySettings
from .spectra import Spectrum, spectrum
from .steady import SteadyPart, steady_part

__all__ = [
    "Collapses",
    "EventTriggered",
    "Fano",
    "Fluctuation",
    "PartResult",
    "PartSeries",
    "Peak",
    "Rate",
    "Series",
    "Spectrum",
    "StabilityIndex",
    "StabilitySettings",
    "SteadyPart",
    "block_length",
    "collapse_share",
    "collapses",
    "counts_per_window",
    "desirabilities",
    "event_triggered",
    "events",
    "fano",
    "fluctuation",
    "index_of",
    "level",
    "mean_of",
    "peaks",
    "rate_interval",
    "root_level",
    "spectrum",
    "stability_index",
    "steady_part",
    "variation",
]
