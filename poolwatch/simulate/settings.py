"""Settings of a simulated weld and of the camera that films it.

The weld is described in millimetres and seconds, so that the same weld can be filmed at another scale, depth,
rate or angle. Brightness is a fraction of full scale before gain and noise.
"""

from __future__ import annotations

import math
from typing import Literal, Self

from pydantic import Field, model_validator

from ..model.settings import Settings


class Tone(Settings):
    """A planted sinusoid.

    Attributes
    ----------
    frequency_hz
        Frequency, Hz.
    amplitude
        Amplitude relative to the mean of what it moves (sd is amplitude / sqrt(2)).
    phase_deg
        Phase of the sine at frame 0, degrees.
    """

    frequency_hz: float = Field(gt=0, le=1e7)
    amplitude: float = Field(ge=0, lt=1)
    phase_deg: float = Field(default=0.0, ge=-360, le=360)


class Modulation(Settings):
    """How a quantity moves about its mean: tones, red noise and drift, all relative to the mean.

    Attributes
    ----------
    tones
        Planted sinusoids.
    noise_sd
        Standard deviation of a first-order autoregressive (Ornstein-Uhlenbeck) noise, relative.
    noise_time_s
        Its correlation time, s; 0 = white from frame to frame.
    drift
        Straight change from the first to the last frame, relative; the mean stays in the middle of the clip.
    """

    tones: tuple[Tone, ...] = ()
    noise_sd: float = Field(default=0.0, ge=0, lt=0.5)
    noise_time_s: float = Field(default=1e-3, ge=0, le=100)
    drift: float = Field(default=0.0, gt=-1, lt=1)

    @property
    def fluctuation(self) -> float:
        """Standard deviation / mean of a long clip, drift left out: sqrt(sum a²/2 + sd²)."""
        return math.sqrt(sum(tone.amplitude**2 for tone in self.tones) / 2 + self.noise_sd**2)


class SceneCamera(Settings):
    """The camera: what it sees and how it spoils it.

    Attributes
    ----------
    width, height
        Frame size, px.
    rate_hz
        Record rate, Hz. A frame's time, frame / rate, is the middle of its exposure.
    mm_per_px
        Size of a pixel in the plane of the weld, mm.
    depth_bits
        Effective depth, 8 to 16 bits. Above 8 the frames are uint16.
    left_aligned
        Values stand in the upper bits of 16 (12 bits x 16, as some cameras store them).
    direction_deg
        Travel direction in the image, degrees counter-clockwise as seen, 0 = right.
    standing
        The camera stands and the pool crosses the view at the travel speed; False: it rides with the beam.
    beam_x_px, beam_y_px
        Place of the beam in the image (middle of the clip for a standing camera); None: such that the mean
        pool lies in the middle of the picture.
    exposure_s
        Exposure, s: moving particles are drawn as streaks.
    psf_sigma_px
        Standard deviation of the Gaussian point spread of lens and focus, px; 0 = none.
    read_noise
        Standard deviation of the noise in the dark, fraction of full scale.
    electrons_full_scale
        Electrons at full scale: shot-noise variance is brightness / electrons. 0 = no shot noise.
    black_level
        Offset added before quantisation, fraction of full scale; below 0 what is dimmer reads 0.
    gain
        Factor on all light.
    fixed_pattern
        Standard deviation of the pixels' fixed offsets, fraction of full scale.
    """

    width: int = Field(default=512, ge=16, le=8192)
    height: int = Field(default=256, ge=16, le=8192)
    rate_hz: float = Field(default=10_000.0, gt=0, le=1e8)
    mm_per_px: float = Field(default=0.02, gt=0, le=100)
    depth_bits: int = Field(default=8, ge=8, le=16)
    left_aligned: bool = False
    direction_deg: float = Field(default=0.0, ge=-360, le=360)
    standing: bool = False
    beam_x_px: float | None = None
    beam_y_px: float | None = None
    exposure_s: float = Field(default=4e-5, ge=0)
    psf_sigma_px: float = Field(default=0.9, ge=0, le=20)
    read_noise: float = Field(default=0.004, ge=0, lt=0.5)
    electrons_full_scale: float = Field(default=20_000.0, ge=0)
    black_level: float = Field(default=0.01, gt=-0.5, lt=0.5)
    gain: float = Field(default=1.0, gt=0, le=1000)
    fixed_pattern: float = Field(default=0.0, ge=0, lt=0.5)

    @model_validator(mode="after")
    def _exposure_fits(self) -> Self:
        if self.exposure_s > 1 / self.rate_hz * (1 + 1e-9):
            raise ValueError(
                f"exposure_s {self.exposure_s} is longer than a frame at {self.rate_hz} Hz ({1 / self.rate_hz:g} s)"
            )
        return self

    @property
    def grey_step(self) -> int:
        """Grey levels in the file per step of the effective depth."""
        return 1 << (16 - self.depth_bits) if self.left_aligned and self.depth_bits > 8 else 1

    @property
    def full_scale(self) -> int:
        """Grey value in the file that is brightness 1."""
        return ((1 << self.depth_bits) - 1) * self.grey_step


