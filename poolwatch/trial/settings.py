"""Settings of the ranking."""

from __future__ import annotations

from pathlib import Path

from pydantic import Field

from ..model.errors import UsageError
from ..model.settings import Settings, read_toml
from ..model.tables import INDEX_PARTS


class RankSettings(Settings):
    """How beam shapes are compared; the same settings and rows give the same numbers on every machine.

    Attributes
    ----------
    confidence
        Coverage of every interval.
    alpha
        Share of trials of shapes that are all alike in which any two may be found to differ.
    scatter_prior_df
        Degrees of freedom with which each shape's weld-to-weld variance is drawn towards the common one.
        0 would trust each shape alone, which fails with two welds. Infinity would trust the common one alone, which is
        wrong where shapes scatter differently. 3 keeps both kinds of error within bounds from four welds a shape on,
        as the accuracy tests show. A shape of three welds that scatters four times as much as the others raises the
        share of false differences to as much as 9 %. One of two welds raises it to 18 %; the ranking says so.
        With 0 two shapes of three welds would keep to 6 %, but half of the power of two welds would be lost,
        and a tenth of that of three.
    draws
        Random draws for the probability of being best.
    weight_draws
        Random sets of index weights.
    seed
        Of both.
    weights
        Weight of each index part, if not as the rows were scored.
    outlier_alpha
        Chance that any weld of an ordinary trial is pointed out as outlying.
    """

    confidence: float = Field(default=0.95, gt=0.5, lt=1)
    alpha: float = Field(default=0.05, gt=0, lt=0.5)
    scatter_prior_df: float = Field(default=3.0, ge=0)
    draws: int = Field(default=20_000, ge=1_000, le=10_000_000)
    weight_draws: int = Field(default=2_000, ge=100, le=1_000_000)
    seed: int = Field(default=20_240_229, ge=0)
    weights: dict[str, float] | None = None
    outlier_alpha: float = Field(default=0.05, gt=0, lt=0.5)


def read_rank_settings(path: RankSettings | str | Path | None) -> RankSettings:
    """The table ``[rank]`` of a settings file; the defaults where there is no file or no such table.

    Settings that were read before are given back.

    Raises
    ------
    UsageError
        The file or a value in its table is wrong.
    """
    if path is None:
        return RankSettings()
    if isinstance(path, RankSettings):
        return path
    settings = RankSettings.checked(read_toml(path).get("rank", {}), where=f"{path} [rank]")
    strangers = sorted(set(settings.weights or ()) - set(INDEX_PARTS))
    if strangers:
        raise UsageError(
            f"{path} [rank.weights]: unknown part {strangers[0]!r}; parts: {', '.join(INDEX_PARTS)}"
        )
    return settings
