"""How much of a pool's fluctuation illuminated footage shows, by frequency: python tests/benchmarks/bench_illuminated.py.

For each scene, length and width: the gain in bands of frequency (1: all of it), the slope of the measured figure on the
true one, the mean error where the pool is shortest and where it is longest (a sixth of the frames each; what dampens
shows the short ones longer), and the relative fluctuation in truth and as measured. ``--seeds 3`` takes more seeds.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.accuracy.test_pool_illuminated import measured

BANDS_HZ = ((0, 200), (200, 600), (600, 1200), (1200, 2500))
# Seed, mm per pixel, width and height in px, travel in mm/s, tones of length and width in Hz, record rate, standing.
SCENES = (
    (901, 0.02, 208, 150, 80, 120, 100, 1e4, False),
    (902, 0.016, 250, 190, 60, 120, 100, 1e4, False),
    (903, 0.02, 208, 150, 80, 800, 900, 1e4, False),
    (904, 0.02, 208, 150, 20, 300, 500, 1e4, False),
    (905, 0.02, 208, 150, 60, 300, 200, 5e3, False),
    (906, 0.02, 208, 150, 40, 450, 300, 5e3, False),
    (907, 0.02, 208, 150, 120, 300, 500, 2e4, False),
    (908, 0.026, 300, 110, 100, 300, 500, 1e4, True),
    (909, 0.026, 200, 110, 40, 500, 300, 5e3, True),
)


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--seeds", type=int, default=1, help="seeds a scene")
    options.add_argument("--frames", type=int, default=400)
    given = options.parse_args()
    bands = ", ".join(f"{a}-{b} Hz" for a, b in BANDS_HZ)
    print(
        f"seed  rate, camera     figure  gain in {bands}; slope; error when short, when long, px; cv true, measured"
    )
    for seed, mm, width, height, speed, tone_length, tone_width, rate, standing in SCENES:
        pool = {
            "length": {"tones": [{"frequency_hz": tone_length, "amplitude": 0.04}], "noise_sd": 0.02},
            "width": {"tones": [{"frequency_hz": tone_width, "amplitude": 0.03}], "noise_sd": 0.02},
            "sway": {"noise_sd": 0.01},
        }
        camera = {"width": width, "height": height, "mm_per_px": mm, "rate_hz": rate, "standing": standing}
        for k in range(given.seeds):
            sim, ok, along, across = measured(
                given.frames, seed=seed + 1000 * k, travel_speed_mm_s=speed, pool=pool, camera=camera
            )
            for name, error in (("length", along), ("width", across)):
                true = sim.truth_frames[f"{name}_px"].to_numpy()[ok]
                place = f"{seed + 1000 * k}  {rate / 1e3:g} kHz {'standing' if standing else 'riding':8s}"
                print(f"{place}  {name:6s}  {words(true, error[ok], rate)}", flush=True)


def words(true: np.ndarray, error: np.ndarray, rate_hz: float) -> str:
    """What is said of one figure of one scene; both of shape (frames,), px."""
    seen = true + error
    x, y = np.fft.rfft(true - true.mean()), np.fft.rfft(seen - seen.mean())
    hz = np.fft.rfftfreq(len(true), 1 / rate_hz)
    bands = [(hz >= a) & (hz < b) for a, b in BANDS_HZ]
    gains = [abs((y * x.conj())[band].sum() / (abs(x[band]) ** 2).sum()) for band in bands]
    short, long = true <= np.quantile(true, 1 / 6), true >= np.quantile(true, 5 / 6)
    return (
        "  ".join(f"{gain:.2f}" for gain in gains)
        + f"; {np.polyfit(true, seen, 1)[0]:.3f}; {error[short].mean():+.2f}, {error[long].mean():+.2f}"
        + f"; {true.std() / true.mean():.4f}, {seen.std() / seen.mean():.4f}"
    )


if __name__ == "__main__":
    main()