class ScenePool(Settings):
    """The pool: an egg to teardrop whose outline is known exactly (see `simulate.outline`).

    Attributes
    ----------
    length_mm, width_mm
        Mean extents along and across travel, mm.
    taper
        0 = ellipse; towards 1 the front is blunt and the tail long and thin.
    front_share
        Share of the mean length that lies ahead of the beam.
    length, width
        Motion of the extents. The front stays where it is: length moves the tail.
    front
        Motion of the front alone, relative to its mean distance from the beam (the tail follows it).
    sway
        Sideways swing of the tail, relative to the width: its mean is 0, so only tones and noise act.
    hot, rim
        Brightness near the keyhole and the value it falls to far from it.
    reach
        How far the hot part reaches, relative to length and width.
    background, halo
        Brightness of the cold plate, and of the hot solid beside the outline on top of that.
    ripple
        Relative strength (standard deviation) of waves running over the glowing surface.
    ripple_length_mm, ripple_hz
        Mean length, mm, and frequency, Hz, of those waves (and of those on an illuminated surface).
    """

    length_mm: float = Field(default=2.4, gt=0, le=1000)
    width_mm: float = Field(default=1.2, gt=0, le=1000)
    taper: float = Field(default=0.45, ge=0, le=0.95)
    front_share: float = Field(default=0.3, gt=0, lt=1)
    length: Modulation = Modulation()
    width: Modulation = Modulation()
    front: Modulation = Modulation()
    sway: Modulation = Modulation()
    hot: float = Field(default=0.75, ge=0, le=100)
    rim: float = Field(default=0.3, ge=0, le=100)
    reach: float = Field(default=0.25, gt=0, le=10)
    background: float = Field(default=0.01, ge=0, le=1)
    halo: float = Field(default=0.06, ge=0, le=1)
    ripple: float = Field(default=0.0, ge=0, lt=1)
    ripple_length_mm: float = Field(default=0.35, gt=0)
    ripple_hz: float = Field(default=900.0, ge=0)


class Lighting(Settings):
    """Illuminated footage: how metal and liquid look in the light from outside.

    Attributes
    ----------
    metal, liquid
        Mean brightness of the solid metal and of the liquid.
    texture
        Relative strength (standard deviation) of the plate's texture.
    ripple_marks
        Relative strength of the bead's ripple marks.
    gradient
        Relative change of the lighting over the width of the picture.
    waves
        Relative strength of waves on the liquid.
    memory_s
        Time in which the waves forget their phases, s.
    highlight
        Brightness of specular highlights, where waves are high.
    rim_shade
        Share of the liquid's brightness that is lost at the rim.
    """

    metal: float = Field(default=0.4, gt=0, le=1)
    liquid: float = Field(default=0.25, ge=0, le=1)
    texture: float = Field(default=0.15, ge=0, lt=1)
    ripple_marks: float = Field(default=0.25, ge=0, lt=1)
    gradient: float = Field(default=0.2, ge=0, lt=1)
    waves: float = Field(default=0.2, ge=0, lt=1)
    memory_s: float = Field(default=3e-4, gt=0)
    highlight: float = Field(default=0.5, ge=0, le=10)
    rim_shade: float = Field(default=0.45, ge=0, lt=1)


