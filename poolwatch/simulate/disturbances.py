"""What spoils a recording: settings, each with its strength; all off by default."""

from __future__ import annotations

from pydantic import Field

from ..model.settings import Settings


class Plume(Settings):
    """A soft cloud of glowing vapour above and behind the pool.

    Attributes
    ----------
    brightness
        Brightness of a puff at its best.
    size_mm
        Standard deviation of a young puff, mm; it doubles while it lives.
    puffs
        Puffs at a time.
    life_s
        Life of a puff, s.
    direction_deg
        Where it drifts, degrees from forward, counter-clockwise as seen.
    speed_mm_s
        How fast, mm/s.
    flicker_sd
        Relative standard deviation of its brightness.
    """

    brightness: float = Field(default=0.08, ge=0, le=10)
    size_mm: float = Field(default=0.3, gt=0)
    puffs: int = Field(default=5, ge=1, le=100)
    life_s: float = Field(default=3e-3, gt=0)
    direction_deg: float = Field(default=150.0, ge=-360, le=360)
    speed_mm_s: float = 500.0
    flicker_sd: float = Field(default=0.3, ge=0, lt=1)


class Trail(Settings):
    """The hot bead behind the tail.

    Attributes
    ----------
    share
        Brightness right behind the tail as a share of the pool's rim.
    fade_mm
        Distance in which it falls to 1/e, mm.
    width_share
        Half width, relative to the pool's width.
    """

    share: float = Field(default=0.4, ge=0, le=1)
    fade_mm: float = Field(default=1.5, gt=0)
    width_share: float = Field(default=0.3, gt=0, le=2)


class Spots(Settings):
    """Soft bright spots at random places of the picture that stay where they are (glare).

    Attributes
    ----------
    count
        How many.
    brightness
        Brightness in the middle.
    sigma_px
        Standard deviation, px.
    """

    count: int = Field(default=3, ge=0, le=1000)
    brightness: float = Field(default=0.5, ge=0, le=100)
    sigma_px: float = Field(default=2.5, gt=0)


class Marks(Settings):
    """Hot marks that the tail leaves in the bead and that travel with the metal.

    Attributes
    ----------
    rate_per_s
        How many a second.
    brightness
        Brightness when left.
    sigma_mm
        Standard deviation, mm.
    fade_s
        Time in which they fade to 1/e, s.
    """

    rate_per_s: float = Field(default=100.0, ge=0, le=1e5)
    brightness: float = Field(default=0.25, ge=0, le=10)
    sigma_mm: float = Field(default=0.06, gt=0)
    fade_s: float = Field(default=0.01, gt=0)


class Flares(Settings):
    """Flashes of the keyhole.

    Attributes
    ----------
    rate_per_s
        How many a second.
    factor
        Brightness of the keyhole at the height of a flash, relative.
    duration_s
        Whole duration, s.
    glow
        Brightness that a flash spreads over the surroundings.
    """

    rate_per_s: float = Field(default=50.0, ge=0, le=1e5)
    factor: float = Field(default=3.0, ge=1, le=100)
    duration_s: float = Field(default=4e-4, gt=0)
    glow: float = Field(default=0.1, ge=0, le=10)


class Reflection(Settings):
    """A faint second image of the pool from a window or clamp: a soft patch that flickers with the keyhole.

    Attributes
    ----------
    brightness
        Brightness in its middle.
    along_mm, left_mm
        Its place from the beam, mm.
    length_mm, width_mm
        Standard deviations along and across travel, mm.
    """

    brightness: float = Field(default=0.08, ge=0, le=10)
    along_mm: float = 1.0
    left_mm: float = 1.6
    length_mm: float = Field(default=0.4, gt=0)
    width_mm: float = Field(default=0.12, gt=0)


class Bars(Settings):
    """Grey bars at the left and right of the picture, as some cameras store them.

    Attributes
    ----------
    width_px
        Width of each, px.
    brightness
        Their grey value.
    """

    width_px: int = Field(default=32, ge=0)
    brightness: float = Field(default=0.12, ge=0, le=1)


class Disturbances(Settings):
    """All disturbances; a part that is None does not act.

    Attributes
    ----------
    flicker_sd
        Relative standard deviation of all light, white from frame to frame.
    gain_fall
        Share of all light that is lost from the first to the last frame, evenly.
    shake_px, shake_time_s
        Standard deviation of the camera's place in x and y, px, and its correlation time, s.
    drift_x_px, drift_y_px
        Even movement of the picture over the clip, px.
    black_frames, blown_frames, repeated_frames
        Numbers of stored frames that are black, far too bright, or the same picture as the one before.
    dropped_before
        Stored frames before which the camera lost one.
    black_share, blown_share, repeated_share, dropped_share
        The same at random, as a share of all frames.
    plume, trail, glare, marks, flares, reflection, bars
        See their classes.
    """

    flicker_sd: float = Field(default=0.0, ge=0, lt=0.5)
    gain_fall: float = Field(default=0.0, ge=0, lt=1)
    shake_px: float = Field(default=0.0, ge=0, le=100)
    shake_time_s: float = Field(default=2e-3, ge=0)
    drift_x_px: float = 0.0
    drift_y_px: float = 0.0
    black_frames: tuple[int, ...] = ()
    blown_frames: tuple[int, ...] = ()
    repeated_frames: tuple[int, ...] = ()
    dropped_before: tuple[int, ...] = ()
    black_share: float = Field(default=0.0, ge=0, le=1)
    blown_share: float = Field(default=0.0, ge=0, le=1)
    repeated_share: float = Field(default=0.0, ge=0, le=0.9)
    dropped_share: float = Field(default=0.0, ge=0, le=0.9)
    plume: Plume | None = None
    trail: Trail | None = None
    glare: Spots | None = None
    marks: Marks | None = None
    flares: Flares | None = None
    reflection: Reflection | None = None
    bars: Bars | None = None
