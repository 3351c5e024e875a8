"""The report: one page that opens from disk in any browser, for one clip or for a trial."""

from .clip import clip_report
from .evidence import ClipEvidence, TrialEvidence
from .trial import trial_report

__all__ = ["ClipEvidence", "TrialEvidence", "clip_report", "trial_report"]
