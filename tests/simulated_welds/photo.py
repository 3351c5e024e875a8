"""Draws the photo of a finished weld, with exact truth: edges, ripple spacing, particles on the sheet."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from poolwatch.model.files import written_whole

from .clutter import add_clutter, add_marks, deposit_tones, hidden_by_clutter
from .scene import WeldScene

Floats = NDArray[np.float64]
Image = NDArray[np.float32]
_LUMA = np.array([0.299, 0.587, 0.114])


@dataclass(frozen=True)
class WeldTruth:
    """What a drawn photo shows, exactly. Places along and across the weld are px from its middle, in the sheet's plane.

    Attributes
    ----------
    along
        Shape (n,): places along the weld, one px apart.
    left, right
        Shape (n,): where the edges lie across, positive to the left of the weld's direction.
    crests
        Places along the middle of the bead at which ripples crest; empty for a smooth bead.
    ripple_order
        exp(-2 π² q²) of the relative scatter q of single spacings; NaN for a smooth bead.
    deposits
        Shape (k, 3): along, across, diameter; those that something covers are left out.
    to_picture
        Shape (3, 3): (along, across, 1) px to the picture's (x, y, 1) px, up to a factor.
    mm_per_px
        Size of a px along and across.
    """

    along: Floats
    left: Floats
    right: Floats
    crests: Floats
    ripple_order: float
    deposits: Floats
    to_picture: Floats
    mm_per_px: float

    def spacing(self, first: float, last: float) -> float:
        """Mean spacing of the ripples between two places along, px; NaN for a smooth bead."""
        inside = self.crests[(self.crests >= first) & (self.crests <= last)]
        return float(np.mean(np.diff(inside))) if len(inside) > 1 else math.nan


@dataclass(frozen=True)
class WeldPhoto:
    """A drawn photo: 8-bit picture, shape (height, width, 3) blue-green-red or (height, width), and its truth."""

    picture: NDArray[np.uint8]
    truth: WeldTruth


def draw_weld(scene: WeldScene) -> WeldPhoto:
    """Draw a scene; JPEG loss comes with `write_weld`."""
    rng = np.random.default_rng([scene.seed, 11])
    to_picture = _to_picture(scene)
    along, across = _weld_places(scene, np.asarray(np.linalg.inv(to_picture), dtype=np.float64))
    s, left, right, marks = _edges(scene, rng)
    light = _sheet(scene, rng, along, across, left, right, s)
    deposits = deposit_tones(scene, rng, light, along, across, (s, left, right))
    add_marks(scene, rng, light, along, across)
    _lay_bead(scene, rng, light, along, across, (s, left, right), marks)
    boxes = add_clutter(scene, rng, light, along, across)
    if len(deposits):
        deposits = deposits[~hidden_by_clutter(scene, deposits, to_picture, boxes)]
    order = math.exp(-2 * math.pi**2 * scene.bead.ripple_scatter**2)
    truth = WeldTruth(
        s, left, right, marks, order if len(marks) > 1 else math.nan, deposits, to_picture, scene.mm_per_px
    )
    return WeldPhoto(_expose(scene, rng, light), truth)


def write_weld(scene: WeldScene, path: str | Path) -> WeldTruth:
    """Draw a scene into a JPEG or PNG file, by the ending; the JPEG quality is the scene's.

    Raises
    ------
    OutputError
        The place cannot be written.
    """
    photo = draw_weld(scene)
    path = Path(path)
    with written_whole(path) as beside:
        options = [cv2.IMWRITE_JPEG_QUALITY, scene.camera.jpeg or 100]
        data = cv2.imencode(path.suffix, photo.picture, options if path.suffix.startswith(".j") else [])[1]
        beside.write_bytes(data.tobytes())
    return photo.truth


def _to_picture(scene: WeldScene) -> Floats:
    """Turn, then tilt about the middle of the picture as a pinhole sees it from three picture widths away."""
    width, height = scene.width_px, scene.height_px
    angle = math.radians(scene.direction_deg)
    c, s = math.cos(angle), math.sin(angle)
    centre_x, centre_y = scene.centre
    x0, y0 = centre_x * width - width / 2, centre_y * height - height / 2
    turn = np.array([[c, -s, x0], [-s, -c, y0], [0, 0, 1]])
    tilt, axis = math.radians(scene.camera.tilt_deg), math.radians(scene.camera.tilt_axis_deg)
    to_axis = np.array([[math.cos(axis), -math.sin(axis), 0], [math.sin(axis), math.cos(axis), 0], [0, 0, 1]])
    far = 3.0 * max(width, height)
    lean = np.array([[1, 0, 0], [0, math.cos(tilt), 0], [0, math.sin(tilt) / far, 1]])
    shift = np.array([[1, 0, (width - 1) / 2], [0, 1, (height - 1) / 2], [0, 0, 1]])
    return np.asarray(shift @ to_axis.T @ lean @ to_axis @ turn)


def _weld_places(scene: WeldScene, back: Floats) -> tuple[Image, Image]:
    """Place along and across the weld of every pixel."""
    x = np.arange(scene.width_px)[None, :]
    y = np.arange(scene.height_px)[:, None]
    w = back[2, 0] * x + back[2, 1] * y + back[2, 2]
    along = (back[0, 0] * x + back[0, 1] * y + back[0, 2]) / w
    across = (back[1, 0] * x + back[1, 1] * y + back[1, 2]) / w
    return along.astype(np.float32), across.astype(np.float32)


def wavy(rng: np.random.Generator, count: int, wavelength: float, *, slowest: float = math.inf) -> Floats:
    """Random series of standard deviation 1: even power down to `wavelength`, fading above; nothing below `slowest`."""
    size = 2 * count
    k = np.fft.rfftfreq(size)
    shape = 1 / (1 + (k * wavelength) ** 4) * np.exp(-((k * 5) ** 2)) * (k > 1 / slowest)
    spectrum = shape * (rng.standard_normal(len(k)) + 1j * rng.standard_normal(len(k)))
    spectrum[0] = 0
    series = np.fft.irfft(spectrum, size)[:count]
    return np.asarray(series / max(float(np.std(series)), 1e-12))


def _edges(scene: WeldScene, rng: np.random.Generator) -> tuple[Floats, Floats, Floats, Floats]:
    """Places along, the two edges there, and where the ripples' crests are."""
    bead = scene.bead
    half = math.ceil(bead.length / 2) + 2
    s = np.arange(-half, half + 1, dtype=np.float64)
    centre = bead.undulation * np.sin(
        2 * np.pi * s / (rng.uniform(0.6, 1.5) * bead.length) + rng.uniform(0, 6.28)
    )
    wide = bead.width * (1 + 0.03 * np.sin(2 * np.pi * s / (0.7 * bead.length) + rng.uniform(0, 6.28)))
    left = (
        centre + wide / 2 + bead.edge_rms * wavy(rng, len(s), bead.edge_wavelength, slowest=bead.length / 3)
    )
    right = (
        centre - wide / 2 + bead.edge_rms * wavy(rng, len(s), bead.edge_wavelength, slowest=bead.length / 3)
    )
    crests = np.empty(0)
    if bead.ripple_spacing:
        count = int(2 * (half + bead.width) / bead.ripple_spacing) + 2
        steps = bead.ripple_spacing * np.maximum(1 + bead.ripple_scatter * rng.standard_normal(count), 0.2)
        crests = -half - bead.width + np.cumsum(steps)
    return s, left, right, crests


