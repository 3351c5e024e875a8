"""The demo clips measured, beside what was put into them.

Run by hand: ``python tests/benchmarks/demo_truth.py``. One line a clip: particles counted and put in, median diameter
over the true one, point spread found (0.8 px is true) and how, keyhole fluctuation (raw, of the frames; ``_cv`` of the
score leaves drift out) and its correlation with the truth, CPU seconds that finding and fitting particles take.
"""

from __future__ import annotations

import time

import numpy as np
import pandas as pd

from poolwatch.clips import open_clip
from poolwatch.measure import MeasureSettings, measure_clip
from poolwatch.measure.look import look_at
from poolwatch.model.data import data_folder
from poolwatch.model.recording import Recording
from poolwatch.pool import find_pool
from poolwatch.spatter import detect

FACTS = {"record_rate_hz": 1e4, "mm_per_px": 0.03, "travel_speed_mm_s": 100.0, "exposure_s": 2e-5}


def detection_cpu_s(path, recording: Recording) -> tuple[float, float, str]:
    """CPU seconds of `detect` over the whole clip, and the point spread."""
    settings = MeasureSettings()
    with open_clip(path) as reader:
        look = look_at(reader, recording, settings)
        frames = np.concatenate([block.frames for block in reader.blocks()])
    outlines = [find_pool(f, look.pool, forward=look.along, settings=settings.pool).vertices for f in frames]
    detect(frames[:1], outlines[:1], look.spatter, settings.spatter)
    begun = time.process_time()
    detect(frames, outlines, look.spatter, settings.spatter)
    return time.process_time() - begun, look.spatter.psf_sigma_px, look.spatter.psf_source


def main() -> None:
    folder = data_folder("demo_clips")
    for row in pd.read_csv(folder / "manifest.csv").to_dict("records"):
        path = folder / row["clip"]
        truth = folder / "truth" / path.stem
        measured = measure_clip(path, **FACTS)
        particles, keyhole = measured.spatter, measured.frames["keyhole_brightness"].to_numpy()
        put_in = pd.read_csv(truth / "truth_spatter.csv")
        true = pd.read_csv(truth / "truth_frames.csv")["keyhole_brightness"].to_numpy()
        ok = np.isfinite(keyhole) & np.isfinite(true)
        cpu, spread, source = detection_cpu_s(path, Recording(**FACTS))
        print(
            f"{row['beam_shape']:12s} particles {len(particles):3d} of {len(put_in):3d}  diameter "
            f"{particles['diameter_mm'].median() / put_in['diameter_mm'].median() - 1:+.1%}  spread {spread:.2f} px "
            f"({source})  keyhole sd/mean {keyhole[ok].std() / keyhole[ok].mean():.2%} true "
            f"{true[ok].std() / true[ok].mean():.2%}, _cv {measured.score['keyhole_brightness_cv'].iloc[0]:.2%}, "
            f"correlation {np.corrcoef(keyhole[ok], true[ok])[0, 1]:.3f}  detection {cpu:.2f} s"
        )


if __name__ == "__main__":
    main()
