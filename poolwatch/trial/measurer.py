"""The measuring of one clip, as the batch needs it: the one place of this room that knows `poolwatch.measure`."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from ..model.recording import Recording
from .process_pool import Report

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True)
class Job:
    """One clip to be measured.

    Attributes
    ----------
    name
        The clip, for messages.
    path
        The recording.
    folder
        Where its results go.
    recording
        What the manifest says of it.
    settings
        Settings file, None for the defaults.
    overlay
        Whether the annotated video is wanted.
    clip_id
        Fingerprint of the recording.
    key
        Fingerprint of everything that changes the numbers; see `poolwatch.trial.resume`.
    size
        Bytes of the recording: a guess at how long it takes.
    """

    name: str
    path: Path
    folder: Path
    recording: Recording
    settings: Path | None
    overlay: bool
    clip_id: str = ""
    key: str = ""
    size: int = 0

    def words(self, message: str) -> str:
        """A message of the measuring with the clip's name in the place of its full path."""
        return message.replace(str(self.path), self.name).removeprefix(f"{self.name}: ")


@dataclass(frozen=True)
class SharedBasis:
    """What all clips of a trial are scored in, so that like is compared with like.

    Attributes
    ----------
    band_hz
        Band that all clips support, None where it needs no change.
    min_diameter_mm
        Smallest particle that all clips could show, mm.
    leave_out
        Parts of the index that some clip cannot give.
    """

    band_hz: tuple[float, float] | None = None
    min_diameter_mm: float | None = None
    leave_out: tuple[str, ...] = ()


class Measurer(Protocol):
    """What the batch asks of the measuring; must be picklable, for it is sent to the workers."""

    def fingerprint(self, path: Path) -> str:
        """Fingerprint of a recording; quick."""
        ...

    def check_opens(self, path: Path, settings: Path | None) -> None:
        """Open a recording and close it again; raises `ClipError` where it cannot be."""
        ...

    def settings_id(self, settings: Path | None) -> str:
        """Fingerprint of the settings in a file; raises `UsageError` where the file is wrong."""
        ...

    def weights(self, settings: Path | None) -> dict[str, float]:
        """Weights of the index parts under these settings."""
        ...

    def measure(self, job: Job, report: Report) -> None:
        """Measure a clip and write its folder, whole or not at all."""
        ...

    def unready(self) -> bool:
        """Whether something must be made ready on this machine first, which `make_ready` then does."""
        ...

    def make_ready(self) -> None:
        """Make this machine ready for `measure`."""
        ...

    def rescore(self, folder: Path, basis: SharedBasis) -> pd.DataFrame:
        """The score row of a measured clip again, as all clips of the trial are scored."""
        ...


@dataclass(frozen=True)
class ClipMeasurer:
    """`poolwatch.measure`, behind the protocol above."""

    def fingerprint(self, path: Path) -> str:
        """Fingerprint of a recording."""
        from .. import clips

        return str(clips.fingerprint(path))

    def check_opens(self, path: Path, settings: Path | None) -> None:
        """Open a recording and close it again."""
        from .. import clips
        from ..measure import read_settings

        with clips.open_clip(path, settings=read_settings(settings).clip):
            pass

    def settings_id(self, settings: Path | None) -> str:
        """Fingerprint of the settings in a file."""
        from ..measure import read_settings

        return str(read_settings(settings).fingerprint())

    def weights(self, settings: Path | None) -> dict[str, float]:
        """Weights of the index parts."""
        from ..measure import read_settings

        return {name: part.weight for name, part in read_settings(settings).stability.index.parts.items()}

    def unready(self) -> bool:
        """Whether the measuring code has yet to be compiled on this machine."""
        from ..measure import is_compiled

        return not is_compiled()

    def make_ready(self) -> None:
        """Compile it."""
        from ..measure import compile_kernels

        compile_kernels()

    def measure(self, job: Job, report: Report) -> None:
        """Measure a clip and write its folder."""
        from ..measure import measure_clip, read_settings, recording_of, write_measurement

        settings = read_settings(job.settings)
        # What the manifest says goes before what the settings say of all clips.
        said = job.recording.model_dump(exclude_unset=True)
        measurement = measure_clip(
            job.path,
            recording=recording_of(settings, said, where=job.name),
            settings=settings,
            progress=report,
            workers=1,
            recruit=report.recruit,
        )
        write_measurement(measurement, job.folder, overlay=job.overlay)

    def rescore(self, folder: Path, basis: SharedBasis) -> pd.DataFrame:
        """The score row again."""
        from ..measure import rescore

        return rescore(
            folder,
            band_hz=basis.band_hz,
            min_diameter_mm=basis.min_diameter_mm,
            leave_out=basis.leave_out,
        )
