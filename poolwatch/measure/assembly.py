"""Pieces of a clip put together, whichever come first."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..clips import Reader, ReadFindings, findings_of
from ..model.errors import ClipError
from ..pool import FIGURES
from .frames import CODES, WORDS
from .look import ClipLook
from .memory import FreedByFrames
from .outlines import Outlines
from .piece import OUTLINE_VERTICES, Ends, Joint, Part, PieceWork, SeamFrames
from .seams import Seams


@dataclass
class Gathered:
    """Every frame's figures, in px and grey values.

    Attributes
    ----------
    status
        One word a frame.
    figures
        Column name (see `frames.FIGURES`) → shape (n,); NaN where not measured.
    agitation
        Power of the change of brightness inside the pool over the look's lag, shape (n,).
    ways
        How far metal moved to each frame from the one before, in steps of the clip, shape (n,); NaN where not known.
    outlines
        The outline of every frame, px in the picture.
    sightings
        What may be particles, px in the view; field ``frame`` is the frame in the clip.
    findings
        What reading found.
    """

    status: NDArray[np.object_]
    figures: dict[str, NDArray[np.float64]]
    agitation: NDArray[np.float64]
    ways: NDArray[np.float64]
    outlines: Outlines
    sightings: NDArray[np.void] | None
    findings: ReadFindings


class Assembly:
    """Every frame's figures at their place, whichever come first; seams as soon as both sides are there."""

    def __init__(self, look: ClipLook, work: PieceWork, total: int) -> None:
        self._figures = {name: np.full(total, np.nan) for name in FIGURES}
        self._codes = np.zeros(total, dtype=np.uint8)
        self._agitation = np.full(total, np.nan)
        self._ways = np.full(total, np.nan)
        self._outlines = Outlines(OUTLINE_VERTICES)
        self._sightings: dict[int, list[NDArray[np.void]]] = {}
        self._in_order: list[NDArray[np.void]] = []
        self._at_seams: list[NDArray[np.void]] = []
        self._residual = look.residual is not None
        self._lag, self._context = look.lag, look.context
        self._seams = Seams(look, work.settings)
        # Frames at seams that nobody has measured yet.
        self.joints: deque[SeamFrames] = deque()
        self._ends: dict[int, Ends] = {}
        self._joined = 0
        self._freed = FreedByFrames()

    def add(self, piece: int, part: Part) -> None:
        """Take a part of the piece that begins at frame `piece`."""
        self._place(part)
        self._sightings.setdefault(piece, []).append(part.sightings)
        self._freed.passed(len(part.codes))

    def _place(self, part: Part) -> None:
        span = slice(part.start, part.start + len(part.codes))
        self._codes[span], self._agitation[span], self._ways[span] = part.codes, part.agitation, part.ways
        for column, values in zip(self._figures.values(), part.figures.T, strict=True):
            column[span] = values
        self._outlines.put(part.start, part.outlines)

    def join(self, ends: Ends) -> None:
        """A piece is through."""
        self._ends[ends.start] = ends
        while self._joined in self._ends:
            ends = self._ends.pop(self._joined)
            seam = self._seams.join(ends)
            if seam.repeats:
                self._repeat(ends.start)
            if seam.window is not None:
                self.joints.append(SeamFrames(seam.window, ends.start - self._context))
            self._in_order += [seam.sightings, *self._sightings.pop(ends.start, [])]
            self._joined = ends.stop

    def joint(self, joint: Joint) -> None:
        """The frames at a seam are measured."""
        self._place(joint.part)
        self._at_seams.append(joint.part.sightings)
        self._seams.summed(joint.part.start, joint.sums, joint.sums)

    def _repeat(self, frame: int) -> None:
        """Mark a frame that turns out to repeat the one before."""
        self._codes[frame] = CODES["repeated"]
        for column in self._figures.values():
            column[frame] = np.nan
        later = frame + self._lag
        self._agitation[later : later + 1] = np.nan
        self._outlines.remove([frame])

    def finish(self, reader: Reader) -> Gathered:
        """Everything, once all pieces are through."""
        for first, power in self._seams.agitation():
            self._agitation[first : first + len(power)] = power
        codes = self._codes
        undecodable = np.flatnonzero(codes == CODES["undecodable"])
        if len(undecodable) == len(codes):
            raise ClipError(
                f"{reader.facts.path}: not one frame could be decoded; the file is damaged: copy it again from the "
                "camera"
            )
        # Nothing but black comes again as it was in a compressed file: no sign of a doubled frame.
        repeats = codes == CODES["repeated"]
        origin = np.maximum.accumulate(np.where(repeats, 0, np.arange(len(codes))))
        codes[repeats & (codes[origin] == CODES["dark"])] = CODES["dark"]
        sightings = None
        if self._seams.late is not None:
            sightings = np.concatenate([*self._in_order, self._seams.late.finish()])
        elif self._residual:
            found = np.concatenate([*self._in_order, *self._at_seams])
            sightings = found[np.argsort(found["frame"], kind="stable")]
        return Gathered(
            status=WORDS[codes],
            figures=self._figures,
            agitation=self._agitation,
            ways=self._ways,
            outlines=self._outlines,
            sightings=sightings,
            findings=findings_of(reader.facts, len(codes) - len(undecodable), undecodable.tolist()),
        )
