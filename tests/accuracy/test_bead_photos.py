"""Beads drawn at random against their exact truth: a few by default, 30 and 30 smooth ones by `-m long`.

`python tests/accuracy/test_bead_photos.py random` (or `smooth`) measures 30 and writes their section of BEADS.md.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from poolwatch.bead.measuring import measure_bead
from poolwatch.bead.photo import read_weld_photo
from poolwatch.measure.bead import spacings_that_stand_out
from poolwatch.model.errors import MeasurementError
from tests.simulated_welds.photo import write_weld
from tests.simulated_welds.scene import random_weld

# Small ones of those that the method was made on; those of the long run nothing was made on.
FEW, MANY, SMOOTH = (5003, 5010), range(9300, 9330), range(9330, 9360)


def squarely(light, scene, truth):
    """The photo set upright by its exact homography, and weld places to its px."""
    if not scene.camera.tilt_deg:
        return light, truth.to_picture
    height, width = light.shape[:2]
    angle = math.radians(scene.direction_deg)
    c, s = math.cos(angle), math.sin(angle)
    square = np.array([[c, -s, width / 2], [-s, -c, height / 2], [0, 0, 1.0]])
    matrix = square @ np.linalg.inv(truth.to_picture)
    made = cv2.warpPerspective(
        light, matrix, (width, height), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
    )
    return made.reshape(height, width, -1), square


def fast(values, t):
    """Departure from what is slower than a fifth of the length: cosines of the length by least squares."""
    design = np.column_stack([t - 0.5, *(np.cos(math.pi * k * t) for k in range(11))])
    return values - design @ np.linalg.lstsq(design, values, rcond=None)[0]


def measured(seed: int, folder, **more):
    """Width error, found and true rms of the edges, found and true spacing, deposits hit, missed, false."""
    scene = random_weld(seed, **more)
    path = folder / ("photo.jpg" if scene.camera.jpeg else "photo.png")
    truth = write_weld(scene, path)
    light, matrix = squarely(read_weld_photo(path).light, scene, truth)
    found = measure_bead(light, mm_per_px=scene.mm_per_px, stands_out=spacings_that_stand_out)

    def weld(points):
        lifted = np.column_stack([points, np.ones(len(points))]) @ np.linalg.inv(matrix).T
        return lifted[:, :2] / lifted[:, 2:]

    judged = found.edges.judged
    along = found.strip.along[judged]
    left = weld(found.axis.picture(along, found.edges.left.left[judged]))
    right = weld(found.axis.picture(along, found.edges.right.left[judged]))
    if left[0, 1] < right[0, 1]:
        left, right = right, left
    true_left = np.interp(left[:, 0], truth.along, truth.left)
    true_right = np.interp(right[:, 0], truth.along, truth.right)
    t = (left[:, 0] - left[:, 0].min()) / np.ptp(left[:, 0])
    rms = math.sqrt((np.mean(fast(true_left, t) ** 2) + np.mean(fast(true_right, t) ** 2)) / 2)
    return {
        "width": float(found.edges.width[judged].mean() - np.mean(true_left - true_right)),
        "rms": (found.waviness.rms, rms),
        "spacing": (found.ripples.spacing, truth.spacing(left[:, 0].min(), left[:, 0].max())),
        "deposits": _matched(found, truth, weld, left),
        "flags": found.flags,
    }


def _matched(found, truth, weld, left):
    deposits = found.deposits
    places = weld(np.column_stack([deposits.x, deposits.y])) if len(deposits.x) else np.empty((0, 2))
    first, last = left[:, 0].min(), left[:, 0].max()
    taken: set[int] = set()
    hit = missed = 0
    for along, across, diameter in truth.deposits:
        edge = max(
            across - np.interp(along, truth.along, truth.left),
            np.interp(along, truth.along, truth.right) - across,
        )
        if not (first + 2 < along < last - 2 and edge < deposits.belt - 2):
            continue
        away = np.hypot(places[:, 0] - along, places[:, 1] - across)
        near = [k for k in np.flatnonzero(away < max(3.0, 0.7 * diameter)).tolist() if k not in taken]
        taken.update(near[:1])
        hit, missed = hit + bool(near), missed + (not near)
    false = 0
    for k in range(len(places)):
        known = (
            np.hypot(*(truth.deposits[:, :2] - places[k]).T) if len(truth.deposits) else np.array([math.inf])
        )
        false += k not in taken and known.min() > 8
    return hit, missed, false


def within(found: dict[str, Any] | None) -> dict[str, bool]:
    """Which bars a bead is within: width 0.5 px; edges 15 % or 0.1 px; spacing 2 %, none where there is none."""
    if found is None:
        return {"width": False, "edges": False, "spacing": False}
    rms, true_rms = found["rms"]
    spacing, true_spacing = found["spacing"]
    if math.isnan(true_spacing):
        right = math.isnan(spacing)
    else:
        right = abs(spacing / true_spacing - 1) < 0.02
    return {
        "width": abs(found["width"]) < 0.5,
        "edges": abs(rms - true_rms) < max(0.1, 0.15 * true_rms),
        "spacing": right,
    }


def try_all(seeds, folder, **more) -> list[dict[str, Any] | None]:
    """Each measured; None where no bead was found or too little of it."""
    made: list[dict[str, Any] | None] = []
    for seed in seeds:
        try:
            made.append(measured(seed, folder, **more))
        except MeasurementError:
            made.append(None)
    return made


# Shares of photos within the bars that are reached; the bars ask for all. Raise these with the tool, never the bars.
REACHED_FEW = {"width": 0.3, "edges": 0.3, "spacing": 1.0}
REACHED_MANY = {"width": 0.75, "edges": 0.75, "spacing": 0.9}
# Recall and precision; the bar is 0.95.
DEPOSITS = 0.9


def test_random_beads(many: bool, tmp_path) -> None:
    found = try_all(MANY if many else FEW, tmp_path)
    bars = [within(one) for one in found]
    shares = {name: sum(one[name] for one in bars) / len(bars) for name in bars[0]}
    reached = REACHED_MANY if many else REACHED_FEW
    assert all(shares[name] >= reached[name] for name in reached), shares
    hit, missed, false = np.sum([one["deposits"] for one in found if one is not None], axis=0)
    # Of few beads a single deposit counts for more.
    assert hit / (hit + missed) > (DEPOSITS if many else 0.8)
    assert hit / (hit + false) > DEPOSITS


@pytest.mark.long
def test_smooth_beads_have_no_ripples(tmp_path) -> None:
    """None reported in 29 of 30, those counted in which no bead was found at all."""
    found = try_all(SMOOTH, tmp_path, rippled=False)
    assert sum(one is not None and math.isfinite(one["spacing"][0]) for one in found) <= 1
    assert sum(one is None for one in found) <= 3


BARS = {
    "random": "Bars: width within 0.5 px; edge rms within 15 % or 0.1 px; spacing within 2 %, none where there is none.",
    "smooth": "No ripples. Bar: a spacing is reported in one of 30 at most.",
}
# Flags that say that the width or the whole bead is in doubt.
DOUBT = {"bead_doubtful", "bead_edges_vague", "bead_by_texture", "bead_small"}


def _section(kind: str, folder: Path) -> list[str]:
    """Measure 30 photos; the lines of their table and what it sums to."""
    seeds = MANY if kind == "random" else SMOOTH
    rows, all_bars, told, total = [], [], 0, np.zeros(3, dtype=int)
    sure = sure_right = 0
    for seed in seeds:
        (found,) = try_all([seed], folder, **({} if kind == "random" else {"rippled": False}))
        bars = within(found)
        all_bars.append(bars)
        held = " ".join(name for name in bars if bars[name]) or "–"
        if found is None:
            rows.append(f"| {seed} | no bead found | – | – | – | – | – | – | – |")
            continue
        total += found["deposits"]
        told += math.isfinite(found["spacing"][0])
        doubts = sorted(DOUBT & set(found["flags"]))
        sure, sure_right = sure + (not doubts), sure_right + (not doubts and bars["width"])
        hits = ", ".join(str(int(value)) for value in found["deposits"])
        figures = [found["width"], *found["rms"], *found["spacing"]]
        cells = " | ".join("–" if math.isnan(value) else f"{value:.2f}" for value in figures)
        said = " ".join(name.removeprefix("bead_") for name in doubts) or "–"
        rows.append(f"| {seed} | {cells} | {hits} | {said} | {held} |")
        print(rows[-1], flush=True)
    hit, missed, false = total.tolist()
    counts = ", ".join(
        f"{name} {sum(bars[name] for bars in all_bars)} of {len(all_bars)}" for name in all_bars[0]
    )
    return [
        f"## {kind.capitalize()} beads",
        "",
        f"`python tests/accuracy/test_bead_photos.py {kind}`: seeds {seeds[0]} to {seeds[-1]}, on which nothing was made.",
        BARS[kind],
        "",
        "| seed | width error, px | edge rms, px | true | spacing, px | true | deposits hit, missed, false | doubt | within |",
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- |",
        *rows,
        "",
        f"Within the bars: {counts}; width where no flag doubts it: {sure_right} of {sure}.",
        f"Deposits: recall {hit / max(hit + missed, 1):.3f}, precision {hit / max(hit + false, 1):.3f}. "
        f"Spacing reported: {told} of {len(rows)}.",
    ]


def _written(kind: str, folder: Path, page: Path) -> None:
    """Write one section of the page anew; the others stay."""
    lines = _section(kind, folder)
    sections = dict.fromkeys(BARS, "")
    for part in page.read_text("utf-8").split("\n## ")[1:]:
        name = part.split()[0].lower()
        if name in sections:
            sections[name] = f"## {part}".strip()
    sections[kind] = "\n".join(lines)
    whole = "\n\n".join(["# Beads in drawn photos", *[text for text in sections.values() if text]])
    page.write_text(whole + "\n", "utf-8")


if __name__ == "__main__":
    import sys
    import tempfile

    with tempfile.TemporaryDirectory() as scratch:
        for asked in sys.argv[1:] or list(BARS):
            _written(asked, Path(scratch), Path(__file__).with_name("BEADS.md"))
