"""Every bar of the spatter step, on simulated clips of several seeds and scales, beside trackpy on the same clips.

Run ``python tests/benchmarks/bench_spatter.py`` from the root of the checkout; ``--quick`` takes one seed each.
Metrics: Chenouard et al., Nature Methods 11 (2014) 281, doi:10.1038/nmeth.2808.
"""

from __future__ import annotations

import argparse
import logging
import sys
import time
import warnings
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from poolwatch.spatter import detect, smallest_diameter
from tests.accuracy.spatter_clips import (
    EVIL,
    GATE_PX,
    ORDINARY,
    STREAKS,
    Clip,
    errors,
    evil,
    measure,
    scene,
    tracks_of,
)
from tests.spatter.metrics import match

# Peak of a faint particle over the local noise, 8 bits: 4 x sqrt(read² + shot x ground) of full scale.
FAINT_SIGMAS = 4.0

CASES: dict[str, tuple[int, dict[str, Any], float, float]] = {
    "ordinary 50/s": (4000, {"spatter": {**ORDINARY, "rate_per_s": 50.0}}, 0.99, 0.99),
    "ordinary 300/s": (2500, {"spatter": ORDINARY}, 0.99, 0.99),
    "ordinary 300/s, 12 bit, blurred": (
        1500, {"spatter": ORDINARY, "camera": {"depth_bits": 12, "psf_sigma_px": 1.6}}, 0.99, 0.99,
    ),
    "ordinary 300/s, travel up, plume": (
        1500,
        {"spatter": ORDINARY, "camera": {"direction_deg": 90.0, "width": 320, "height": 384},
         "disturbances": {"plume": {}, "trail": {}, "flicker_sd": 0.01}},
        0.99, 0.99,
    ),
    "saturated 300/s": (1500, {"spatter": {**ORDINARY, "brightness": 2.0}}, 0.99, 0.99),
    "shower 1,500/s": (800, {"spatter": {**ORDINARY, "rate_per_s": 1500.0}}, 0.96, 0.97),
    "shower 3,000/s": (500, {"spatter": {**ORDINARY, "rate_per_s": 3000.0}}, 0.92, 0.95),
    "faint, 4 sigma": (1500, {"spatter": {**ORDINARY, "brightness": 0.05}}, 0.90, 0.97),
    "streaks": (1500, {"spatter": STREAKS, "camera": {"exposure_s": 9e-5}}, 0.93, 0.97),
}  # fmt: skip


def faint_brightness(found: Clip) -> float:
    """Surface brightness of a particle whose peak is `FAINT_SIGMAS` of the ground's noise, fraction of full scale."""
    look = found.look
    return FAINT_SIGMAS * float(look.noise(float(np.median(look.background)))) / look.full_scale


