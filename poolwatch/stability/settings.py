"""Settings of everything that is worked out from series.

Weights, half-values and the exponent of the index are ours: no standard sets them.
"""

from __future__ import annotations

from typing import Self

from pydantic import Field, model_validator

from poolwatch.model.quantities import PARTS
from poolwatch.model.settings import Settings
from poolwatch.model.tables import INDEX_PARTS


class SteadySettings(Settings):
    """How the steady part of a clip is found.

    Attributes
    ----------
    start_s, stop_s
        Part of the clip to look in, s from its first frame; None for its start and end, or for the longest weld
        where there are several.
    blocks
        Pieces into which the clip is cut for the search; ends are found to one piece.
    min_share
        Shortest part that counts as steady, as a share of the clip.
    level_tolerance
        Departure from the part's own straight line, relative to its level, that is no step.
    scatter_tolerance
        The same in standard deviations of the fluctuation; the larger of the two holds.
    trend_tolerance
        Change over the whole part, relative to its level, that counts as slow drift and not as a growing pool.
    scatter_ratio
        Ratio of the scatter in a piece to that of the part that is no step.
    """

    start_s: float | None = Field(default=None, ge=0, examples=[0.2])
    stop_s: float | None = Field(default=None, gt=0, examples=[0.8])
    blocks: int = Field(default=64, ge=8, le=512)
    min_share: float = Field(default=0.25, gt=0, le=1)
    level_tolerance: float = Field(default=0.05, gt=0)
    scatter_tolerance: float = Field(default=1.5, gt=0)
    trend_tolerance: float = Field(default=0.3, gt=0)
    scatter_ratio: float = Field(default=3.0, gt=1)

    @model_validator(mode="after")
    def _stop_is_behind_start(self) -> Self:
        if self.start_s is not None and self.stop_s is not None and self.stop_s <= self.start_s:
            raise ValueError(f"stop_s {self.stop_s:g} must be above start_s {self.start_s:g}")
        return self


class ConditioningSettings(Settings):
    """What is bridged, and what counts as drift.

    Attributes
    ----------
    bridge_frames
        Longest gap that is bridged by a straight line, frames; longer ones split the series.
    drift_periods
        Whatever is slower than this many periods in the steady part is drift.
    drift_hz
        Whatever is slower than this is drift, too; the larger of the two frequencies holds.
    """

    bridge_frames: int = Field(default=5, ge=0, le=1000)
    drift_periods: float = Field(default=2.0, ge=0.5, le=50)
    drift_hz: float = Field(default=0.0, ge=0)


class NoiseSettings(Settings):
    """How the white measurement noise is told from the pool's own fluctuation.

    Attributes
    ----------
    evidence
        Twice the log likelihood ratio above which a white floor under the red noise is believed;
        2.71 is the one-sided 5 % level.
    memory_evidence
        The same for the red noise itself: without it there is nothing that separates a floor. 12 keeps
        white series from being split in all but about one in five hundred.
    memory_frames
        Correlation time, frames, below which a continuum counts as flat: then it is measurement noise where
        peaks stand out of it, and the pool's own where nothing does.
    """

    evidence: float = Field(default=2.71, ge=0)
    memory_evidence: float = Field(default=12.0, ge=0)
    memory_frames: float = Field(default=1.0, gt=0)


class SpectrumSettings(Settings):
    """Welch spectra and the test for peaks.

    Attributes
    ----------
    segments
        The series is cut into about this many half-overlapping Hann segments.
    false_alarm
        Probability that a series without a peak shows one anywhere in its spectrum.
    max_peaks
        At most this many peaks are listed, strongest first.
    line_share
        Share of a peak's power that one sinusoid must carry to be called a tone.
    """

    segments: int = Field(default=15, ge=3, le=200)
    false_alarm: float = Field(default=0.01, gt=0, lt=0.5)
    max_peaks: int = Field(default=10, ge=1, le=100)
    line_share: float = Field(default=0.5, gt=0, lt=1)


class CollapseSettings(Settings):
    """When the keyhole counts as collapsed.

    Attributes
    ----------
    enter
        A collapse begins below this share of the keyhole's usual brightness.
    leave
        It ends above this share.
    sigmas
        It must also be this many standard deviations of the fast noise below the usual brightness.
    window_s
        The usual brightness is a running median over this time, so that slow drift makes no collapse.
    unseen_s
        How long a collapse is taken to last for the upper bound of a clip that shows none, s.
    """

    enter: float = Field(default=0.5, gt=0, lt=1)
    leave: float = Field(default=0.75, gt=0, le=1)
    sigmas: float = Field(default=6.0, ge=0)
    window_s: float = Field(default=0.1, gt=0)
    unseen_s: float = Field(default=0.002, gt=0)

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if self.leave <= self.enter:
            raise ValueError("leave must be above enter")
        return self


class IntervalSettings(Settings):
    """Intervals.

    Attributes
    ----------
    confidence
        Confidence of every interval.
    resamples
        Resamples of the block bootstrap.
    seed
        Seed of all random numbers: the same series and settings give the same digits.
    min_effective_n
        Effective number of independent frames below which a clip is too short to say.
    """

    confidence: float = Field(default=0.95, gt=0.5, lt=1)
    resamples: int = Field(default=1000, ge=100, le=100_000)
    seed: int = Field(default=20040, ge=0)
    min_effective_n: float = Field(default=15.0, ge=1)


class PartSettings(Settings):
    """One part of the index.

    Attributes
    ----------
    weight
        Its weight; weights of the parts that a clip can give are scaled to add up to 1.
    half
        Value at which its desirability is one half.
    """

    weight: float = Field(ge=0)
    half: float = Field(gt=0)


def _parts() -> dict[str, PartSettings]:
    return {part.name: PartSettings(weight=part.weight, half=part.half) for part in PARTS}


class IndexSettings(Settings):
    """The stability index.

    Attributes
    ----------
    exponent
        Steepness p of the desirability 1/(1 + (x/half)^p).
    parts
        Weight and half-value of each part, in the units of `poolwatch.model.quantities.PARTS`.
    """

    exponent: float = Field(default=1.0, gt=0, le=10)
    parts: dict[str, PartSettings] = Field(default_factory=_parts)

    @model_validator(mode="before")
    @classmethod
    def _fill(cls, values: object) -> object:
        # A settings file may name just the parts and the fields that it changes.
        if isinstance(values, dict) and isinstance(values.get("parts"), dict):
            merged: dict[str, object] = {name: part.model_dump() for name, part in _parts().items()}
            for name, given in values["parts"].items():
                known = merged.get(name)
                merged[name] = (
                    {**known, **given} if isinstance(known, dict) and isinstance(given, dict) else given
                )
            return {**values, "parts": merged}
        return values

    @model_validator(mode="after")
    def _known(self) -> Self:
        strangers = sorted(set(self.parts) - set(INDEX_PARTS))
        if strangers:
            raise ValueError(f"unknown index part {strangers[0]!r}; the parts are {', '.join(INDEX_PARTS)}")
        if not sum(part.weight for part in self.parts.values()) > 0:
            raise ValueError("the weights of the index parts add up to 0")
        return self


class StabilitySettings(Settings):
    """All settings of this room."""

    steady: SteadySettings = SteadySettings()
    conditioning: ConditioningSettings = ConditioningSettings()
    noise: NoiseSettings = NoiseSettings()
    spectrum: SpectrumSettings = SpectrumSettings()
    collapse: CollapseSettings = CollapseSettings()
    interval: IntervalSettings = IntervalSettings()
    index: IndexSettings = IndexSettings()