class SceneKeyhole(Settings):
    """The keyhole: one or more bright (or dark) spots at the beam.

    Attributes
    ----------
    brightness
        Mean brightness in the middle of a spot; below the pool's for a dark keyhole.
    diameter_mm
        Diameter at which the spot has faded to 1/e; its profile is exp(-(2 r / d)⁴).
    motion
        Motion of the brightness.
    spots_mm
        Places of the spots from the beam: (along travel, to the left), mm; none: no keyhole.
    collapses_per_s, collapse_times_s
        Poisson rate of collapses and collapses at stated times; a collapse is a raised-cosine dip.
    collapse_depth, collapse_s
        Share of the brightness that is lost at the bottom, and the whole duration, s.
    """

    brightness: float = Field(default=0.95, ge=0, le=100)
    diameter_mm: float = Field(default=0.36, gt=0)
    motion: Modulation = Modulation()
    spots_mm: tuple[tuple[float, float], ...] = ((0.0, 0.0),)
    collapses_per_s: float = Field(default=0.0, ge=0)
    collapse_times_s: tuple[float, ...] = ()
    collapse_depth: float = Field(default=0.6, ge=0, le=1)
    collapse_s: float = Field(default=8e-4, gt=0)


class SceneSpatter(Settings):
    """Particles thrown out of the pool.

    Attributes
    ----------
    rate_per_s
        Mean number per second of weld.
    burst_mean
        Mean number per burst (geometric); 1 = Poisson.
    origin
        ``rim``: a particle first shows where it leaves the outline; ``keyhole``: it is seen over the pool too.
    direction_deg, spread_deg
        Middle and half range of the flight directions, degrees from forward, counter-clockwise as seen.
    speed_mm_s, speed_sigma
        Median and log-standard-deviation of the speed in the image plane.
    diameter_mm, diameter_sigma
        Median and log-standard-deviation of the diameter.
    diameters_mm
        Graded diameters taken in turn instead; empty: log-normal.
    brightness
        Brightness of a disc when it leaves.
    fade_s
        Time in which the brightness falls to 1/e, s; 0 = never.
    drag_per_s
        Rate at which the velocity falls, 1/s.
    gravity_mm_s2
        Acceleration down the image, mm/s².
    landing_share, landing_mm
        Share that lands, and the mean distance flown; what has landed moves with the metal and fades fast.
    dark_share, dark_brightness
        Share of the particles that are darker than the rest, and their brightness: drops lit from behind or not at all.
    half_lit
        How far a disc's brightness changes toward the lamp and away from it, relative to its middle; 0 = even.
    shadow, shadow_deg, shadow_run
        Illuminated footage: share of the light that a particle's shadow takes, direction in which shadows fall
        (degrees from forward, counter-clockwise as seen; the lamp is on the other side), and how far a shadow is from
        its particle at most, relative to the distance flown, for particles rise differently.
    """

    rate_per_s: float = Field(default=0.0, ge=0, le=1e6)
    burst_mean: float = Field(default=1.0, ge=1, le=1000)
    origin: Literal["rim", "keyhole"] = "rim"
    direction_deg: float = Field(default=180.0, ge=-360, le=360)
    spread_deg: float = Field(default=180.0, ge=0, le=180)
    speed_mm_s: float = Field(default=1500.0, gt=0)
    speed_sigma: float = Field(default=0.35, ge=0, le=3)
    diameter_mm: float = Field(default=0.06, gt=0)
    diameter_sigma: float = Field(default=0.35, ge=0, le=3)
    diameters_mm: tuple[float, ...] = ()
    brightness: float = Field(default=0.7, gt=0, le=100)
    fade_s: float = Field(default=0.0, ge=0)
    drag_per_s: float = Field(default=0.0, ge=0)
    gravity_mm_s2: float = 0.0
    landing_share: float = Field(default=0.0, ge=0, le=1)
    landing_mm: float = Field(default=2.0, gt=0)
    dark_share: float = Field(default=0.0, ge=0, le=1)
    dark_brightness: float = Field(default=0.05, gt=0, le=100)
    half_lit: float = Field(default=0.0, ge=0, le=1)
    shadow: float = Field(default=0.0, ge=0, lt=1)
    shadow_deg: float = Field(default=120.0, ge=-360, le=360)
    shadow_run: float = Field(default=0.3, ge=0, le=10)
