"""What lies on and beside the sheet in a drawn photo of a weld: particles, scratches, ink, ruler, clamps, table."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from .scene import WeldScene

Floats = NDArray[np.float64]
Image = NDArray[np.float32]


def deposit_tones(
    scene: WeldScene,
    rng: np.random.Generator,
    light: Image,
    along: Image,
    across: Image,
    edges: tuple[Floats, Floats, Floats],
) -> Floats:
    """Draw particles that stick to the sheet beside the bead, in place; their (along, across, diameter)."""
    sheet, bead = scene.sheet, scene.bead
    s, left, right = edges
    low, high = float(across.min()), float(across.max())
    made: list[tuple[float, float, float]] = []
    for _ in range(40 * sheet.deposits):
        if len(made) == sheet.deposits:
            break
        diameter = float(np.exp(rng.uniform(math.log(sheet.deposit_least), math.log(sheet.deposit_most))))
        place = rng.uniform(-bead.length / 2, bead.length / 2)
        away = diameter / 2 + 4 + rng.exponential(1.2 * bead.width)
        side = rng.choice([-1.0, 1.0])
        edge = float(np.interp(place, s, left if side > 0 else right))
        aside = edge + side * away
        clear = all(math.hypot(place - p, aside - q) > (diameter + d) / 2 + 6 for p, q, d in made)
        if clear and low + 12 < aside < high - 12:
            made.append((place, aside, diameter))
    for place, aside, diameter in made:
        _deposit(rng, light, along, across, (place, aside, diameter / 2))
    return np.array(made).reshape(-1, 3)


def _deposit(
    rng: np.random.Generator, light: Image, along: Image, across: Image, disc: tuple[float, float, float]
) -> None:
    """A ball stuck to the sheet: darker or brighter than it, mostly with a spot of light and a soft shadow."""
    place, aside, radius = disc
    near = np.abs(along - place) + np.abs(across - aside) < 4 * radius + 8
    rows, columns = np.nonzero(near)
    if not len(rows):
        return
    part = (slice(rows.min(), rows.max() + 1), slice(columns.min(), columns.max() + 1))
    dx, dy = along[part] - place, across[part] - aside
    stretch, turn = rng.uniform(1.0, 1.25), rng.uniform(0, math.pi)
    a, b = dx * math.cos(turn) + dy * math.sin(turn), dy * math.cos(turn) - dx * math.sin(turn)
    r = np.hypot(a / math.sqrt(stretch), b * math.sqrt(stretch))
    cover = np.clip(radius - r + 0.5, 0, 1)
    tone = rng.uniform(0.25, 0.72) if rng.random() < 0.65 else rng.uniform(1.35, 2.2)
    look = tone * (1 - 0.25 * (r / radius) ** 2)
    if rng.random() < 0.6:
        lx, ly = rng.uniform(-0.4, 0.4, 2) * radius
        look = look + rng.uniform(0.3, 1.0) * np.exp(-((dx - lx) ** 2 + (dy - ly) ** 2) / (0.3 * radius) ** 2)
    sheet = light[part].mean(axis=(0, 1))
    light[part] += cover[..., None] * (look[..., None] * sheet - light[part])


def add_marks(scene: WeldScene, rng: np.random.Generator, light: Image, along: Image, across: Image) -> None:
    """Scratches: thin lines, straight or bent, bright or dark, in place."""
    height, width = along.shape
    for _ in range(scene.sheet.scratches):
        x, y, turn = rng.uniform(0, width), rng.uniform(0, height), rng.uniform(0, math.pi)
        length, bend = rng.uniform(30, 0.6 * max(width, height)), rng.uniform(-0.4, 0.4)
        t = np.linspace(-0.5, 0.5, 60)
        heading = turn + bend * t
        points = np.stack([x + length * t * np.cos(heading), y + length * t * np.sin(heading)], axis=1)
        _stroke(
            light,
            points,
            int(rng.integers(1, 3)),
            float(rng.choice([rng.uniform(0.5, 0.85), rng.uniform(1.2, 1.7)])),
        )


def _stroke(light: Image, points: Floats, pen: int, tone: float) -> None:
    """Multiply the light along a line by `tone`."""
    mask = np.zeros(light.shape[:2], dtype=np.uint8)
    cv2.polylines(mask, [np.rint(points * 16).astype(np.int32)], False, 255.0, pen, cv2.LINE_AA, 4)
    light *= 1 + (tone - 1) * (mask[..., None].astype(np.float32) / 255)


def add_clutter(
    scene: WeldScene, rng: np.random.Generator, light: Image, along: Image, across: Image
) -> list[NDArray[np.bool_]]:
    """Ink, table, ruler and clamps, over everything else, in place; the masks of what they hide."""
    hidden: list[NDArray[np.bool_]] = []
    away = max(2.2 * scene.bead.width, 90.0)
    for _ in range(scene.clutter.ink):
        hidden.append(_ink(scene, rng, light, along, across, away))
    if scene.clutter.table:
        side = rng.choice([-1, 1])
        mask = side * across > away + rng.uniform(40, 70)
        light[mask] = rng.uniform(0.02, 0.6) * (1 + 0.05 * rng.standard_normal((int(mask.sum()), 1)))
        hidden.append(mask)
    if scene.clutter.ruler:
        hidden.append(_ruler(scene, rng, light, along, across, away))
    ends = rng.permutation([-1, 1])[: scene.clutter.clamps]
    for end in ends:
        # A clamp over the last part of the weld, or just beyond it.
        start = scene.bead.length / 2 + rng.uniform(-0.6, 0.5) * scene.bead.width
        mask = (end * along > start) & (np.abs(across) < rng.uniform(1.0, 3.0) * scene.bead.width)
        tone = rng.uniform(0.03, 0.5)
        light[mask] = tone * (1 + 0.1 * rng.standard_normal((int(mask.sum()), 1)))
        hidden.append(mask)
    return hidden


def _ink(
    scene: WeldScene, rng: np.random.Generator, light: Image, along: Image, across: Image, away: float
) -> NDArray[np.bool_]:
    """A few letters' worth of marker pen beside the weld."""
    height, width = along.shape
    side = rng.choice([-1, 1])
    row = np.argmin(
        np.abs(along - rng.uniform(-0.4, 0.4) * scene.bead.length) + np.abs(across - side * away * 1.25)
    )
    y, x = divmod(int(row), width)
    size = rng.uniform(20, 45)
    colour = np.array(
        [(0.1, 0.1, 0.12), (0.1, 0.2, 0.9), (0.9, 0.1, 0.1)][int(rng.integers(3))], dtype=np.float32
    )
    mask = np.zeros((height, width), dtype=np.uint8)
    for letter in range(int(rng.integers(1, 5))):
        points = np.stack(
            [x + size * (letter + rng.uniform(0, 0.7, 5)), y + size * rng.uniform(-0.5, 0.5, 5)], axis=1
        )
        cv2.polylines(
            mask,
            [np.rint(points * 16).astype(np.int32)],
            False,
            255.0,
            int(rng.integers(3, 7)),
            cv2.LINE_AA,
            4,
        )
    share = 0.9 * mask[..., None].astype(np.float32) / 255
    light *= 1 - share * (1 - colour)
    return np.asarray(mask > 0)