def beside(clip: Clip, frames: int, size: int, step: float) -> tuple[float, float, float, float, float]:
    """Recall, precision, alpha, beta and RMSE of trackpy, as a careful user would set it.

    The learned background is taken off and the pool cut out, as here; the feature size and the search range are
    chosen for the scene; of three mass limits the one with the best beta counts; tracks of 3 sightings and more
    that move by 3 px and more are kept.
    """
    import trackpy

    from poolwatch.spatter.paths import distance_outside

    logging.getLogger("trackpy").setLevel(logging.ERROR)
    background = clip.look.background
    noise = float(clip.look.noise(float(np.median(background))))
    rows = []
    for start in range(0, frames, 400):
        for k, frame in enumerate(clip.simulation.frames(start, min(frames, start + 400)), start):
            picture = np.clip(frame - background, 0, None)
            spots = trackpy.locate(picture, size, minmass=3 * size * noise, threshold=2 * noise)
            outline = np.ascontiguousarray(clip.simulation.outline(k))
            rows += [
                (k, s.x, s.y, s.mass) for s in spots.itertuples() if distance_outside(outline, s.x, s.y) > 5
            ]
    table = pd.DataFrame(rows, columns=["frame", "x", "y", "mass"])
    truth = clip.simulation.truth_sightings
    true = tracks_of(truth[truth["visible"] > 0])
    names = list(true)
    best = (0.0, 1.0, 0.0, 0.0, 0.0)
    for factor in (3, 8, 25):
        bright = table[table["mass"] > factor * size * noise].reset_index(drop=True)
        if bright.empty:
            continue
        for reach in (step, 0.5 * step, 0.25 * step):
            try:
                linked = trackpy.predict.NearestVelocityPredict().link_df(bright, reach, memory=2)
                break
            except trackpy.SubnetOversizeException:
                continue
        else:
            continue
        linked = linked.rename(columns={"x": "x_px", "y": "y_px"})
        group = linked.groupby("particle")
        moved = np.hypot(group["x_px"].transform(np.ptp), group["y_px"].transform(np.ptp))
        linked = linked[(group["frame"].transform("size") >= 3) & (moved >= 3)]
        mine = tracks_of(linked)
        metrics, _ = match(list(mine.values()), [true[p] for p in clip.wanted], GATE_PX)
        every, pairs = match(list(mine.values()), list(true.values()), GATE_PX)
        got = {names[i] for i in pairs.values()}
        recall = len(got & set(clip.wanted)) / max(len(clip.wanted), 1)
        if metrics.beta >= best[3]:
            best = (recall, every.precision, metrics.alpha, metrics.beta, metrics.rmse)
    return best


def line(name: str, *cells: str) -> None:
    print(f"{name:34s}", *(f"{c:>9s}" for c in cells), flush=True)


def bars(seeds: list[int], *, outsider: bool) -> None:
    line("scene", "wanted", "recall", "(bar)", "precis.", "(bar)", "alpha", "beta", "JSC", "RMSE", "d bias", "d spread",
         "v bias", "v spread", "mass", "ms/frame")  # fmt: skip
    pooled = []
    for name, (frames, changes, recall_bar, precision_bar) in CASES.items():
        results, tables, outside = [], [], []
        for seed in seeds:
            values = {k: dict(v) if isinstance(v, dict) else v for k, v in changes.items()}
            if "faint" in name:
                calm = measure(scene(frames=60, seed=seed))
                level = float(np.median(calm.look.background)) / calm.look.full_scale
                values["spatter"]["brightness"] = level + faint_brightness(calm)
            found = measure(scene(frames=frames, seed=seed, **values))
            results.append(found)
            tables.append(errors(found))
            if outsider and seed == seeds[0]:
                size, step = (21, 55.0) if name == "streaks" else (9, 25.0)
                outside.append(beside(found, frames, size, step))
        table = pd.concat(tables)
        pooled.append(table)
        wanted = sum(len(r.wanted) for r in results)
        count = sum(len(r.pairs) for r in results)
        everything = sum(len(r.spatter.particles) for r in results)
        recall = sum(r.metrics.recall * len(r.wanted) for r in results) / max(wanted, 1)
        mean = [
            float(np.mean([getattr(r.metrics, n) for r in results])) for n in ("alpha", "beta", "jsc", "rmse")
        ]
        z_d = (table.diameter - table.diameter_true) / table.diameter_u
        z_v = (table.speed - table.speed_true) / table.speed_u
        frame_block = results[0].simulation.frames(0, min(frames, 200))
        around = [results[0].simulation.outline(k) for k in range(len(frame_block))]
        start = time.perf_counter()
        detect(frame_block, around, results[0].look)
        cost = (time.perf_counter() - start) / len(frame_block) * 1e3
        line(
            name, str(wanted), f"{recall:.3f}", f"{recall_bar:.2f}", f"{count / max(everything, 1):.3f}", f"{precision_bar:.2f}",
            *(f"{m:.3f}" for m in mean), f"{np.median(table.diameter / table.diameter_true) - 1:+.4f}", f"{z_d.std():.2f}",
            f"{np.median(table.speed / table.speed_true) - 1:+.5f}", f"{z_v.std():.2f}",
            f"{(table.diameter**3).sum() / (table.diameter_true**3).sum():.3f}", f"{cost:.2f}",
        )  # fmt: skip
        for r, p, a, b, e in outside:
            line(
                "  trackpy, first seed",
                "",
                f"{r:.3f}",
                "",
                f"{p:.3f}",
                "",
                f"{a:.3f}",
                f"{b:.3f}",
                "",
                f"{e:.3f}",
            )
    table = pd.concat(pooled)
    for low, high in ((0, 3), (3, 5), (5, 9), (9, 15), (15, 40)):
        part = table[(table.diameter_true >= low) & (table.diameter_true < high)]
        if len(part):
            z = (part.diameter - part.diameter_true) / part.diameter_u
            line(f"diameter {low} to {high} px", str(len(part)), f"bias {np.median(part.diameter / part.diameter_true) - 1:+.4f}",
                 f"z {z.mean():+.2f}±{z.std():.2f}")  # fmt: skip
    # One clip's particles share the error of its point spread, so few clips scatter less than their uncertainty says.
    z_d = (table.diameter - table.diameter_true) / table.diameter_u
    z_v = (table.speed - table.speed_true) / table.speed_u
    line("all scenes", str(len(table)), f"d {z_d.std():.2f}", f"v {z_v.std():.2f}")


