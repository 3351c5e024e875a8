"""An invented measured clip whose tool error is known, and a person whose marks err by a known amount."""

from __future__ import annotations

import csv
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest

from poolwatch.measure.result import Measurement
from poolwatch.model.axes import PoolAxes
from poolwatch.model.tables import FRAMES, MARKS, SCORE, SPATTER, SPATTER_REJECTED, SPECTRA, TRACKS

SIZE = (400, 300)


@dataclass
class Invented:
    """A pool whose true ends are known in every frame; the tool errs by `bias` and `tool_sd`, in px.

    `ends` holds the true front, rear, left and right in pool axes, px, shape (n, 4); `measured` the tool's.
    """

    seed: int = 0
    count: int = 1500
    bias: tuple[float, float] = (0.6, -0.4)
    tool_sd: float = 0.5
    direction: float = 0.0
    stretch: tuple[float, float, float, float] | None = None
    mm: float = 0.02
    jumps: int = 0
    tracks: list[dict] = field(default_factory=list)

    def __post_init__(self) -> None:
        rng = np.random.default_rng(self.seed)
        self.axes = PoolAxes(200.0, 150.0, self.direction, self.mm, self.stretch)
        slow = np.cumsum(rng.normal(size=(self.count, 2)), axis=0)
        slow = 3.0 * (slow - slow.mean(axis=0)) / slow.std(axis=0)
        length, width = 120.0 + slow[:, 0], 60.0 + slow[:, 1]
        front, left = 30.0 + 0.3 * slow[:, 0], 30.0 + 0.5 * slow[:, 1]
        self.ends = np.stack([front, front - length, left, left - width], axis=1)
        error = rng.normal(scale=self.tool_sd, size=(self.count, 2))
        # Moments in which the tool is badly wrong, and its series shows it.
        for place in rng.choice(np.arange(50, self.count - 50, 7), self.jumps, replace=False):
            error[place] += 15.0
        self.measured = self.ends.copy()
        self.measured[:, 0] += self.bias[0] + error[:, 0]
        self.measured[:, 2] += self.bias[1] + error[:, 1]

    def outline(self, frame: int) -> np.ndarray:
        """An ellipse between the measured ends, image px."""
        front, rear, left, right = self.measured[frame]
        angle = np.linspace(0, 2 * np.pi, 96, endpoint=False)
        along = (front + rear) / 2 + (front - rear) / 2 * np.cos(angle)
        across = (left + right) / 2 + (left - right) / 2 * np.sin(angle)
        return self.axes.image(np.stack([along, across], axis=1) * self.mm)

    @property
    def measurement(self) -> Measurement:
        length, width = (self.measured[:, k] - self.measured[:, k + 1] for k in (0, 2))
        frames = FRAMES.frame(
            {
                "frame": np.arange(self.count),
                "time_s": np.arange(self.count) / 1e4,
                "status": np.array(["ok"] * self.count),
                "pool_length_mm": length * self.mm,
                "pool_width_mm": width * self.mm,
                "pool_area_mm2": np.pi / 4 * length * width * self.mm**2,
                "pool_front_mm": self.measured[:, 0] * self.mm,
                "pool_rear_mm": self.measured[:, 1] * self.mm,
            }
        )
        score = SCORE.frame(
            [
                {
                    "clip": "invented.mkv",
                    "clip_id": f"c{self.seed}",
                    "settings_id": "s1",
                    "footage": "glowing",
                    "flags": "",
                }
            ]
        )
        run = {
            "poolwatch": "0.1.0",
            "settings_id": "s1",
            "steady": {"start": 0, "stop": self.count},
            "input": {
                "width": SIZE[0],
                "height": SIZE[1],
                "fingerprint": f"c{self.seed}",
                "full_scale": 255.0,
            },
        }
        return Measurement(
            frames=frames,
            spatter=SPATTER.frame(),
            spatter_rejected=SPATTER_REJECTED.frame(),
            tracks=TRACKS.frame(self.tracks or None),
            spectra=SPECTRA.frame(),
            score=score,
            outlines=self.outline,
            run={**run, "axes": vars(self.axes)},
        )

    def marked(self, draw, rng, *, sd: float = 0.7, person: str = "AB", number: int = 1, off: float = 0.0):
        """Rows of marks by a person who sees the true ends, errs by `sd` at each, and by `off` at the front."""
        rows = []
        for frame in draw.frames:
            front, rear, left, right = self.ends[frame] + rng.normal(scale=sd, size=4) + (off, 0, 0, 0)
            middle, waist = (left + right) / 2, front - 50.0
            places = {
                "front": (front, middle),
                "rear": (rear, middle),
                "left": (waist, left),
                "right": (waist, right),
            }
            for mark, place in places.items():
                x, y = self.axes.image(np.array(place) * self.mm)
                rows.append(
                    {
                        "clip_id": f"c{self.seed}",
                        "settings_id": "s1",
                        "seed": draw.seed,
                        "drawn": draw.wanted.words,
                        "frame": frame,
                        "mark": mark,
                        "x_px": f"{x:.3f}",
                        "y_px": f"{y:.3f}",
                        "tone": "linear",
                        "person": person,
                        "round": number,
                    }
                )
        return rows


def write_rows(path: Path, rows: list[dict]) -> Path:
    """A CSV of marks."""
    with path.open("w", encoding="utf-8", newline="") as out:
        writer = csv.DictWriter(out, MARKS.names, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
    return path


@pytest.fixture(scope="session")
def invented():
    """Makes an invented clip."""
    return Invented


@pytest.fixture(scope="session")
def written():
    """Writes marks."""
    return write_rows
