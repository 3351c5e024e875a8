"""A scene: everything a simulation needs, in one frozen settings object."""

from __future__ import annotations

from typing import Literal, Self

from pydantic import Field, model_validator

from ..model.settings import Settings
from .disturbances import Disturbances
from .settings import Lighting, SceneCamera, SceneKeyhole, ScenePool, SceneSpatter


class Weld(Settings):
    """One weld within a clip.

    Attributes
    ----------
    start_s, stop_s
        When the beam goes on and off, s from frame 0.
    """

    start_s: float = Field(ge=-1e3)
    stop_s: float = Field(le=1e6)

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if self.stop_s <= self.start_s:
            raise ValueError(f"stop_s {self.stop_s} must be after start_s {self.start_s}")
        return self


class Scene(Settings):
    """A weld, a camera and a seed.

    Attributes
    ----------
    kind
        ``glowing``: the pool shines by itself; ``illuminated``: the metal is lit and the pool shines little.
    frames
        Frames to render.
    seed
        Seed of everything random.
    travel_speed_mm_s
        Welding speed, mm/s.
    welds
        Beam-on times; empty: on during the whole clip.
    ramp_s
        Time in which the pool grows after beam on and shrinks after beam off, s.
    camera, pool, keyhole, spatter, lighting, disturbances
        See their classes; `lighting` is for illuminated footage alone.
    """

    kind: Literal["glowing", "illuminated"] = "glowing"
    frames: int = Field(default=4000, ge=1, le=10_000_000)
    seed: int = Field(default=1, ge=0, le=2**63 - 1)
    travel_speed_mm_s: float = Field(default=100.0, gt=0, le=1e5)
    welds: tuple[Weld, ...] = ()
    ramp_s: float = Field(default=2e-3, ge=0)
    camera: SceneCamera = SceneCamera()
    pool: ScenePool = ScenePool()
    keyhole: SceneKeyhole = SceneKeyhole()
    spatter: SceneSpatter = SceneSpatter()
    lighting: Lighting = Lighting()
    disturbances: Disturbances = Disturbances()

    @model_validator(mode="after")
    def _frames_listed_exist(self) -> Self:
        for name in ("black_frames", "blown_frames", "repeated_frames", "dropped_before"):
            for frame in getattr(self.disturbances, name):
                if not 0 <= frame < self.frames or (frame == 0 and name[0] in "rd"):
                    raise ValueError(f"disturbances.{name}: frame {frame} is not among 0 … {self.frames - 1}")
        for before, after in zip(self.welds, self.welds[1:], strict=False):
            if after.start_s < before.stop_s:
                raise ValueError(
                    f"welds overlap: one ends at {before.stop_s} s, the next starts at {after.start_s} s"
                )
        return self
