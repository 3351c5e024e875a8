"""The report of one clip, and a clip's section in the report of a trial."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from ...model.files import write_text
from ...model.flags import doubts
from ...model.rounding import known, number
from ...model.score_words import index_words
from ..overlay_head import drawn_words
from ..result import ClipResult
from ..segments import LAYERS
from ..stills.handcheck import agreement_figure
from ..stills.outline import motion_figure, space_time_figure
from ..stills.series import resolution_hz, spectra_figure
from ..stills.spatter import spatter_figure
from ..tone import ToneCurve
from .checked import MORE, checked_headline, checked_rows, checked_sentences
from .evidence import ClipEvidence
from .figures import index_parts, key_figures
from .head import head_lines
from .page import Picture, drawing, photograph, picture, render
from .series import series_view


def clip_report(path: str | Path, evidence: ClipEvidence) -> None:
    """Write the report of one clip.

    Parameters
    ----------
    path
        The page, ``report.html``; the video's path in `evidence` is relative to its folder.
    evidence
        The clip.

    Raises
    ------
    OutputError
        The page cannot be written.
    """
    section = clip_section(evidence, 1)
    head = _head(evidence.result)
    values = {"clip": section, "title": evidence.result.name, "head": head, "alone": True}
    write_text(path, render("clip.html.j2", values))


def _head(result: ClipResult) -> list[tuple[str, str]]:
    """What the recording is: facts that were given, and the day on which it was measured."""
    lines = [line for line in head_lines(result.score) if line[0] != "welds"] if len(result.score) else []
    started = str(result.run.get("started", ""))[:10]
    return [*lines, *([("measured on", started)] if started else [])]


def clip_section(evidence: ClipEvidence, number: int, *, dpi: float = 165.0) -> dict[str, Any]:
    """All that the template shows of one clip, as plain values."""
    result = evidence.result
    row = result.score.iloc[0].to_dict() if len(result.score) else {}
    measured = int((result.status == "ok").sum())
    return {
        "id": f"clip-{number}",
        "name": result.name,
        "shape": row.get("beam_shape") or "",
        "replicate": row.get("replicate") or "",
        "index": index_words(row),
        "index_alone": evidence.index_alone,
        "has_index": known(row.get("stability_index")),
        "excluded": evidence.excluded,
        "beam": None if evidence.beam is None else drawing(evidence.beam),
        "doubts": doubts(result.flags),
        "figures": _figures(evidence, dpi),
        "key": key_figures(row, result.unit),
        "parts": index_parts(row),
        "flags": result.flags,
        "statuses": _statuses(result),
        "measured": measured,
        "frames": len(result.numbers),
        "steady_ms": [1e3 * frame / result.record_rate_hz for frame in result.steady],
        "record_rate": result.record_rate_hz,
        "mm_per_px": None if result.unit == "px" else result.axes.mm_per_px,
        "direction": result.axes.direction_deg,
        "tone": ToneCurve.for_sample(result.brightness_sample, result.full_scale).words,
        "drawn": "; ".join(drawn_words(result, LAYERS)),
        "video": evidence.video,
        "poster": None if evidence.poster is None or not evidence.video else photograph(evidence.poster),
        "still": None if evidence.still is None else photograph(evidence.still),
        "moment": evidence.moment,
        "series": series_view(result, evidence.segments),
        "segments": [segment.caption for segment in evidence.segments],
        "checked": _checked(evidence, dpi),
        "provenance": _provenance(result),
        "run": {name: value for name, value in result.run.items() if name != "handcheck"},
        "warnings": [str(words) for words in result.run.get("warnings", [])],
    }


def _checked(evidence: ClipEvidence, dpi: float) -> dict[str, Any] | None:
    """What a check by hand gave, for the template; None where there was none."""
    result = evidence.result
    check = result.run.get("handcheck")
    if not check:
        return None
    rows = checked_rows(check, None if result.unit == "px" else result.axes.mm_per_px)
    return {
        "headline": checked_headline(check),
        "rows": rows,
        "more": [(words, key) for key, words in MORE.items() if any(row[key] != "–" for row in rows)],
        "sentences": checked_sentences(check),
        "figure": picture(agreement_figure(check), dpi=dpi),
        "pictures": [
            (photograph(image), frame)
            for image, frame in zip(evidence.checked, check["differ_most"], strict=False)
        ],
    }


def _figures(evidence: ClipEvidence, dpi: float) -> list[tuple[Picture, str, str]]:
    """Picture, title and words of each still of a clip."""
    result = evidence.result
    found = [
        (spectra_figure(result), "Spectra", _spectra_words(result)),
        (
            motion_figure(result),
            "Where the outline moves",
            "The mean outline, coloured by how much each part moves along its normal.",
        ),
    ]
    if evidence.space_time is not None:
        words = "Brightness along the pool's middle line over time, with front, tail and beam."
        found.append((space_time_figure(result, evidence.space_time), "Middle line over time", words))
    words = (
        f"Flight directions and diameters of {len(result.spatter)} particles that left the pool."
        if result.spatter_sought
        else "Particles were not looked for: empty is not 0."
    )
    found.append((spatter_figure(result), "Spatter", words))
    return [(picture(figure, dpi=dpi), title, words) for figure, title, words in found]


def _provenance(result: ClipResult) -> str:
    """What the clip was measured with, for paper: the page itself holds every setting."""
    run = result.run
    found = {
        "poolwatch": run.get("poolwatch"),
        "recording": result.score_of("clip"),
        "clip": result.score_of("clip_id"),
        "settings": run.get("settings_id"),
    }
    return "; ".join(f"{name} {value}" for name, value in found.items() if value) + "."


def _statuses(result: ClipResult) -> list[tuple[str, int]]:
    counted: dict[str, int] = {}
    for status in result.status:
        if status != "ok":
            counted[str(status)] = counted.get(str(status), 0) + 1
    return sorted(counted.items(), key=lambda item: (-item[1], item[0]))


def _spectra_words(result: ClipResult) -> str:
    peaks = [
        f"{signal.replace('_', ' ')} {result.score_of(f'{signal}_peak_hz'):.0f} Hz"
        for signal in ("pool_length", "pool_width", "keyhole_brightness")
        if known(result.score_of(f"{signal}_peak_hz"))
    ]
    found = (
        "Peaks that stand out of the noise: " + ", ".join(peaks)
        if peaks
        else "No peak stands out of the noise"
    )
    step = resolution_hz(result, "pool_length")
    bins = f"; a step is a bin of {number(step)} Hz, and two peaks closer than that are one" if step else ""
    return (
        f"Power spectral densities (Welch) with their red-noise background{bins}. Each bin is tested against the level "
        "of a peak. A peak's frequency is then fitted to the whole steady part, finer than a bin: the dot is there, "
        f"maybe beside the highest bin. {found}."
    )
