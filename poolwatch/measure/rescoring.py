"""Score a measured clip again from its written tables, on the ground that all clips of a trial share."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from ..model.flags import FLAGS, check_flags
from ..model.materials import material
from ..model.recording import Recording
from ..model.tables import SCORE
from .result import Measurement, read_measurement
from .score import Scored, score
from .score_basis import ScoreBasis
from .settings import MeasureSettings

if TYPE_CHECKING:
    import pandas as pd

# Flags that scoring raises; the others hold as they were.
_SCORING_FLAGS = (
    "several_welds",
    "no_steady_part",
    "too_short",
    "few_frames_measured",
    "index_partial",
    "noise_unknown",
)


def rescore(
    folder: str | Path,
    *,
    band_hz: tuple[float, float] | None = None,
    min_diameter_mm: float | None = None,
    leave_out: tuple[str, ...] = (),
) -> pd.DataFrame:
    """The score row of a measured clip, worked out again from its tables.

    Parameters
    ----------
    folder
        The clip's folder.
    band_hz
        Band of the fluctuations, Hz; None: all that the clip can show.
    min_diameter_mm
        Smallest particle that counts, mm; None: the smallest that this clip could show.
    leave_out
        Parts of the index that must not enter.

    Returns
    -------
    DataFrame
        One row, columns of `poolwatch.model.tables.SCORE`.

    Raises
    ------
    OutputError
        The folder holds no finished measurement.
    MeasurementError
        Too few frames were measured for any statistics.
    """
    measured = read_measurement(folder)
    run = measured.run
    recording = Recording.checked(run["recording"], where=f"{folder}/run.json")
    settings = MeasureSettings.checked(run["settings"], where=f"{folder}/run.json")
    metal = material(recording.material, settings.materials_file) if recording.material else None
    own = run["spatter_min_diameter_mm"]
    smallest = float("nan") if own is None else float(own)
    scored = score(
        measured.frames,
        measured.spatter if settings.spatter_on and "spatter_not_sought" not in run["flags"] else None,
        recording,
        settings.stability,
        ScoreBasis(
            min_diameter_mm=smallest if min_diameter_mm is None else min_diameter_mm,
            density_kg_m3=metal.density_kg_m3 if metal else None,
            band_hz=band_hz,
            leave_out=leave_out,
        ),
    )
    return _with_identity(scored, measured)


def _with_identity(scored: Scored, measured: Measurement) -> pd.DataFrame:
    """The score row, with what scoring does not say as it was measured."""
    kept = set(scored.flags)
    kept |= {name for name in measured.run["flags"] if name in FLAGS and name not in _SCORING_FLAGS}
    identity = {
        name: measured.score[name].iloc[0]
        for name in SCORE.names
        if name not in scored.row
        and not name.startswith(("pool_", "keyhole_", "spatter_", "d_", "agitation", "band_"))
    }
    row = {**identity, **scored.row, "flags": " ".join(check_flags(kept))}
    return SCORE.frame([row])
