"""What a report is given: results, what the video shows, and words that others wrote."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ..result import ClipResult
from ..segments import Segment
from ..stills.outline import SpaceTime

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True)
class ClipEvidence:
    """One clip in a report.

    Attributes
    ----------
    result
        The measured clip.
    video
        Path of its overlay relative to the report, with ``/``; empty where there is none.
    segments
        What the overlay shows, as `draw_overlay` gave it.
    space_time
        Brightness along the middle line, where it was gathered.
    excluded
        Why the clip does not count in the ranking, in words; empty where it counts.
    still
        One annotated frame as a bare `OverlayPainter` paints it: on paper, on a phone, and where there is no video.
    poster
        The same frame as it is in the video: shown until that plays.
    moment
        Which frame `still` is, in words.
    checked
        Where the clip was checked by hand: pictures of the frames in which tool and hand differ most.
    beam
        The profile of its beam as `poolwatch.show.beam_profile.draw_profiles` gives it; None where none is known.
    index_alone
        The index that the video shows, in words, where the result's is as a trial compares it; else empty.
    """

    result: ClipResult
    video: str = ""
    segments: Sequence[Segment] = ()
    space_time: SpaceTime | None = None
    excluded: str = ""
    still: NDArray[np.uint8] | None = None
    moment: str = ""
    checked: Sequence[NDArray[np.uint8]] = ()
    beam: NDArray[np.uint8] | None = None
    index_alone: str = ""
    poster: NDArray[np.uint8] | None = None


@dataclass(frozen=True)
class ClipPiece:
    """A clip's part of a trial's page, ready made.

    Attributes
    ----------
    html
        The part, safe to be put into the page as it is.
    anchor
        Where a link to it leads.
    key
        ``clip_id`` of the clip, or its name.
    checked
        What a check by hand gave, in a line that names the clip; empty where there was none.
    """

    html: str
    anchor: str
    key: str
    checked: str = ""


@dataclass(frozen=True)
class TrialEvidence:
    """A trial in a report.

    Attributes
    ----------
    name
        Name of the trial.
    ranking, scores
        Tables; `scores` with its factor and outcome columns.
    reading, factor_reading, outcome_reading
        The ranking, the effects of the factors and the laboratory results in plain language, a sentence an item.
    clips
        The clips, in the order in which they are shown, as evidence or as what `clip_piece` made of it; gone
        through once.
    effects
        Estimated effects, columns as in `poolwatch.show.stills.trial.effects_figure`; None where there are none.
    next_welds
        Settings to weld next, best first: ``beam_shape`` and factor columns, ``predicted``, ``predicted_u``,
        ``weld_low``, ``weld_high``; None where there are none.
    excluded
        Clip and reason, in words, of what was left out.
    notes
        What else a reader must know, in words (common band, smallest particle compared …).
    run
        Settings, weights and versions of the trial.
    sidebyside
        Path of a side-by-side video relative to the report; empty where there is none.
    about
        What the trial is, in a sentence, under its name; empty for nothing.
    beams
        Profiles of beams by beam shape, as `poolwatch.show.beam_profile.draw_profiles` gives them.
    """

    name: str
    ranking: pd.DataFrame
    scores: pd.DataFrame
    reading: Sequence[str]
    clips: Iterable[ClipEvidence | ClipPiece]
    effects: pd.DataFrame | None = None
    next_welds: pd.DataFrame | None = None
    excluded: Sequence[tuple[str, str]] = ()
    notes: Sequence[str] = ()
    run: dict[str, Any] = field(default_factory=dict)
    sidebyside: str = ""
    about: str = ""
    factor_reading: Sequence[str] = ()
    outcome_reading: Sequence[str] = ()
    beams: Mapping[str, NDArray[np.uint8]] = field(default_factory=dict)
