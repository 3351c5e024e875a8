"""Shift of a rigid sheet between two pictures: least squares over tiles, tiles that do not follow left out.

Method: inverse compositional image alignment (Baker & Matthews, *Int. J. Comput. Vis.* 56 (2004) 221,
doi:10.1023/B:VISI.0000011205.11775.fd) for a translation with gain and offset free in each tile; the tiles'
shifts are combined by their information matrices with outliers rejected. Liquid, glare and whatever else
moves differently falls out as outliers.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

# Catmull-Rom cubic; a tile needs this margin of real pixels around its shifted place.
_MARGIN = 2
# A tile takes part when the shift explains this share of its variance.
LEAST_EXPLAINED = 0.3
# Shift errors below this (px) are never held against a tile: interpolation and small real deformation.
TOLERANCE_PX = 0.05
LEAST_TILES = 3
# Fewer than this share of the tiles compared agree by chance.
_LEAST_SHARE = 0.1


@njit(cache=True, nogil=True)
def _cubic_weights(t: float) -> tuple[float, float, float, float]:
    return (
        0.5 * t * (-1.0 + t * (2.0 - t)),
        0.5 * (2.0 + t * t * (-5.0 + 3.0 * t)),
        0.5 * t * (1.0 + t * (4.0 - 3.0 * t)),
        0.5 * t * t * (t - 1.0),
    )


# Sums over a tile of a frame times the template's derivatives, the template, 1 and the frame itself.
_SUMS = np.dtype([("gx", "f8"), ("gy", "f8"), ("picture", "f8"), ("one", "f8"), ("square", "f8")])


@njit(cache=True, nogil=True)
def _tile_sums(
    frame: NDArray[np.float32],
    template: NDArray[np.float32],
    gx: NDArray[np.float32],
    gy: NDArray[np.float32],
    corners: NDArray[np.int64],
    size: int,
    shifts: NDArray[np.float64],
    sums: NDArray[np.void],
) -> None:
    """Write the `_SUMS` of the shifted frame over each tile; those of a tile that leaves the frame stay as they are."""
    height, width = frame.shape
    rows = np.empty((size + 3, size))
    for tile in range(len(corners)):
        dx, dy = shifts[tile]
        ix, iy = math.floor(dx), math.floor(dy)
        a0, a1, a2, a3 = _cubic_weights(dx - ix)
        b0, b1, b2, b3 = _cubic_weights(dy - iy)
        y0, x0 = corners[tile]
        top, left = y0 + iy - 1, x0 + ix - 1
        if top < 0 or left < 0 or top + size + 3 > height or left + size + 3 > width:
            continue
        for r in range(size + 3):
            for c in range(size):
                k = left + c
                rows[r, c] = (
                    a0 * frame[top + r, k]
                    + a1 * frame[top + r, k + 1]
                    + a2 * frame[top + r, k + 2]
                    + a3 * frame[top + r, k + 3]
                )
        sx = sy = st = s1 = ss = 0.0
        for r in range(size):
            for c in range(size):
                s = b0 * rows[r, c] + b1 * rows[r + 1, c] + b2 * rows[r + 2, c] + b3 * rows[r + 3, c]
                sx += s * gx[y0 + r, x0 + c]
                sy += s * gy[y0 + r, x0 + c]
                st += s * template[y0 + r, x0 + c]
                s1 += s
                ss += s * s
        out = sums[tile]
        out.gx, out.gy, out.picture, out.one, out.square = sx, sy, st, s1, ss


@dataclass(frozen=True)
class Shift:
    """Where the sheet of a template is found in a frame.

    Attributes
    ----------
    dx, dy
        Shift of the content, px: what was at (x, y) is now at (x + dx, y + dy).
    covariance
        Shape (2, 2), px², from the tiles' own noise and their scatter.
    followed
        Shape (tiles,): which tiles move with the sheet.
    considered
        Shape (tiles,): which tiles could be compared at all.
    tile_shifts
        Shape (tiles, 2): each tile's own shift, less what the gradient gives it; NaN where not compared.
    found
        Whether enough tiles agree.
    """

    dx: float
    dy: float
    covariance: NDArray[np.float64]
    followed: NDArray[np.bool_]
    considered: NDArray[np.bool_]
    tile_shifts: NDArray[np.float64]
    found: bool

    @property
    def consistency(self) -> float:
        """Share of the compared tiles that follow."""
        return float(self.followed.sum() / max(1, self.considered.sum()))


class _Steps(NamedTuple):
    """By tile: whether it could be compared, whether it fits, its step (dx, dy) px, variance of a pixel over gain²."""

    considered: NDArray[np.bool_]
    usable: NDArray[np.bool_]
    step: NDArray[np.float64]
    noise: NDArray[np.float64]


@dataclass(frozen=True)
class Template:
    """A texture picture cut in tiles, ready to be found in others.

    Attributes
    ----------
    picture, gx, gy
        Texture and its derivatives, shape (h, w).
    corners
        Top-left (row, column) of each tile, shape (tiles, 2).
    size
        Side of a tile, px.
    inverse
        Inverse normal matrices of [gx, gy, picture, 1], shape (tiles, 4, 4).
    excluded
        Integral picture of excluded pixels, shape (h + 1, w + 1).
    """

    picture: NDArray[np.float32]
    gx: NDArray[np.float32]
    gy: NDArray[np.float32]
    corners: NDArray[np.int64]
    size: int
    inverse: NDArray[np.float64]
    excluded: NDArray[np.int32]

    @property
    def centres(self) -> NDArray[np.float64]:
        """Centres (x, y) of the tiles, px, shape (tiles, 2)."""
        return np.asarray(self.corners[:, ::-1] + (self.size - 1) / 2.0, dtype=np.float64)

    @property
    def centre(self) -> NDArray[np.float64]:
        """Mean place (x, y) of all tiles, px: where a shift holds."""
        return np.asarray(self.centres.mean(axis=0), dtype=np.float64)

    @property
    def strength(self) -> NDArray[np.float64]:
        """How well each tile's texture fixes a shift in its weakest direction; larger is better, shape (tiles,)."""
        return np.asarray(1.0 / np.linalg.eigvalsh(self.inverse[:, :2, :2])[:, -1], dtype=np.float64)

    @classmethod
    def cut(
        cls,
        picture: NDArray[np.float32],
        solid: NDArray[np.bool_] | None,
        size: int = 32,
        step: int | None = None,
    ) -> Template:
        """Cut a texture picture into tiles of `size` px every `step` px (default: side by side).

        Parameters
        ----------
        picture
            From `texture.texture`, shape (h, w).
        solid
            Shape (h, w), True where solid metal may be; None for everywhere.
        """
        import cv2

        picture = np.ascontiguousarray(picture, dtype=np.float32)
        height, width = picture.shape
        gx = np.zeros_like(picture)
        gy = np.zeros_like(picture)
        # Fourth-order central differences: the shift's scale must be right to the second iteration.
        gx[:, 2:-2] = (8 * (picture[:, 3:-1] - picture[:, 1:-3]) - (picture[:, 4:] - picture[:, :-4])) / 12
        gy[2:-2] = (8 * (picture[3:-1] - picture[1:-3]) - (picture[4:] - picture[:-4])) / 12
        excluded = cv2.integral(
            np.zeros((height, width), np.uint8) if solid is None else (~solid).astype(np.uint8)
        )
        step = size if step is None else step
        rows = np.arange(_MARGIN, height - size - _MARGIN + 1, step)
        columns = np.arange(_MARGIN, width - size - _MARGIN + 1, step)
        corners = np.array([(y, x) for y in rows for x in columns], dtype=np.int64).reshape(-1, 2)
        corners = corners[_box_sum(excluded, corners, size) == 0]
        gram = np.empty((len(corners), 4, 4))
        for i, (y, x) in enumerate(corners):
            box = np.s_[y : y + size, x : x + size]
            basis = np.stack([gx[box].ravel(), gy[box].ravel(), picture[box].ravel(), np.ones(size * size)])
            gram[i] = basis.astype(np.float64) @ basis.T.astype(np.float64)
        # A trace of ridge keeps tiles without any texture from being singular; they never pass the tests below.
        gram += 1e-9 * size * size * np.eye(4)
        inverse = np.asarray(np.linalg.inv(gram), dtype=np.float64)
        return cls(picture, gx, gy, corners, size, inverse, excluded)

    def strongest(self, count: int) -> Template:
        """Keep only the `count` tiles that fix a shift best."""
        if len(self.corners) <= count:
            return self
        best = np.sort(np.argsort(-self.strength, kind="stable")[:count])
        return Template(
            self.picture, self.gx, self.gy, self.corners[best], self.size, self.inverse[best], self.excluded
        )

    def find(
        self,
        frame: NDArray[np.float32],
        start: tuple[float, float] = (0.0, 0.0),
        *,
        gradient: NDArray[np.float64] | None = None,
        fixed_mask: bool = True,
        iterations: int = 8,
    ) -> Shift:
        """Find the template's sheet in another texture picture.

        Parameters
        ----------
        frame
            From `texture.texture`, same shape.
        start
            Shift (dx, dy) px to start from, good to about 1.5 px.
        gradient
            Shape (2, 2): known change of the shift over the view, px per px, added to each tile's shift
            (perspective, rotation); about `centre`, at the middle of a tile's way.
        fixed_mask
            Whether the mask stays where it is in the picture while the sheet moves (a pool before a riding
            camera): tiles that have moved into it are left out.
        iterations
            At most so many; stops when the step is below 0.001 px.
        """
        tiles = len(self.corners)
        d = np.array(start, dtype=np.float64)
        followed = considered = np.zeros(tiles, dtype=bool)
        own = np.full((tiles, 2), np.nan)
        covariance = np.full((2, 2), np.nan)

        def shift(*, found: bool) -> Shift:
            dx, dy = d.tolist()
            return Shift(dx, dy, covariance, followed, considered, own, found)

        for _ in range(iterations):
            extra = (
                np.zeros((tiles, 2))
                if gradient is None
                else (self.centres + d / 2 - self.centre) @ gradient.T
            )
            considered, usable, step, noise = self._steps(frame, d + extra, fixed_mask)
            own = np.where(considered[:, None], d - step, np.nan)
            if usable.sum() < LEAST_TILES:
                followed = usable & False
                return shift(found=False)
            tile_cov = noise[usable, None, None] * self.inverse[usable, :2, :2] + TOLERANCE_PX**2 * np.eye(2)
            mean, covariance, inliers = _combine(own[usable], tile_cov)
            followed = np.zeros(tiles, dtype=bool)
            followed[np.flatnonzero(usable)[inliers]] = True
            if inliers.sum() < max(LEAST_TILES, _LEAST_SHARE * considered.sum()):
                return shift(found=False)
            moved_by = float(np.hypot(*(mean - d)))
            d = mean
            if moved_by < 1e-3:
                break
        return shift(found=True)

    def _steps(self, frame: NDArray[np.float32], shifts: NDArray[np.float64], fixed_mask: bool) -> _Steps:
        """How far each tile at its shift (dx, dy) is from where it fits the frame best."""
        tiles, pixels = len(self.corners), self.size * self.size
        sums = np.full(tiles, np.nan, _SUMS)
        by_basis = sums.view(np.float64).reshape(tiles, -1)[:, :4]
        _tile_sums(frame, self.picture, self.gx, self.gy, self.corners, self.size, shifts, sums)
        considered = np.isfinite(sums["square"])
        if fixed_mask:
            moved = self.corners + np.rint(shifts[:, ::-1]).astype(np.int64)
            considered[considered] = _box_sum(self.excluded, moved[considered], self.size) == 0
        p = np.einsum("tij,tj->ti", self.inverse, by_basis)
        gain = p[:, 2]
        with np.errstate(invalid="ignore", divide="ignore"):
            total = sums["square"] - sums["one"] ** 2 / pixels
            left = np.maximum(sums["square"] - np.einsum("ti,ti->t", p, by_basis), 1e-12 * pixels)
            step = p[:, :2] / gain[:, None]
            usable = considered & (gain > 0.1) & (left < (1 - LEAST_EXPLAINED) * total)
            usable &= np.hypot(*step.T) < 3.0
            return _Steps(considered, usable, step, left / (pixels - 4) / gain**2)

    def search(
        self,
        frame: NDArray[np.float32],
        start: tuple[float, float] = (0.0, 0.0),
        *,
        gradient: NDArray[np.float64] | None = None,
        fixed_mask: bool = True,
        rings: int = 2,
    ) -> Shift:
        """`find`, started again on rings 1.5 px apart around `start` where it finds too little agreement there.

        The first start at which a third of the tiles follow is taken, else the one with the most.
        """
        best = self.find(frame, start, gradient=gradient, fixed_mask=fixed_mask)
        x, y = start
        for ring in range(1, rings + 1):
            if best.found and best.consistency >= 0.33:
                break
            for k in range(8):
                angle = math.pi / 4 * k
                around = (x + 1.5 * ring * math.cos(angle), y + 1.5 * ring * math.sin(angle))
                other = self.find(frame, around, gradient=gradient, fixed_mask=fixed_mask)
                if other.found and (not best.found or other.followed.sum() > best.followed.sum()):
                    best = other
        return best


