"""The one border at which px become mm, grey values become brightness and frames become seconds."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..model.axes import PoolAxes
from ..model.recording import Recording
from ..model.tables import FRAMES
from ..pool import PoolLook
from ..pool.illuminated import IlluminatedLook
from ..pool.tail import NARROW
from .assembly import Gathered
from .look import ClipLook

if TYPE_CHECKING:
    import pandas as pd

    from ..spatter import SpatterLook

# A frame whose keyhole region has more than this share at full scale says nothing of its brightness; a clip with
# more than that share of such frames says nothing at all, for the bright ones are those that are missing.
_BLIND = 0.1
_BLIND_FRAMES = 0.05
# Share of the edge whose step is clipped from which the outline rests on the foot of the step.
EDGE_CLIPPED = 0.5
# A keyhole narrower than this many times the blur is diluted.
_SMALL = 3.0
# A keyhole that stands out of the pool by less than this share of the pool's brightness is hard to tell from it.
_FAINT = 1 / 3
# Share of pixels that brightness would take for the other kind, from which liquid and solid look alike.
_ALIKE = 0.15
# Particles whose point spread is below this share of what the pool's edge shows are sharper than the pool: on simulated
# clips the edge shows it within some per cent.
_SHARPER = 0.92
# Share of exact zeros around the pool from which black counts as cut off: half are there where it is cut in the middle
# of its noise, which does no harm.
BLACK_SHARE = 0.6


def axes_of(look: ClipLook, recording: Recording) -> PoolAxes:
    """Pool axes in the whole picture: origin at the keyhole's mean place."""
    left, top = look.region[:2]
    keyhole = look.pool.keyhole
    return recording.axes(keyhole.x + left, keyhole.y + top)


def frames_table(
    gathered: Gathered, look: ClipLook, axes: PoolAxes, rate_hz: float, full_scale: float
) -> pd.DataFrame:
    """The frames table, particles in view not yet filled in.

    Parameters
    ----------
    gathered
        Every frame's figures.
    look
        The first look.
    axes
        Pool axes.
    rate_hz
        Record rate, Hz.
    full_scale
        Grey value of brightness 1.
    """
    f = gathered.figures
    mm = axes.mm_per_px
    n = len(gathered.status)
    ok = gathered.status == "ok"
    keyhole = look.pool.keyhole
    beam_x = np.full(n, keyhole.x)
    beam_y = np.full(n, keyhole.y)
    if look.pool.moves:
        beam_x = beam_x + f["x"] - look.pool.x
        beam_y = beam_y + f["y"] - look.pool.y
    brightness = _keyhole_brightness(f, ok, full_scale)
    area = f["keyhole_area"] * mm**2
    if not keyhole.seen:
        # Nor have pool axes an origin then.
        brightness, area, beam_x, beam_y = (np.full(n, np.nan) for _ in range(4))
    (ux, uy), (vx, vy) = axes.matrix.tolist()
    along = beam_x * ux + beam_y * uy
    dx, dy = f["x"] - beam_x, f["y"] - beam_y
    power = np.where(ok, gathered.agitation, np.nan)
    return FRAMES.frame(
        {
            "frame": np.arange(n),
            "time_s": np.arange(n) / rate_hz,
            "status": gathered.status,
            "pool_length_mm": (f["front"] - f["rear"]) * mm,
            "pool_width_mm": (f["left"] - f["right"]) * mm,
            "pool_area_mm2": f["area"] * mm**2,
            "pool_front_mm": (f["front"] - along) * mm,
            "pool_rear_mm": (f["rear"] - along) * mm,
            "keyhole_brightness": brightness,
            "keyhole_area_mm2": area,
            "pool_centre_x_mm": (dx * ux + dy * uy) * mm,
            "pool_centre_y_mm": (dx * vx + dy * vy) * mm,
            "pool_brightness": f["brightness"] / full_scale,
            "agitation": np.sqrt(np.maximum(power, 0.0)),
            "agitation_power": power,
            "gain": np.where(ok, f["gain"], np.nan),
            "keyhole_saturated": f["keyhole_clipped"],
        }
    )


def _keyhole_brightness(
    figures: Mapping[str, NDArray[np.float64]], ok: NDArray[np.bool_], full_scale: float
) -> NDArray[np.float64]:
    """Mean brightness of the keyhole region; NaN where it is clipped, or everywhere where that is so too often."""
    brightness = figures["keyhole"] / full_scale
    blind = figures["keyhole_clipped"] > _BLIND
    brightness[blind] = np.nan
    if blind.sum() > _BLIND_FRAMES * max(ok.sum(), 1):
        brightness[:] = np.nan
    return brightness


def picture_flags(frames: pd.DataFrame, look: ClipLook, axes: PoolAxes) -> set[str]:
    """Flags about how the clip looks: brightness, saturation, size."""
    flags: set[str] = set()
    gain = frames["gain"].to_numpy(dtype=np.float64)
    known = gain[np.isfinite(gain)]
    if len(known) >= 20:
        tenth = max(len(known) // 10, 1)
        first, last = np.median(known[:tenth]), np.median(known[-tenth:])
        if abs(last - first) > 0.1 * max(first, last):
            flags.add("gain_drift")
        if np.std(np.diff(known)) / np.sqrt(2) > 0.02 * np.mean(known):
            flags.add("flicker")
    if look.pool.clipped > 0.3:
        flags.add("pool_saturated")
    clipped = frames["keyhole_saturated"].to_numpy(dtype=np.float64)
    emptied = frames["keyhole_brightness"].isna().all() and (clipped > _BLIND).any()
    if np.isfinite(clipped).any() and (np.nanmean(clipped) > 0.02 or emptied):
        flags.add("keyhole_saturated")
    if look.black_share > BLACK_SHARE:
        flags.add("black_cut_off")
    pool = look.pool
    if isinstance(pool, PoolLook) and pool.edge_clipped > EDGE_CLIPPED:
        flags.add("edge_saturated")
    if look.end_width < NARROW:
        flags.add("tail_narrow")
    if look.edges.unseen:
        flags.add("edge_unseen")
    if look.edges.faint and "tail_narrow" not in flags:
        flags.add("tail_faint")
    if not pool.keyhole.seen:
        flags.add("keyhole_unseen")
    if isinstance(pool, PoolLook) and pool.keyhole.seen and pool.keyhole.extent_px < _SMALL * pool.sigma:
        flags.add("keyhole_small")
    if (
        isinstance(pool, PoolLook)
        and pool.keyhole.seen
        and pool.keyhole.contrast < _FAINT
        and "keyhole_saturated" not in flags
    ):
        flags.add("keyhole_faint")
    if isinstance(pool, PoolLook) and _sharper(pool, look.spatter):
        flags.add("particles_sharp")
    if isinstance(pool, IlluminatedLook) and pool.evidence.alike > _ALIKE:
        flags.add("liquid_alike")
    width: NDArray[np.float64] = frames["pool_width_mm"].to_numpy(dtype=np.float64)
    if np.isfinite(width).any() and np.nanmedian(width) / axes.mm_per_px < 30:
        flags.add("pool_small")
    return flags


def _sharper(pool: PoolLook, spatter: SpatterLook | None) -> bool:
    """Whether the point spread that was found from particles is narrower than the pool's edge allows for."""
    if spatter is None or spatter.psf_source != "found" or pool.edge_clipped > EDGE_CLIPPED:
        return False
    # Compiled code comes with it, which loads while the clip is opened.
    from ..spatter.point_spread import lens_spread

    return spatter.psf_sigma_px < _SHARPER * lens_spread(pool.sigma)