def grain(rng: np.random.Generator, shape: tuple[int, ...], size: float) -> Image:
    """Noise of standard deviation 1 with a correlation length."""
    field = cv2.GaussianBlur(rng.standard_normal(shape, dtype=np.float32), (0, 0), size)
    return np.asarray(field / field.std(), dtype=np.float32)


def _sheet(
    scene: WeldScene,
    rng: np.random.Generator,
    along: Image,
    across: Image,
    left: Floats,
    right: Floats,
    s: Floats,
) -> Image:
    """Light of the bare sheet, shape (height, width, 3) red-green-blue, with rolling marks and heat tint."""
    sheet = scene.sheet
    shape = along.shape
    tone = 1 + sheet.grain * grain(rng, shape, sheet.grain_size)
    if sheet.rolling:
        tone += sheet.rolling * _streaks(
            rng, shape, sheet.rolling_deg + scene.direction_deg, sheet.rolling_length
        )
    light = sheet.tone * tone[..., None] * np.asarray(sheet.tint, dtype=np.float32)
    if sheet.heat_tint:
        middle = np.interp(along.ravel(), s, (left + right) / 2).reshape(shape)
        away = np.abs(across - middle) / scene.bead.width - 0.5
        reach = np.abs(along) < scene.bead.length / 2
        for channel, (peak, wide) in enumerate(((1.1, 0.5), (0.8, 0.4), (0.5, 0.5))):
            light[..., channel] *= 1 - sheet.heat_tint * reach * np.exp(-(((away - peak) / wide) ** 2))
    return np.asarray(light, dtype=np.float32)


