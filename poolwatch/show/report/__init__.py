"""The report: one page that opens from disk in any browser, for one clip or for a trial."""

from .clip import clip_report
from .evidence import ClipEvidence, ClipPiece, TrialEvidence
from .head import title_of
from .trial import clip_piece, trial_report

__all__ = [
    "ClipEvidence",
    "ClipPiece",
    "TrialEvidence",
    "clip_piece",
    "clip_report",
    "title_of",
    "trial_report",
]
