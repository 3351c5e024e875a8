"""Results of one recording are not replaced by those of another."""

from __future__ import annotations

import csv
import json
from pathlib import Path

from ..clips import fingerprint
from ..model.errors import UsageError


def refuse_other_recording(folder: str | Path, clip: str | Path) -> None:
    """Refuse to measure a clip into a folder that holds the results of another recording of its name.

    The same recording measured again, wherever it lies now, is let through.

    Parameters
    ----------
    folder
        The clip's folder.
    clip
        The recording.

    Raises
    ------
    UsageError
        The folder holds the results of another recording.
    ClipError
        The recording cannot be read.
    """
    folder = Path(folder)
    identity, place = _held(folder)
    if identity and identity != fingerprint(clip):
        raise UsageError(
            f"{folder}: holds the results of another recording{f', {place}' if place else ''}; give another --out, or "
            "--replace to put these in their place"
        )


def _held(folder: Path) -> tuple[str, str]:
    """Fingerprint and place of the recording whose results a folder holds; empty where none can be read."""
    try:
        said = json.loads((folder / "run.json").read_text(encoding="utf-8"))["input"]
        return str(said["fingerprint"]), str(said["path"])
    except (OSError, ValueError, KeyError, TypeError):
        pass
    # A measurement that was broken off has no run.json; its score row may be there.
    try:
        with (folder / "score.csv").open(encoding="utf-8", newline="") as file:
            return str(next(csv.DictReader(file))["clip_id"]), ""
    except (OSError, ValueError, KeyError, StopIteration, csv.Error):
        return "", ""
