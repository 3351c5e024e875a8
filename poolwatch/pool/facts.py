"""What the kernels of a glowing frame are told of the clip."""

from __future__ import annotations

from typing import NamedTuple

from .look import PoolLook
from .matching import StepTables, step_tables
from .settings import PoolSettings


class OutlineFacts(NamedTuple):
    """Parts of `PoolLook` and `PoolSettings`, and the axes, in types that Numba takes; see there."""

    background: float
    low: float
    reference: float
    top: float
    fraction: float
    noise: float
    area_px: float
    size_px: float
    x: float
    y: float
    moves: bool
    neck: float
    reach: int
    tables: StepTables
    step: float
    clipped: float
    full_scale: float
    least_area: float
    hidden_share: float
    vertices: int
    forward: tuple[float, float]
    across: tuple[float, float]
    keyhole: tuple[float, float, float, float, float, float]


def facts_of(
    look: PoolLook, forward: tuple[float, float], across: tuple[float, float], settings: PoolSettings
) -> OutlineFacts:
    """The facts of a clip; arguments as for `find_pools`."""
    return OutlineFacts(
        background=float(look.background),
        low=float(look.low),
        reference=float(look.reference),
        top=float(look.top),
        fraction=float(look.fraction),
        noise=float(look.noise),
        area_px=float(look.area_px),
        size_px=float(look.size_px),
        x=float(look.x),
        y=float(look.y),
        moves=bool(look.moves),
        neck=float(look.neck),
        reach=int(look.reach),
        tables=step_tables(float(look.sigma), float(look.size_px)),
        step=float(look.step),
        clipped=float(look.clipped),
        full_scale=float(look.full_scale),
        least_area=float(max(0.2 * look.area_px, settings.smallest_area_px)),
        hidden_share=float(settings.hidden_share),
        vertices=int(settings.vertices),
        forward=(float(forward[0]), float(forward[1])),
        across=(float(across[0]), float(across[1])),
        keyhole=look.keyhole.region,
    )
