"""Invented footage of particles, rendered by supersampling: independent of `poolwatch.simulate` and of the model that is fitted.

A disc is summed over many places along its streak on a fine grid, blurred by OpenCV's Gaussian and averaged over
pixels.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

FINE = 6


def stamp(
    x: float, y: float, diameter: float, streak: tuple[float, float], sigma: float
) -> tuple[int, int, NDArray[np.float64]]:
    """Upper left pixel and share of the exposure for which each pixel is covered, point spread included."""
    sx, sy = streak
    reach = diameter / 2 + 4 * sigma + 2
    x0, y0 = math.floor(x - abs(sx) / 2 - reach), math.floor(y - abs(sy) / 2 - reach)
    w = math.ceil(x + abs(sx) / 2 + reach) - x0 + 1
    h = math.ceil(y + abs(sy) / 2 + reach) - y0 + 1
    rows, cols = np.mgrid[0 : h * FINE, 0 : w * FINE].astype(np.float32)
    rows, cols = (rows + 0.5) / FINE - 0.5 + y0, (cols + 0.5) / FINE - 0.5 + x0
    places = max(1, int(math.hypot(sx, sy) * 3))
    cover = np.zeros(rows.shape, dtype=np.float32)
    for t in (np.arange(places) + 0.5) / places - 0.5:
        # A cell on the edge is covered in part.
        cover += np.clip((diameter / 2 - np.hypot(cols - x - sx * t, rows - y - sy * t)) * FINE + 0.5, 0, 1)
    cover = cv2.GaussianBlur(cover / places, (0, 0), sigma * FINE, borderType=cv2.BORDER_CONSTANT)
    return x0, y0, cover.reshape(h, FINE, w, FINE).mean(axis=(1, 3)).astype(np.float64)


@dataclass(frozen=True)
class Flight:
    """One particle: first frame, place there, velocity (px/frame), diameter (px), grey value of its surface."""

    first: float
    x: float
    y: float
    vx: float
    vy: float
    diameter: float
    grey: float


class Footage:
    """Frames with a glowing ellipse in the middle and particles that fly."""

    def __init__(
        self,
        flights: list[Flight],
        *,
        frames: int,
        size: tuple[int, int] = (160, 240),
        sigma: float = 1.0,
        exposure: float = 0.3,
        read: float = 1.5,
        shot: float = 0.1,
        ground: float = 12.0,
        full: int = 255,
        seed: int = 0,
        dark: bool = False,
    ) -> None:
        self.flights, self.n, self.size, self.sigma, self.exposure = flights, frames, size, sigma, exposure
        self.read, self.shot, self.ground, self.full, self.seed, self.dark = (
            read,
            shot,
            ground,
            full,
            seed,
            dark,
        )
        self.pool = (size[1] / 2, size[0] / 2, 28.0, 18.0)

    def outline(self, frame: int) -> NDArray[np.float64]:
        t = np.linspace(0, 2 * np.pi, 160, endpoint=False)
        x, y, a, b = self.pool
        breathe = 1.0 + 0.03 * math.sin(0.2 * frame)
        return np.column_stack([x + a * breathe * np.cos(t), y + b * breathe * np.sin(t)])

    def place(self, flight: Flight, frame: int) -> tuple[float, float]:
        return flight.x + flight.vx * (frame - flight.first), flight.y + flight.vy * (frame - flight.first)

    def frame(self, k: int) -> NDArray[np.unsignedinteger]:
        h, w = self.size
        rows, cols = np.mgrid[0:h, 0:w]
        x, y, a, b = self.pool
        breathe = 1.0 + 0.03 * math.sin(0.2 * k)
        out = (np.hypot((cols - x) / a / breathe, (rows - y) / b / breathe) - 1.0) * b
        light = self.ground + 0.08 * self.full / (1.0 + (np.maximum(out, 0) / 10.0) ** 2)
        light += (0.6 * self.full - light) * (0.5 - 0.5 * np.tanh(out / (1.3 * self.sigma)))
        for flight in self.flights:
            if k < flight.first:
                continue
            px, py = self.place(flight, k)
            if not (-40 < px < w + 40 and -40 < py < h + 40):
                continue
            streak = (flight.vx * self.exposure, flight.vy * self.exposure)
            x0, y0, cover = stamp(px, py, flight.diameter, streak, self.sigma)
            left, top = max(x0, 0), max(y0, 0)
            right, bottom = min(x0 + cover.shape[1], w), min(y0 + cover.shape[0], h)
            if right > left and bottom > top:
                part = light[top:bottom, left:right]
                part += cover[top - y0 : bottom - y0, left - x0 : right - x0] * (flight.grey - part)
        rng = np.random.default_rng((self.seed, k))
        value = light + rng.standard_normal(light.shape) * np.sqrt(self.read**2 + self.shot * light)
        grey = np.clip(np.round(value), 0, self.full)
        if self.dark:
            grey = self.full - grey
        return grey.astype(np.uint8 if self.full < 256 else np.uint16)

    def frames(self) -> NDArray[np.unsignedinteger]:
        return np.array([self.frame(k) for k in range(self.n)])

    def seen(self, flight: Flight, clear: float = 9.0) -> list[int]:
        """Frames in which all of it is in the picture and clear of the outline by `clear` px."""
        h, w = self.size
        x, y, a, b = self.pool
        good = []
        for k in range(max(0, math.ceil(flight.first)), self.n):
            px, py = self.place(flight, k)
            rx = flight.diameter / 2 + abs(flight.vx) * self.exposure / 2
            ry = flight.diameter / 2 + abs(flight.vy) * self.exposure / 2
            if not (rx <= px <= w - 1 - rx and ry <= py <= h - 1 - ry):
                continue
            if math.hypot((px - x) / (a + rx + clear), (py - y) / (b + ry + clear)) > 1:
                good.append(k)
        return good


def shower(
    count: int,
    frames: int,
    *,
    size: tuple[int, int] = (160, 240),
    speed: tuple[float, float] = (3.0, 12.0),
    diameter: tuple[float, float] = (3.0, 12.0),
    grey: tuple[float, float] = (90.0, 200.0),
    seed: int = 1,
) -> list[Flight]:
    """Particles that leave the ellipse at random places and moments, within half a radian of its normal."""
    rng = np.random.default_rng(seed)
    flights = []
    for _ in range(count):
        turn = rng.uniform(0, 2 * np.pi)
        normal = math.atan2(math.sin(turn) / 18.0, math.cos(turn) / 28.0) + rng.uniform(-0.5, 0.5)
        v = rng.uniform(*speed)
        flights.append(
            Flight(
                rng.uniform(0, frames), size[1] / 2 + 28.0 * math.cos(turn), size[0] / 2 + 18.0 * math.sin(turn),
                v * math.cos(normal), v * math.sin(normal),
                math.exp(rng.uniform(*np.log(diameter))), rng.uniform(*grey),
            )
        )  # fmt: skip
    return flights