def nothing(frames: int) -> None:
    print("\nno particle at all: false particles and what was rejected")
    for kind in range(len(EVIL) + 1):
        found = measure(evil(kind, frames=frames, seed=700 + kind))
        reasons = dict(found.spatter.rejected["reason"].value_counts())
        line(f"  scene {kind}, {frames} frames", str(len(found.spatter.particles)), str(reasons))


def smallest() -> None:
    print(
        "\nsmallest diameter: size at which half of the particles are counted, over the figure given (bar 0.85 to 1.15)"
    )
    for seed, camera in (
        (801, {}),
        (802, {"read_noise": 0.02}),
        (803, {"psf_sigma_px": 1.6, "depth_bits": 12}),
    ):
        spatter = {**ORDINARY, "rate_per_s": 600.0}
        clip = measure(scene(frames=300, seed=seed, camera=camera, spatter=spatter))
        size = smallest_diameter(clip.sample, clip.sample_outlines, clip.look)
        shares = []
        for factor in (0.7, 0.85, 1.0, 1.15, 1.3):
            graded = {**spatter, "rate_per_s": 1500.0, "diameters_mm": (size * factor * 0.02,)}
            other = measure(scene(frames=300, seed=seed + 50, camera=camera, spatter=graded))
            shares.append(len(set(other.pairs.values()) & set(other.wanted)) / max(len(other.wanted), 1))
        half = float(np.interp(0.5, shares, (0.7, 0.85, 1.0, 1.15, 1.3)))
        line(f"  {size:.2f} px", f"{half:.2f}", str([round(s, 2) for s in shares]))


