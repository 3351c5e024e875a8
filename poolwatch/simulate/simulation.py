"""A scene rendered: frames on demand, and the truth about each of them."""

from __future__ import annotations

import math
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..model.errors import UsageError
from . import outline, particles, raster, sensor
from .glow import Glowing
from .illuminated import Illuminated
from .lights import Lights
from .raster import Image
from .scene import Scene
from .timeline import Timeline, collapse_times, forward, stream, timeline

if TYPE_CHECKING:
    import pandas as pd

# An overexposed frame: so much light that even the plate nears full scale.
BLOWN_GAIN, BLOWN_OFFSET = 40.0, 0.5


class Simulation:
    """Frames and truth of a scene.

    Only series and the list of particles are held; a frame is rendered when it is asked for, and is the same
    whatever range it is asked for in.

    Parameters
    ----------
    scene
        What to simulate.

    Examples
    --------
    >>> from poolwatch.simulate import Scene, SceneCamera, Simulation
    >>> sim = Simulation(Scene(frames=3, camera=SceneCamera(width=160, height=96)))
    >>> sim.frames(0, 3).shape
    (3, 96, 160)
    """

    def __init__(self, scene: Scene) -> None:
        self.scene = scene
        camera = scene.camera
        self._line: Timeline = timeline(scene)
        self._surface: Glowing | Illuminated = (
            Glowing(scene, self._line)
            if scene.kind == "glowing"
            else Illuminated(scene, self._line, camera.psf_sigma_px)
        )
        self._lights = Lights(scene, self._line)
        self._flying = particles.particles(scene, self._line)
        self._seen = particles.sightings(scene, self._line, self._flying)
        self._seen_from = np.searchsorted(self._seen.moment, np.arange(len(self._line.times_s) + 1))
        self._fine = raster.fineness(camera.psf_sigma_px)
        self._taps = raster.kernel(camera.psf_sigma_px, self._fine)
        self._pattern: Image = np.zeros((camera.height, camera.width), dtype=np.float32)
        if camera.fixed_pattern:
            rng = stream(scene.seed, "fixed_pattern")
            self._pattern += camera.fixed_pattern * rng.standard_normal(self._pattern.shape, dtype=np.float32)

    def __len__(self) -> int:
        return self.scene.frames

    def frames(self, start: int, stop: int) -> NDArray[np.uint8] | NDArray[np.uint16]:
        """Render frames ``start … stop - 1``.

        Returns
        -------
        array (n, height, width)
            uint8 at 8 bits, else uint16.

        Raises
        ------
        UsageError
            The range is outside the clip.
        """
        if not 0 <= start <= stop <= self.scene.frames:
            raise UsageError(
                f"frames {start} … {stop} are outside the simulated clip of {self.scene.frames}; ask within 0 … "
                f"{self.scene.frames}"
            )
        camera, line = self.scene.camera, self._line
        dtype = np.uint8 if camera.depth_bits == 8 else np.uint16
        out = np.empty((stop - start, camera.height, camera.width), dtype=dtype)
        for frame in range(start, stop):
            moment = int(line.source[frame])
            first = self._first_showing(frame)
            rng = stream(self.scene.seed, "noise", moment)
            gain, offset, light = float(line.gain[moment]), 0.0, None
            if line.black[first]:
                gain, light = 0.0, np.zeros((camera.height, camera.width), dtype=np.float32)
            elif line.blown[first]:
                gain, offset = gain * BLOWN_GAIN, BLOWN_OFFSET
            if light is None:
                light = self._light(moment)
            out[frame - start] = sensor.expose(light, camera, rng, self._pattern, gain=gain, offset=offset)
        return out

    def _first_showing(self, frame: int) -> int:
        """First stored frame that shows the same moment: a repeated frame repeats its faults too."""
        return int(np.searchsorted(self._line.source, self._line.source[frame]))

    def light(self, frame: int) -> Image:
        """Brightness before gain, noise and quantisation, fraction of full scale, shape (height, width)."""
        return self._light(int(self._line.source[frame]))

    def _light(self, moment: int) -> Image:
        line = self._line
        image = self._surface.solid(moment)
        if line.on[moment]:
            self._add_pool(image, moment)
        rows = range(self._seen_from[moment], self._seen_from[moment + 1])
        for row in rows if self.scene.kind == "illuminated" and self.scene.spatter.shadow else ():
            self._shade(image, row)
        for row in rows:
            patch, left, top = self._particle(row)
            self._blend(image, patch, left, top, self._lit(row, patch.shape, left, top))
        self._lights.add(image, moment)
        bars = self.scene.disturbances.bars
        if bars is not None and bars.width_px:
            image[:, : bars.width_px] = bars.brightness
            image[:, -bars.width_px :] = bars.brightness
        return image

    def _polygon(self, moment: int) -> NDArray[np.float64]:
        """Outline of a moment in image axes, (k, 2) x, y px."""
        line = self._line
        uv = outline.polygon(
            line.length[moment],
            line.width[moment],
            line.front[moment],
            line.sway[moment],
            self.scene.pool.taper,
        )
        ax, ay = forward(self.scene.camera.direction_deg)
        return np.stack(
            [
                line.beam_x[moment] + uv[:, 0] * ax + uv[:, 1] * ay,
                line.beam_y[moment] + uv[:, 0] * ay - uv[:, 1] * ax,
            ],
            axis=1,
        )

    def _add_pool(self, image: Image, moment: int) -> None:
        around = self._polygon(moment)
        pad = raster.margin(self.scene.camera.psf_sigma_px)
        left, top = (math.floor(low) - pad for low in around.min(axis=0))
        right, bottom = (math.ceil(high) + pad + 1 for high in around.max(axis=0))
        height, width = image.shape
        if right <= 0 or bottom <= 0 or left >= width or top >= height:
            return
        fine = self._fine
        covered = raster.coverage(
            (around[:, 0] + 0.5 - left) * fine, (around[:, 1] + 0.5 - top) * fine,
            (bottom - top) * fine, (right - left) * fine,
        )  # fmt: skip
        # The fields are smooth: half the fineness is enough for them, within the outline and a pixel round it.
        pad -= 1
        step = 2 if fine % 2 == 0 else 1
        inner = slice(pad * fine, -pad * fine or None)
        rows, columns = covered[inner, inner].shape
        excess = self._surface.excess(
            moment,
            rows // step,
            columns // step,
            left + pad - 0.5 + step / 2 / fine,
            top + pad - 0.5 + step / 2 / fine,
            step / fine,
        )
        covered[inner, inner] *= raster.stretched(excess, step)
        patch = raster.to_pixels(covered, self._taps, fine)
        onto, cut = _overlap(patch, left, top, image)
        image[onto] += patch[cut]

    def _particle(self, row: int, shift: tuple[float, float] = (0.0, 0.0)) -> tuple[Image, int, int]:
        """Coverage of one sighting, moved by so many px, at pixels, point spread included, and its upper left pixel."""
        seen, camera, fine = self._seen, self.scene.camera, self._fine
        radius = self._flying.diameter_mm[seen.particle[row]] / 2 / camera.mm_per_px
        pad = raster.margin(camera.psf_sigma_px) + radius
        dx, dy = shift
        x0, x1 = seen.x0[row] + dx, seen.x1[row] + dx
        y0, y1 = seen.y0[row] + dy, seen.y1[row] + dy
        left, top = math.floor(min(x0, x1) - pad), math.floor(min(y0, y1) - pad)
        right, bottom = math.ceil(max(x0, x1) + pad) + 1, math.ceil(max(y0, y1) + pad) + 1
        patch = raster.disc_streak(
            (x0 + 0.5 - left) * fine, (y0 + 0.5 - top) * fine, (x1 + 0.5 - left) * fine, (y1 + 0.5 - top) * fine,
            radius * fine, (bottom - top) * fine, (right - left) * fine,
        )  # fmt: skip
        pixels = raster.to_pixels(patch, self._taps, fine) * np.float32(seen.share[row])
        return pixels, left, top

    def _shade(self, image: Image, row: int) -> None:
        """Darken the metal where the shadow of one sighting falls, in place."""
        seen = self._seen
        time_s = float(seen.moment[row]) / self.scene.camera.rate_hz
        shift = particles.shadow_shift(self._flying, int(seen.particle[row]), time_s)
        patch, left, top = self._particle(row, shift)
        onto, cut = _overlap(patch, left, top, image)
        image[onto] *= 1 - np.float32(self.scene.spatter.shadow) * patch[cut]

    def _lit(self, row: int, shape: tuple[int, ...], left: int, top: int) -> Image:
        """Brightness of one sighting's disc at the pixels of its patch: more on the lamp's side."""
        seen, spatter, camera = self._seen, self.scene.spatter, self.scene.camera
        even = np.full(shape, seen.brightness[row], dtype=np.float32)
        if not spatter.half_lit:
            return even
        radius = self._flying.diameter_mm[seen.particle[row]] / 2 / camera.mm_per_px
        ax, ay = forward(camera.direction_deg + spatter.shadow_deg)
        # Of a streak the middle counts.
        height, width = shape
        x = left + np.arange(width) - (seen.x0[row] + seen.x1[row]) / 2
        y = top + np.arange(height) - (seen.y0[row] + seen.y1[row]) / 2
        toward = -(x[None, :] * ax + y[:, None] * ay) / max(radius, 0.5)
        lit: Image = even * (1 + spatter.half_lit * np.clip(toward, -1, 1)).astype(np.float32)
        return lit

    @staticmethod
    def _blend(image: Image, patch: Image, left: int, top: int, brightness: Image) -> None:
        """Put an opaque disc before what lies behind it."""
        onto, cut = _overlap(patch, left, top, image)
        behind = image[onto]
        behind += patch[cut] * (brightness[cut] - behind)

    def outline(self, frame: int) -> NDArray[np.float64]:
        """Exact outline of a frame in image axes, closed polygon of shape (k, 2): x, y px; empty without a pool."""
        moment = int(self._line.source[frame])
        if not self._line.on[moment]:
            return np.zeros((0, 2))
        return self._polygon(moment)

    @property
    def collapse_times_s(self) -> NDArray[np.float64]:
        """Middles of the keyhole's collapses, s, sorted."""
        return collapse_times(self.scene, float(self._line.times_s[-1]))

    @cached_property
    def truth_frames(self) -> pd.DataFrame:
        """One row a frame; see `poolwatch.simulate.truth.frames_table`."""
        from .truth import frames_table

        return frames_table(self.scene, self._line)

    @cached_property
    def truth_spatter(self) -> pd.DataFrame:
        """One row a particle; see `poolwatch.simulate.truth.spatter_table`."""
        from .truth import spatter_table

        return spatter_table(self.scene, self._line, self._flying, self.truth_sightings)

    @cached_property
    def truth_sightings(self) -> pd.DataFrame:
        """One row a particle and frame; see `poolwatch.simulate.truth.sightings_table`."""
        from .truth import sightings_table

        peaks = np.array(
            [
                self._particle(row)[0].max() * self._seen.brightness[row]
                for row in range(len(self._seen.moment))
            ]
        )
        return sightings_table(self.scene, self._line, self._flying, self._seen, peaks)


def _overlap(
    patch: Image, left: int, top: int, image: Image
) -> tuple[tuple[slice, slice], tuple[slice, slice]]:
    """The part of the image that a patch covers, and the part of the patch that covers it."""

    def along(start: int, count: int, limit: int) -> tuple[slice, slice]:
        low, high = min(max(start, 0), limit), max(min(start + count, limit), 0)
        return slice(low, high), slice(low - start, max(high, low) - start)

    (height, width), (rows, columns) = patch.shape, image.shape
    onto_rows, cut_rows = along(top, height, rows)
    onto_columns, cut_columns = along(left, width, columns)
    return (onto_rows, onto_columns), (cut_rows, cut_columns)
