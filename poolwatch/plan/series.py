"""A series of a measured pilot clip, out of its frames.csv."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ..model.errors import UsageError
from ..model.table import read_csv
from ..model.tables import FRAMES, SCORE


def pilot_series(path: str | Path, signal: str) -> tuple[NDArray[np.float64], float]:
    """Values of one column over the steady part, and the record rate.

    Parameters
    ----------
    path
        Folder of a measured clip, or its frames.csv. The ends of the steady part come from score.csv beside it;
        without that the whole clip counts.
    signal
        A column of numbers in `poolwatch.model.tables.FRAMES`.

    Returns
    -------
    tuple
        Values, shape (n,), NaN where a frame was not measured; record rate, Hz.

    Raises
    ------
    UsageError
        No such column, or no two frames to tell the rate from.
    OutputError
        The file is missing or is no such table.
    """
    path = Path(path)
    if path.is_dir():
        path = path / "frames.csv"
    numbers = [column.name for column in FRAMES.columns if column.kind == "float" and column.name != "time_s"]
    if signal not in numbers:
        raise UsageError(f"{signal!r} is no series in frames.csv; the series are {', '.join(numbers)}")
    frames = read_csv(path, FRAMES)
    time = frames["time_s"].to_numpy(dtype=np.float64)
    values = frames[signal].where(frames["status"] == "ok").to_numpy(dtype=np.float64)
    if len(time) < 2 or not time[-1] > time[0]:
        raise UsageError(f"{path}: has no two frames at different times")
    rate = (len(time) - 1) / (time[-1] - time[0])
    beside = path.with_name("score.csv")
    if beside.is_file():
        score = read_csv(beside, SCORE)
        start, end = (
            score[name].iloc[0] if len(score) else np.nan for name in ("steady_start_s", "steady_end_s")
        )
        if np.isfinite(start) and np.isfinite(end):
            values = values[(time >= start - 0.5 / rate) & (time <= end + 0.5 / rate)]
    return values, float(rate)