def beads() -> None:
    """Real pictures without labels: both find and link the bright bead centres."""
    folder = Path(__file__).resolve().parents[3] / "shared" / "real" / "beads"
    if not folder.is_dir():
        print("\nbeads: the folder with real recordings is not beside this checkout")
        return
    import cv2
    import trackpy

    from poolwatch.spatter import SpatterSettings, learn, link

    frames = np.array([cv2.imread(str(p), cv2.IMREAD_UNCHANGED) for p in sorted(folder.glob("*.png"))])
    settings = SpatterSettings(
        background="even", detection_level=10, psf_sigma_px=1.5, max_diameter_px=20, max_step_px=12
    )
    look = learn(frames, full_scale=255, settings=settings)
    start = time.perf_counter()
    seen = detect(frames, None, look, settings)
    tracks = link(seen, np.ones(len(frames), dtype=bool), frames.shape[1:], settings)
    own = time.perf_counter() - start
    start = time.perf_counter()
    spots = trackpy.batch(frames, 11, minmass=900, processes=1)
    linked = trackpy.link(spots, 5, memory=3)
    theirs = time.perf_counter() - start
    wide = trackpy.batch(frames, 21, minmass=900, processes=1)
    near, off = [], []
    for k in range(len(frames)):
        a, b = seen[seen["frame"] == k], spots[spots["frame"] == k]
        if len(a) and len(b):
            off += _off_the_ring(frames[k], a, b, wide[wide["frame"] == k])
            d = np.hypot(a["x"][:, None] - b["x"].to_numpy(), a["y"][:, None] - b["y"].to_numpy())
            near.append(
                (
                    (d.min(axis=0) < 2).mean(),
                    (d.min(axis=1) < 2).mean(),
                    np.median(d.min(axis=0)[d.min(axis=0) < 2]),
                )
            )
    share = np.mean(near, axis=0)
    print(f"\nbeads: {len(seen) / len(frames):.1f} sightings a frame in {len(tracks)} tracks, {own:.2f} s; "
          f"trackpy {len(spots) / len(frames):.1f} in {linked['particle'].nunique()}, {theirs:.2f} s; "
          f"of trackpy's {share[0]:.2f} are found here, of these {share[1]:.2f} there, {share[2]:.2f} px apart")  # fmt: skip
    own, small, large = np.median(np.array(off), axis=0)
    print(f"  from the middle of the dark ring: {own:.2f} px here; trackpy {small:.2f} px with a window of 11 px, "
          f"{large:.2f} px with one of 21: the beads are lit from the side, and a centroid follows the brighter half")  # fmt: skip


def _off_the_ring(
    frame: np.ndarray, own: np.ndarray, small: pd.DataFrame, large: pd.DataFrame
) -> list[tuple[float, float, float]]:
    """How far each bead's place lies from the middle of its dark ring, a circle fitted by darkness, px."""
    reach, ground, out = 18, float(np.median(frame)), []
    rows, cols = np.mgrid[: 2 * reach + 1, : 2 * reach + 1].astype(float)
    for one in small.itertuples():
        x, y = round(one.x), round(one.y)
        part = frame[y - reach : y + reach + 1, x - reach : x + reach + 1].astype(float)
        d = np.hypot(own["x"] - one.x, own["y"] - one.y)
        if part.shape != rows.shape or d.min() > 2:
            continue
        dark = np.maximum(ground - 10 - part, 0.0) * (np.hypot(cols - reach, rows - reach) < 16)
        w = np.sqrt(dark.ravel())
        a = np.column_stack([cols.ravel(), rows.ravel(), np.ones(w.size)]) * w[:, None]
        (u, v, _), *_ = np.linalg.lstsq(a, (cols**2 + rows**2).ravel() * w, rcond=None)
        u, v = u / 2 + x - reach, v / 2 + y - reach
        i = int(d.argmin())
        out.append(
            (
                float(np.hypot(own["x"][i] - u, own["y"][i] - v)),
                float(np.hypot(one.x - u, one.y - v)),
                float(np.hypot(large["x"] - u, large["y"] - v).min()) if len(large) else np.nan,
            )
        )
    return out


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument(
        "--quick", action="store_true", help="one seed a scene, short clips without particles"
    )
    parser.add_argument("--no-trackpy", action="store_true")
    chosen = parser.parse_args()
    warnings.filterwarnings("ignore", module="trackpy")
    bars([501] if chosen.quick else [501, 502, 503], outsider=not chosen.no_trackpy)
    nothing(1000 if chosen.quick else 5000)
    smallest()
    if not chosen.no_trackpy:
        beads()


if __name__ == "__main__":
    main()
