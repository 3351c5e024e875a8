"""What is finished stays finished: a mark in each clip's folder, and when it still holds."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

from .. import __version__
from ..model.errors import OutputError
from ..model.files import write_text
from ..model.recording import Recording
from .measurer import Job

MARK = ".finished.json"
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
        if path.is_file() and not path.name.startswith(".")
    }
    text = json.dumps({"key": job.key, "overlay": job.overlay, "files": files}, indent=1, sort_keys=True)
    write_text(job.folder / MARK, text + "\n")


def unmark(job: Job) -> None:
    """Take the mark away before the clip's files are written anew.

    Raises
    ------
    OutputError
        The folder cannot be written.
    """
    try:
        (job.folder / MARK).unlink(missing_ok=True)
    except OSError as error:
        raise OutputError(
            f"{job.folder}: cannot be written ({error.strerror}); choose another --out folder"
        ) from None


def is_finished(job: Job) -> bool:
    """Whether the folder holds the whole result of this very job.

    A file that is missing or has another size than when it was written means no; an overlay may be there
    though none is asked for.
    """
    mark = _read(job.folder / MARK)
    if mark.get("key") != job.key or (job.overlay and not mark.get("overlay")):
        return False
    files = mark.get("files")
    if not isinstance(files, dict) or "score.csv" not in files:
        return False
    try:
        return all((job.folder / name).stat().st_size == size for name, size in files.items())
    except OSError:
        return False


def _read(path: Path) -> dict[str, Any]:
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return {}
    return content if isinstance(content, dict) else {}
