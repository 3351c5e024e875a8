"""A measured clip as `show` takes it, and the frames of its recording that are asked for."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ..clips import fingerprint
from ..model.errors import ClipError
from .result import Measurement

if TYPE_CHECKING:
    from ..show.result import ClipResult

_SIDES = 48


def clip_path(measurement: Measurement, given: str | Path | None = None) -> Path:
    """Where the recording of a measurement lies.

    Parameters
    ----------
    measurement
        The measurement.
    given
        Where it lies now, if it was moved since.

    Raises
    ------
    ClipError
        It is not there, or is another recording.
    """
    recorded = measurement.run["input"]
    path = Path(given) if given is not None else Path(recorded["path"])
    if not path.exists():
        here = Path.cwd()
        shown = path.relative_to(here) if path.is_relative_to(here) else path
        raise ClipError(f"{shown}: the recording is no longer there; give its new place with --clip")
    if fingerprint(path) != recorded["fingerprint"]:
        raise ClipError(
            f"{path}: is not the recording that was measured; give the right one with --clip or measure again"
        )
    return path


def clip_result(measurement: Measurement, sample: NDArray[Any], name: str | None = None) -> ClipResult:
    """What `show` needs of a measurement.

    Parameters
    ----------
    measurement
        The measurement.
    sample
        Grey values of some frames across the clip; they set the tone curve.
    name
        Name to show; the file's where not given.
    """
    from ..show.result import ClipResult

    run = measurement.run
    look, steady = run["look"], run["steady"]
    turn = np.linspace(0.0, 2.0 * np.pi, _SIDES, endpoint=False)
    ring = np.column_stack((np.cos(turn), np.sin(turn))) * look["keyhole_radius_px"]
    return ClipResult(
        name=name or str(measurement.row["clip"]),
        frames=measurement.frames,
        spatter=measurement.spatter,
        spatter_rejected=measurement.spatter_rejected,
        tracks=measurement.tracks,
        spectra=measurement.spectra,
        score=measurement.score,
        axes=measurement.axes,
        record_rate_hz=float(run["recording"]["record_rate_hz"]),
        full_scale=float(run["input"]["full_scale"]),
        steady=(int(steady["start"]), int(steady["stop"])),
        brightness_sample=sample,
        outlines=measurement.outlines,
        keyhole=np.array([ring + spot for spot in look["keyhole_spots_px"]])
        if look["keyhole_seen"]
        else None,
        run={name: value for name, value in run.items() if name != "overlay_segments"},
    )


def frames_of(reader: Any, numbers: Sequence[int]) -> Iterator[tuple[int, NDArray[Any]]]:
    """The frames asked for, in order; read in one go where they lie close together."""
    wanted = sorted({int(n) for n in numbers if 0 <= int(n) < reader.facts.frame_count})
    if not wanted:
        return
    # Skipping costs decoding anyway in most formats; far apart, single frames are cheaper.
    first, last = min(wanted), max(wanted)
    if last - first < 40 * len(wanted):
        left = iter(wanted)
        want = next(left)
        for block in reader.blocks(first, last + 1, size=32):
            for k, frame in enumerate(block.frames):
                if block.start + k == want:
                    yield want, frame
                    following = next(left, None)
                    if following is None:
                        return
                    want = following
        return
    for number in wanted:
        yield number, reader.frames([number])[0]