def _ruler(
    scene: WeldScene, rng: np.random.Generator, light: Image, along: Image, across: Image, away: float
) -> NDArray[np.bool_]:
    """A ruler along the weld with marks at each mm, longer ones at each fifth and tenth."""
    side = rng.choice([-1, 1])
    depth = side * across - away - rng.uniform(20, 50)
    mask = depth > 0
    pitch = scene.clutter.ruler_pitch
    number = np.rint(along / pitch)
    length = pitch * np.where(number % 10 == 0, 6.0, np.where(number % 5 == 0, 4.5, 3.0))
    tick = (np.abs(along - number * pitch) < max(0.08 * pitch, 0.7)) & (depth < length) & mask
    tone = rng.uniform(0.4, 0.8)
    light[mask] = tone
    light[tick] = 0.05
    return np.asarray(mask)


def hidden_by_clutter(
    scene: WeldScene, deposits: Floats, to_picture: Floats, masks: list[NDArray[np.bool_]]
) -> NDArray[np.bool_]:
    """Which particles something covers or touches, or the picture cuts off."""
    points = np.column_stack([deposits[:, :2], np.ones(len(deposits))]) @ to_picture.T
    x, y = points[:, 0] / points[:, 2], points[:, 1] / points[:, 2]
    out = np.zeros(len(deposits), dtype=bool)
    for index, (px, py, diameter) in enumerate(zip(x, y, deposits[:, 2], strict=True)):
        reach = int(diameter / 2 + 3)
        x0, y0, x1, y1 = int(px) - reach, int(py) - reach, int(px) + reach + 1, int(py) + reach + 1
        cut = x0 < 0 or y0 < 0 or x1 > scene.width_px or y1 > scene.height_px
        out[index] = cut or any(mask[y0:y1, x0:x1].any() for mask in masks)
    return out
