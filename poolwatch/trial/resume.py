"""What is finished stays finished: a mark in each clip's folder, and when it still holds."""

from __future__ import annotations

import csv
import hashlib
import json
from pathlib import Path
from typing import Any

from ..model.files import remove, write_text
from ..model.recording import Recording
from ..model.version import __version__
from .measurer import Job

MARK = ".finished.json"
_VIDEO = "overlay.mp4"
# Drawn again, whole or not at all, by who wants other choices; no figure comes from them.
_DRAWN = {_VIDEO, "run.json", "report.html"}
_LABELS = {"beam_shape", "replicate"}


def job_key(clip_id: str, settings_id: str, recording: Recording, version: str = __version__) -> str:
    """Fingerprint of the recording, the settings, the version and what the manifest says of the recording.

    The names of the shape and the replicate are no part of it: they change no number.
    """
    facts = recording.model_dump(mode="json", exclude=_LABELS)
    text = json.dumps([clip_id, settings_id, version, facts], sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()[:32]


def mark_finished(job: Job) -> None:
    """Leave the mark, once everything else of the clip is written.

    Raises
    ------
    OutputError
        The folder cannot be written.
    """
    files = {
        path.name: path.stat().st_size
        for path in sorted(job.folder.iterdir())
        if path.is_file() and not path.name.startswith(".") and path.name not in (_VIDEO, "report.html")
    }
    mark = {"key": job.key, "score": _digest(job.folder / "score.csv"), "files": files}
    text = json.dumps(mark, indent=1, sort_keys=True)
    write_text(job.folder / MARK, text + "\n")


def unmark(job: Job) -> None:
    """Take the mark away before the clip's files are written anew.

    Raises
    ------
    OutputError
        The folder cannot be written.
    """
    remove(job.folder / MARK)


def is_finished(job: Job) -> bool:
    """Whether the folder holds the whole result of this very job.

    A table that is missing or has another size than when it was written means no, and so does another score row
    (the clip measured into the same folder by hand). The video and what leans on it may have been drawn again.
    """
    mark = _read(job.folder / MARK)
    files = mark.get("files")
    if mark.get("key") != job.key or not isinstance(files, dict) or "score.csv" not in files:
        return False
    if job.overlay and not (job.folder / _VIDEO).is_file():
        return False
    try:
        sizes = {name: (job.folder / name).stat().st_size for name in files}
        same = all(name in _DRAWN or sizes[name] == size for name, size in files.items())
        return same and _digest(job.folder / "score.csv") == mark.get("score")
    except OSError:
        return False


def clip_id_of(folder: Path) -> str:
    """Fingerprint of the recording whose score row a folder holds; empty where it holds none."""
    try:
        with (folder / "score.csv").open(encoding="utf-8", newline="") as file:
            return str(next(csv.DictReader(file))["clip_id"])
    except (OSError, ValueError, KeyError, StopIteration, csv.Error):
        return ""


def _digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()[:32] if path.exists() else ""


def _read(path: Path) -> dict[str, Any]:
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return {}
    return content if isinstance(content, dict) else {}
