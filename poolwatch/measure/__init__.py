"""One clip: look first, then measure, then score."""

from .clip import measure_clip
from .result import Measurement, read_measurement
from .settings import MeasureSettings, read_settings, recording_of

__all__ = [
    "MeasureSettings",
    "Measurement",
    "measure_clip",
    "read_measurement",
    "read_settings",
    "recording_of",
]
