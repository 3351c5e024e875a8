"""A drawn pool with known series: results as the measuring would hand them over, made without it."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from poolwatch.model.axes import PoolAxes
from poolwatch.model.tables import FRAMES, SCORE, SPATTER, SPATTER_REJECTED, SPECTRA, TRACKS
from poolwatch.show.result import ClipResult


class DrawnClip:
    """A clip drawn on the fly: an ellipse with a keyhole and particles, in any direction, size and depth."""

    def __init__(
        self,
        *,
        name: str = "single-spot_01",
        shape: tuple[int, int] = (256, 512),
        frames: int = 1200,
        direction: float = 0.0,
        dtype: type[np.uint8] | type[np.uint16] = np.uint8,
        rate: float = 10_000.0,
        bad: tuple[int, ...] = (),
        seed: int = 1,
        unsteadiness: float = 1.0,
        shape_name: str = "single-spot",
        mm_per_px: float = 0.02,
        index: float = 62.0,
    ) -> None:
        self.rng = np.random.default_rng(seed)
        self.shape, self.dtype, self.rate, self.count = shape, dtype, rate, frames
        self.full = float(np.iinfo(dtype).max)
        height, width = shape
        reach = min(width, height * 2)
        self.axes = PoolAxes(0.5 * width, 0.5 * height, direction, mm_per_px)
        self.half = np.array([0.20 * reach, 0.11 * reach])
        t = np.arange(frames) / rate
        wobble = unsteadiness * (0.06 * np.sin(2 * np.pi * 420 * t) + self._red(frames, 0.02))
        self.length_px = 2 * self.half[0] * (1 + wobble)
        self.width_px = 2 * self.half[1] * (1 + 0.4 * wobble + unsteadiness * self._red(frames, 0.01))
        self.front_px = 0.35 * self.half[0] + 0.1 * (self.length_px - 2 * self.half[0])
        self.keyhole_level = 0.8 + unsteadiness * (
            0.06 * np.sin(2 * np.pi * 1130 * t) + self._red(frames, 0.02)
        )
        self.status = np.array(["ok"] * frames, dtype=object)
        for place in bad:
            self.status[place] = "blown"
        self.particles = self._particles()
        self.mm = mm_per_px
        self.result = self._result(name, shape_name, t, index)

    def _red(self, count: int, sd: float) -> NDArray[np.float64]:
        steps = self.rng.normal(size=count)
        out = np.empty(count)
        value = 0.0
        for i, step in enumerate(steps):
            value = 0.9 * value + 0.436 * step
            out[i] = value
        return sd * out

    def _particles(self) -> list[dict[str, float]]:
        found, frame = [], 20
        while frame < self.count - 40:
            angle = self.rng.normal(np.pi, 0.9)
            found.append(
                {
                    "first": frame,
                    "angle": angle,
                    "speed": self.rng.uniform(2, 6) * self.shape[1] / 512,
                    "diameter": float(np.exp(self.rng.normal(1.3, 0.3))),
                    "last": frame + int(self.rng.integers(8, 40)),
                }
            )
            frame += int(self.rng.exponential(45)) + 1
        return found

    def outline(self, frame: int) -> NDArray[np.float64]:
        """Outline of a frame, image px; empty where the frame was not measured."""
        if self.status[frame] != "ok":
            return np.empty((0, 2))
        angle = np.linspace(0, 2 * np.pi, 240, endpoint=False)
        half = 0.5 * self.length_px[frame]
        along = self.front_px[frame] - half + half * np.cos(angle)
        across = 0.5 * self.width_px[frame] * np.sin(angle)
        return self.axes.image(np.stack([along, across], axis=1) * self.axes.mm_per_px)

    def place(self, particle: dict[str, float], frame: int) -> NDArray[np.float64]:
        """Where a particle is in the image, px."""
        gone = frame - particle["first"]
        edge = 1.1 * self.half[1] + particle["speed"] * gone
        along = np.array([np.cos(particle["angle"]), np.sin(particle["angle"])]) * edge
        along = along - (0.3 * self.half[0], 0)
        return self.axes.image(along * self.axes.mm_per_px)

    def frame(self, number: int) -> NDArray[np.uint8] | NDArray[np.uint16]:
        """The picture of a frame, native depth."""
        height, width = self.shape
        grid = np.stack(np.meshgrid(np.arange(width), np.arange(height)), axis=-1).astype(float)
        pool = self.axes.px(grid)
        half = 0.5 * np.array([self.length_px[number], self.width_px[number]])
        distance = np.hypot(
            (pool[..., 0] - self.front_px[number] + half[0]) / half[0], pool[..., 1] / half[1]
        )
        bright = 0.03 + 0.34 / (1 + np.exp((distance - 1) * 0.5 * half[1]))
        spot = np.hypot(*np.moveaxis(pool, -1, 0)) / (0.2 * self.half[1])
        bright += (self.keyhole_level[number] - 0.37) * np.exp(-(spot**2))
        for particle in self.particles:
            if particle["first"] <= number <= particle["last"]:
                x, y = self.place(particle, number)
                blob = np.exp(
                    -(((grid[..., 0] - x) ** 2 + (grid[..., 1] - y) ** 2) / particle["diameter"] ** 2)
                )
                bright += 0.12 * blob
        if self.status[number] == "blown":
            bright = np.full_like(bright, 1.0)
        noisy = bright + np.random.default_rng(number).normal(0, 0.004, bright.shape)
        return np.clip(np.rint(noisy * self.full), 0, self.full).astype(self.dtype)

    def read(self, numbers: list[int]):
        """Frames by number, as a reader would give them."""
        for number in numbers:
            yield number, self.frame(number)

    def _result(self, name: str, shape_name: str, t: NDArray[np.float64], index: float) -> ClipResult:
        ok = self.status == "ok"
        spoilt = np.where(ok, 1.0, np.nan)
        seen = np.zeros(self.count)
        rows, sightings = [], []
        for number, particle in enumerate(self.particles, 1):
            first, last = int(particle["first"]), min(int(particle["last"]), self.count - 1)
            seen[first : last + 1] += 1
            for f in range(first, last + 1):
                x, y = self.place(particle, f)
                sightings.append(
                    {
                        "particle": number,
                        "frame": f,
                        "x_px": x,
                        "y_px": y,
                        "diameter_px": particle["diameter"],
                    }
                )
            rows.append(
                {
                    "particle": number,
                    "first_frame": first,
                    "last_frame": last,
                    "frames_seen": last - first + 1,
                    "direction_deg": (np.degrees(particle["angle"]) + 180) % 360 - 180,
                    "speed_mm_s": particle["speed"] * self.mm * self.rate,
                    "diameter_mm": particle["diameter"] * self.mm,
                    "diameter_u_mm": 0.1 * self.mm,
                    "mass_ug": 3.6 * (particle["diameter"] * self.mm) ** 3 * 1e3,
                }
            )
        frames = FRAMES.frame(
            {
                "frame": np.arange(self.count),
                "time_s": t,
                "status": self.status,
                "pool_length_mm": self.length_px * self.mm * spoilt,
                "pool_width_mm": self.width_px * self.mm * spoilt,
                "pool_area_mm2": np.pi / 4 * self.length_px * self.width_px * self.mm**2 * spoilt,
                "pool_front_mm": self.front_px * self.mm * spoilt,
                "pool_rear_mm": (self.front_px - self.length_px) * self.mm * spoilt,
                "keyhole_brightness": self.keyhole_level * spoilt,
                "spatter_in_view": seen,
            }
        )
        frequency = np.arange(1, 200) * self.rate / 400
        spectra = []
        for signal, unit, tone in (
            ("pool_length", "mm²/Hz", 420),
            ("pool_width", "mm²/Hz", 420),
            ("keyhole_brightness", "1/Hz", 1130),
        ):
            red = 1e-6 / (1 + (frequency / 600) ** 2) + 1e-9
            psd = red * self.rng.gamma(8, 1 / 8, len(frequency)) + 1e-5 * np.exp(
                -(((frequency - tone) / 30) ** 2)
            )
            spectra += [
                {
                    "signal": signal,
                    "frequency_hz": f,
                    "psd": p,
                    "psd_unit": unit,
                    "red_noise_psd": r,
                    "peak_level_psd": 3 * r,
                }
                for f, p, r in zip(frequency, psd, red, strict=True)
            ]
        region = np.linspace(0, 2 * np.pi, 40, endpoint=False)
        ring = 0.35 * self.half[1] * np.stack([np.cos(region), np.sin(region)], axis=1)
        steady = (self.count // 10, self.count - self.count // 20)
        means = {
            "pool_length_mean_mm": float(frames["pool_length_mm"].mean()),
            "pool_width_mean_mm": float(frames["pool_width_mm"].mean()),
            "pool_length_cv": 0.043,
            "pool_length_cv_low": 0.039,
            "pool_length_cv_high": 0.048,
            "pool_width_cv": 0.021,
            "keyhole_brightness_mean": float(frames["keyhole_brightness"].mean()),
            "keyhole_brightness_cv": 0.058,
        }
        return ClipResult(
            name=name,
            frames=frames,
            spatter=SPATTER.frame(rows),
            spatter_rejected=SPATTER_REJECTED.frame(),
            tracks=TRACKS.frame(sightings),
            spectra=SPECTRA.frame(spectra),
            score=SCORE.frame(
                [
                    {
                        "clip": name,
                        "beam_shape": shape_name,
                        "replicate": "1",
                        "stability_index": index,
                        "stability_index_low": index - 5,
                        "stability_index_high": index + 4,
                        "frames_measured": int(ok[slice(*steady)].sum()),
                        "steady_start_s": steady[0] / self.rate,
                        "steady_end_s": steady[1] / self.rate,
                        "pool_length_peak_hz": 420.0,
                        "keyhole_brightness_peak_hz": 1130.0,
                        "spatter_count": len(rows),
                        "spatter_per_s": len(rows) / self.count * self.rate,
                        "spatter_min_diameter_mm": 0.04,
                        "flags": "no_material keyhole_saturated",
                        "record_rate_hz": self.rate,
                        "mm_per_px": self.mm,
                        "poolwatch_version": "0.1.0",
                        "settings_id": "0123456789abcdef",
                        **means,
                    }
                ]
            ),
            axes=self.axes,
            record_rate_hz=self.rate,
            full_scale=self.full,
            steady=steady,
            brightness_sample=np.stack(
                [self.frame(i) for i in range(3, self.count, max(1, self.count // 6))]
            ),
            outlines=self.outline,
            keyhole=self.axes.image(ring * self.axes.mm_per_px),
            run={
                "settings": {"pool": {"edge": "steepest"}, "index": {"weights": {"pool_length": 1.0}}},
                "versions": {"poolwatch": "0.1.0"},
                "warnings": ["keyhole_saturated"],
            },
        )


@pytest.fixture(scope="session")
def drawn():
    """Maker of drawn clips."""
    return DrawnClip


@pytest.fixture(scope="session")
def clip() -> DrawnClip:
    """An ordinary clip with two blown frames."""
    return DrawnClip(bad=(500, 501))