def _combine(
    values: NDArray[np.float64], covariances: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.bool_]]:
    """Information-weighted mean of 2-vectors with outliers left out; its covariance; who was kept."""
    information = np.linalg.inv(covariances)
    # Start from the tile whose neighbourhood holds the most information: a mean would start between two motions.
    offsets = values[:, None, :] - values[None, :, :]
    near = np.einsum("abi,bij,abj->ab", offsets, information, offsets) < 9.0
    support = near @ np.trace(information, axis1=1, axis2=2)
    kept = near[int(np.argmax(support))].copy()
    mean = values[kept].mean(axis=0)
    total = np.eye(2)
    for _ in range(5):
        total = information[kept].sum(axis=0)
        mean = np.linalg.solve(total, np.einsum("tij,tj->i", information[kept], values[kept]))
        offset = values - mean
        now = np.einsum("ti,tij,tj->t", offset, information, offset) < 11.8  # 99.73 % of a 2-D normal
        if (now == kept).all() or not now.any():
            break
        kept = now
    offset = values[kept] - mean
    chi2 = float(np.einsum("ti,tij,tj->", offset, information[kept], offset)) / max(1, 2 * kept.sum() - 2)
    return mean, np.linalg.inv(total) * max(1.0, chi2), kept


def _box_sum(integral: NDArray[np.int32], corners: NDArray[np.int64], size: int) -> NDArray[np.int32]:
    height, width = (side - 1 for side in integral.shape)
    y0, x0 = np.clip(corners[:, 0], 0, height), np.clip(corners[:, 1], 0, width)
    y1, x1 = np.clip(corners[:, 0] + size, 0, height), np.clip(corners[:, 1] + size, 0, width)
    return np.asarray(integral[y1, x1] - integral[y0, x1] - integral[y1, x0] + integral[y0, x0])
