"""A few measured clips scored alike, as a trial of them would be, or why they cannot be."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from ..model.errors import MeasurementError, UsageError
from .comparability import check_comparability
from .shared_basis import find_shared_basis, needs_rescoring

if TYPE_CHECKING:
    import pandas as pd


def scored_alike(folders: Sequence[str | Path]) -> tuple[pd.DataFrame, str]:
    """Score rows whose indices may be set beside each other.

    Parameters
    ----------
    folders
        Folders of measured clips.

    Returns
    -------
    rows
        One row a folder, in their order: over one band, with one smallest particle and the same parts of the index.
    reason
        Why the indices cannot be compared all the same; empty where they can.

    Raises
    ------
    OutputError
        A folder holds no finished measurement.
    UsageError
        A folder is one of several clips.
    """
    import pandas as pd

    from ..measure import rescore
    from ..measure.side_by_side import rows_as_compared

    rows = rows_as_compared(folders)
    try:
        # A shape without a name is no reason here: nothing is averaged.
        comparability = check_comparability(rows.assign(beam_shape=rows["beam_shape"].replace("", "?")))
    except UsageError as error:
        return rows, str(error)
    if len(comparability.excluded):
        first = comparability.excluded.iloc[0]
        return rows, f"{first['clip']}: {first['reason']}"
    basis, _ = find_shared_basis(comparability.rows)
    if not any(needs_rescoring(row, basis) for _, row in comparability.rows.iterrows()):
        return rows, ""
    if basis.band_hz is None:
        return rows, "they share no band of frequencies"
    try:
        again = [
            rescore(
                folder,
                band_hz=basis.band_hz,
                min_diameter_mm=basis.min_diameter_mm,
                leave_out=basis.leave_out,
            )
            for folder in folders
        ]
    except MeasurementError as error:
        return rows, str(error)
    return pd.concat(again, ignore_index=True), ""
