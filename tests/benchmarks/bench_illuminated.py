"""How much of a pool's fluctuation illuminated footage shows, by frequency: python tests/benchmarks/bench_illuminated.py.

For three scenes, length and width: the gain in bands of frequency (1: all of it), the relative fluctuation in truth and
as measured.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.accuracy.test_pool_illuminated import measured

BANDS_HZ = ((0, 200), (200, 600), (600, 1200), (1200, 2500))
RATE_HZ = 1e4
# Seed, mm per pixel, width and height in px, travel in mm/s, tones of length and width in Hz.
SCENES = (
    (901, 0.02, 208, 150, 80, 120, 100),
    (902, 0.016, 250, 190, 60, 120, 100),
    (903, 0.02, 208, 150, 80, 800, 900),
)


def main() -> None:
    print("seed  figure  gain in " + ", ".join(f"{a}-{b} Hz" for a, b in BANDS_HZ) + "; cv true, measured")
    for seed, mm, width, height, speed, tone_length, tone_width in SCENES:
        pool = {
            "length": {"tones": [{"frequency_hz": tone_length, "amplitude": 0.04}], "noise_sd": 0.02},
            "width": {"tones": [{"frequency_hz": tone_width, "amplitude": 0.03}], "noise_sd": 0.02},
            "sway": {"noise_sd": 0.01},
        }
        camera = {"width": width, "height": height, "mm_per_px": mm}
        sim, ok, along, across = measured(400, seed=seed, travel_speed_mm_s=speed, pool=pool, camera=camera)
        for name, error in (("length", along), ("width", across)):
            true = sim.truth_frames[f"{name}_px"].to_numpy()[ok]
            seen = true + error[ok]
            x, y = np.fft.rfft(true - true.mean()), np.fft.rfft(seen - seen.mean())
            hz = np.fft.rfftfreq(len(true), 1 / RATE_HZ)
            bands = [(hz >= a) & (hz < b) for a, b in BANDS_HZ]
            gains = [abs((y * x.conj())[band].sum() / (abs(x[band]) ** 2).sum()) for band in bands]
            words = "  ".join(f"{gain:.2f}" for gain in gains)
            print(
                f"{seed}  {name:6s}  {words}; {true.std() / true.mean():.4f}, {seen.std() / seen.mean():.4f}"
            )


if __name__ == "__main__":
    main()
