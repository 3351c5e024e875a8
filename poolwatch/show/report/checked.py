"""A check by hand in words and rows, from what ``run.json`` holds of it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from ...model.rounding import places_of, to_places

MORE = {
    "um": "mean; limits",
    "share": "of what shapes differ by",
    "hand": "scatter of one marking",
    "left": "left for the tool",
}
"""Heads of the columns that some checks have."""
_REPEATED = {"rounds": "the same person again", "persons": "another person"}


def checked_headline(check: Mapping[str, Any]) -> str:
    """The result in one line: on how many frames, and by how much length and width differ."""
    parts = [
        f"{name} {estimate(found['bias'], plus=True)}"
        for name in ("length", "width")
        if (found := check["quantities"].get(name))
    ]
    random = check["frames_at_random"]
    return (
        f"checked by hand on {check['frames']} frames, {random} of them drawn at random: {'; '.join(parts)}"
    )


def checked_rows(check: Mapping[str, Any], mm_per_px: float | None) -> list[dict[str, str]]:
    """A row a quantity, cells by name; "–" where there is nothing to say.

    ``name``, ``frames``, ``bias`` and the limits ``lower`` and ``upper`` with their intervals; bias and limits in µm as
    ``um``; the scatter ``hand`` of one marking, what is ``left`` of the difference without it, and bias and limits as a
    ``share`` of what beam shapes differ by.

    Parameters
    ----------
    check
        ``handcheck`` of ``run.json``.
    mm_per_px
        Size of a pixel, mm; None where no scale is known.
    """
    rows = []
    for name, found in check["quantities"].items():
        unit = "%" if name == "area" else "px"
        mm = mm_per_px if unit == "px" else None
        apart = check["shapes_differ_mm"].get(name)
        ends = [found[end]["value"] for end in ("bias", "lower", "upper")]
        rows.append(
            {
                "name": name,
                "frames": str(found["count"]),
                "bias": estimate(found["bias"], unit, plus=True),
                "lower": estimate(found["lower"], unit),
                "upper": estimate(found["upper"], unit),
                "um": "–" if mm is None else _three(ends, 1e3 * mm, "µm"),
                "hand": estimate(found["hand"], unit) if found["hand"] else "–",
                "left": estimate(found["left"], unit) if found["left"] else "–",
                "share": "–" if mm is None or not apart else _three(ends, 100 * mm / apart, "%"),
            }
        )
    return rows


def checked_sentences(check: Mapping[str, Any]) -> list[str]:
    """What to know of the check, a sentence an item."""
    who = ", ".join(f"{one['person']} (round {one['round']})" for one in check["markings"])
    said = [
        f"Marked by {who} without seeing what was measured; frames drawn with seed {check['seed']}.",
        "Tool minus hand. The mean and its 95 % interval rest on the frames drawn at random, a frame being one unit. "
        "Of 100 frames some 95 differ by no more than the limits of agreement; each limit has its own interval "
        "(Bland & Altman, Lancet 327 (1986) 307). Front and rear count forward, left and right to the left of travel.",
    ]
    if check["repeated"]:
        said.append(
            f"How far one marking scatters comes from marks of the same frames by {_REPEATED[check['repeated']]}; "
            "what is left of the difference without it is the tool's."
        )
    else:
        said.append(
            "Nobody marked these frames twice: the limits hold the person's own scatter, and how large that is, is not "
            "known. A second round shows it."
        )
    if check["lines_in_raised_tone"]:
        said.append(
            f"{check['lines_in_raised_tone']} of {check['lines']} lines were placed with faint parts raised as in the "
            "overlay. The edge of a glowing pool then looks up to about one blur farther out: lengths and widths by "
            "hand are too large by up to two."
        )
    said += _persons(check)
    said += _worst(check)
    if check["frames_unclear"]:
        unclear = ", ".join(str(frame) for frame in check["frames_unclear"])
        said.append(
            f"Called unclear and left out: frames {unclear}. The figures hold for frames in which a person sees the "
            "pool's ends."
        )
    for shape, apart in check["shapes_differ_mm"].items():
        said.append(f"Means of the trial's beam shapes differ by up to {apart:.3g} mm in {shape}.")
    return said + [_particles(who, found, check["run"]) for who, found in check["particles"].items()]


def estimate(value: Mapping[str, Any], unit: str = "px", *, plus: bool = False) -> str:
    """A value with its 95 % interval: ``+0.4 px, −0.3 to 1.1``; the plus only where `plus` asks for it."""
    half = (value["high"] - value["low"]) / 2
    places = places_of(half) if half > 0 else 2
    shown = to_places(value["value"], places, plus=plus)
    return f"{shown} {unit}, {to_places(value['low'], places)} to {to_places(value['high'], places)}"


def _persons(check: Mapping[str, Any]) -> list[str]:
    length, width = (check["quantities"][name]["persons"] for name in ("length", "width"))
    if len(length) < 2:
        return []
    parts = [
        f"{name}: length {to_places(length[name], 1, plus=True)} px, width {to_places(width[name], 1, plus=True)} px"
        for name in length
    ]
    return [
        f"Tool minus hand by person: {'; '.join(parts)}. The intervals hold for these persons together; they do not "
        "hold what another person would mark."
    ]


def _worst(check: Mapping[str, Any]) -> list[str]:
    found = check["quantities"]["length"]["worst"]
    if not found:
        return []
    parts = []
    for name in ("length", "width"):
        away = check["quantities"][name]["worst"]
        frame, most = max(away.items(), key=lambda item: abs(item[1]))
        mean = sum(away.values()) / len(away)
        middle, largest = (to_places(value, 1, plus=True) for value in (mean, most))
        parts.append(f"{name} {middle} px in the mean, {largest} px at most (frame {frame})")
    return [
        f"{len(found)} worst moments, apart from the figures above: {'; '.join(parts)}. Worst is what has "
        f"{check['worst_means']}."
    ]


def _particles(who: str, found: Mapping[str, Any], run: tuple[int, int]) -> str:
    def share(hits: int, count: int, of: Mapping[str, Any]) -> str:
        if not count:
            return "none"
        return f"{hits} of {count} ({of['value']:.2f}, {of['low']:.2f} to {of['high']:.2f})"

    return (
        f"Particles in frames {run[0]} to {run[1]}, by {who}: of those marked "
        f"{share(found['found'], found['marked'], found['recall'])} were counted, {found['rejected']} more were seen "
        f"but not counted; of those counted {share(found['met'], found['counted'], found['precision'])} were marked."
    )


def _three(ends: list[float], factor: float, unit: str) -> str:
    """Bias, and both limits, times a factor."""
    bias, low, high = (factor * end for end in ends)
    return f"{to_places(bias, 1, plus=True)} {unit}; {to_places(low, 0)} to {to_places(high, 0)}"