def _streaks(rng: np.random.Generator, shape: tuple[int, ...], angle_deg: float, length: float) -> Image:
    """Streaks of standard deviation 1 along a direction of the picture."""
    height, width = shape
    side = int(math.hypot(height, width)) + 8
    field = cv2.GaussianBlur(
        rng.standard_normal((side, side), dtype=np.float32), (0, 0), length / 2, sigmaY=0.8
    )
    turn = cv2.getRotationMatrix2D((side / 2, side / 2), angle_deg, 1.0)
    turn[:, 2] += (width / 2 - side / 2, height / 2 - side / 2)
    field = cv2.warpAffine(field, turn, (width, height), borderMode=cv2.BORDER_REFLECT)
    return np.asarray(field / field.std(), dtype=np.float32)


def _lay_bead(
    scene: WeldScene,
    rng: np.random.Generator,
    light: Image,
    along: Image,
    across: Image,
    edges: tuple[Floats, Floats, Floats],
    crests: Floats,
) -> None:
    """Lay the bead over the sheet, in place."""
    bead = scene.bead
    s, left, right = edges
    flat = along.ravel()
    upper = np.interp(flat, s, left).reshape(along.shape)
    lower = np.interp(flat, s, right).reshape(along.shape)
    middle, half = (upper + lower) / 2, (upper - lower) / 2
    # Round ends, and round ends of a gap in the middle.
    room = np.clip((bead.length / 2 - np.abs(along)) / (bead.width / 2), 0, 1)
    if bead.gap:
        room = np.minimum(room, np.clip((np.abs(along) - bead.gap / 2) / (bead.width / 2), 0, 1))
    cap = np.sqrt(1 - (1 - room) ** 2)
    u = (across - middle) / np.maximum(half, 1e-3)
    inside = half * cap - np.abs(across - middle)
    cover = np.clip(inside + 0.5, 0, 1) * (room > 0)
    tone = 1 + bead.grain * grain(rng, along.shape, bead.grain_size) + bead.crown * u
    if len(crests) > 1:
        trail = bead.ripple_lag * bead.width * np.minimum(np.abs(u), 1.2) ** 1.7
        phase = (
            2
            * np.pi
            * np.interp((along + trail).ravel(), crests, np.arange(len(crests))).reshape(along.shape)
        )
        wave = np.cos(phase) + 0.25 * np.cos(2 * phase + 0.7)
        strength = 1 + 0.4 * np.interp(flat, s, wavy(rng, len(s), 6 * bead.ripple_spacing)).reshape(
            along.shape
        )
        tone += bead.ripple_depth * np.clip(strength, 0.1, 2) * wave
    if bead.toe:
        tone *= 1 - bead.toe * np.exp(-((inside / max(1.5, 0.05 * bead.width)) ** 2))
    for depth, place in ((bead.start_crater, -1), (bead.end_crater, 1)):
        if depth:
            off = (along - place * (bead.length / 2 - 0.55 * bead.width)) / (0.3 * bead.width)
            tone *= 1 - depth * np.exp(-(off**2 + (2.2 * u / 2) ** 2 * 2))
    colour = scene.sheet.tone * bead.tone * np.asarray(scene.sheet.tint) * np.asarray(bead.tint)
    metal = np.maximum(tone, 0.02)[..., None] * colour
    light += (cover[..., None] * (metal - light)).astype(np.float32)


def _expose(scene: WeldScene, rng: np.random.Generator, light: Image) -> NDArray[np.uint8]:
    """Uneven light, glare, point spread, noise, the tone curve of photos (sRGB), 8 bits."""
    camera = scene.camera
    height, width = light.shape[:2]
    x, y = np.meshgrid(np.linspace(-1, 1, width), np.linspace(-1, 1, height))
    turn = rng.uniform(0, 2 * math.pi)
    field = 1 + camera.shading * (0.6 * (math.cos(turn) * x + math.sin(turn) * y) - 0.4 * (x**2 + y**2) / 2)
    light = light * field[..., None].astype(np.float32)
    if camera.glare:
        gx, gy, size = rng.uniform(-0.9, 0.9), rng.uniform(-0.9, 0.9), rng.uniform(0.1, 0.4)
        blob = np.exp(-(((x - gx) / size) ** 2 + ((y - gy) / size) ** 2))
        light = light + (camera.glare * blob[..., None]).astype(np.float32)
    light = cv2.GaussianBlur(light, (0, 0), camera.blur)
    spread = camera.noise * np.sqrt(np.clip(light, 0.02, None) / 0.5)
    if not camera.colour:
        light = np.asarray(light @ _LUMA.astype(np.float32))[..., None]
        spread = spread[..., :1]
    noisy = light + spread * rng.standard_normal(light.shape, dtype=np.float32)
    curved = np.clip(noisy, 0, 1)
    curved = np.where(curved <= 0.0031308, 12.92 * curved, 1.055 * curved ** (1 / 2.4) - 0.055)
    picture = np.floor(curved * 255 + 0.5).astype(np.uint8)
    return np.ascontiguousarray(picture[..., ::-1]) if camera.colour else picture[..., 0]
