"""Terms that both the reference and the reports explain."""

from __future__ import annotations

TERMS = {
    "stability index": "0 to 100, higher is steadier. It is 100 times the weighted geometric mean of the "
    "desirabilities of its parts, so the worst parts count most. Weights and half-values are ours: no standard sets "
    "them. The idea is from Derringer & Suich, J. Quality Technology 12 (1980) 214.",
    "desirability": "How good one part of the index is, 0 bad to 1 good: 1 / (1 + x / half). x is the figure of the "
    "part, and half is the figure at which desirability is 0.5 (`poolwatch explain index-parts`). Columns `d_…`.",
    "interval": "95 %. For one clip it says how far the figure may be off because the clip is finite. It does not "
    "hold the scatter from weld to weld: that needs several welds of a shape, and `trial` and `rank` add it. "
    "An interval of an index often reaches further down than up. A short clip cannot exclude slow motion that it does "
    "not show, and more motion only lowers the index.",
    "peak": "A frequency at which a signal moves so much that it rises out of the red-noise background of its "
    "spectrum. Each bin is tested. The frequency is then fitted to the whole steady part, which is finer than a bin, "
    "so it may fall into the bin beside the highest one. Columns `…_peak_hz` hold the strongest.",
    "surface agitation": "How much the brightness pattern inside the pool changes in 0.5 ms "
    "(`pool.agitation_lag_s`), root mean square, as a share of the pool's brightness. It has no unit: 0 is a still "
    "surface, 0.1 a change by a tenth.",
    "keyhole collapse": "A drop of the keyhole's brightness far below its usual level "
    "(`poolwatch explain stability.collapse`). The interval of their rate is the exact one of a Poisson count "
    "(Garwood 1936): wide where there are few.",
}
"""Meaning of each term, in plain words."""
