"""From a frame to the smoothed picture of what stands above the ground, where it is wanted."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from ..model.pixels import Frames
from .facts import Canvas, Ground, Residual, SpatterFacts
from .ordering import middle_of
from .sieve import BLOCK

# Distance of the discs that widen an outline, px.
_STRIDE = 2.0


@njit(cache=True, nogil=True)
def pool_spans(outline: NDArray, margin: float, left: NDArray, right: NDArray) -> None:  # type: ignore[type-arg]
    """Columns hidden in each row by the outline widened by `margin` px; left > right where none is.

    A row's span is closed, so a bay that opens sideways counts as hidden.
    """
    h = left.size
    left[:] = 2**30
    right[:] = -1
    k = len(outline)
    if k == 0:
        return
    x0, y0 = outline[0, 0], outline[0, 1]
    # Discs a little larger, so that they reach as far where two of them meet.
    square = margin * margin + 0.25 * _STRIDE * _STRIDE
    reach = np.sqrt(square)
    for i in range(1, k + 1):
        # Vertices closer together than two pixels add nothing.
        j = i if i < k else 0
        dx, dy = outline[j, 0] - x0, outline[j, 1] - y0
        if dx * dx + dy * dy < _STRIDE * _STRIDE and j != 0:
            continue
        steps = int(np.sqrt(dx * dx + dy * dy) * (1.0 / _STRIDE)) + 1
        for s in range(steps):
            px, py = x0 + dx * s / steps, y0 + dy * s / steps
            for y in range(max(0, int(np.ceil(py - reach))), min(h - 1, int(np.floor(py + reach))) + 1):
                half = np.sqrt(max(0.0, square - (y - py) ** 2))
                # Rounded outwards.
                left[y] = min(left[y], int(np.floor(px - half)))
                right[y] = max(right[y], int(np.ceil(px + half)))
        x0, y0 = outline[j, 0], outline[j, 1]


@njit(cache=True, nogil=True)
def residual_at(frames: Frames, k: int, ground: Ground, gain: float, y: int, x: int) -> float:
    """Grey value of frame `k` above the learned ground at one pixel.

    Sign and offset turn a dark scene bright; the gain makes the learned ground as bright as the frame's. Takes the
    parts of a `Residual`: to take it apart for each pixel costs more than the rest.
    """
    narrow, wide = frames
    s, o, g, b0 = _scale(ground, gain)
    seen = np.float32(narrow[k, y, x]) if len(narrow) > 0 else np.float32(wide[k, y, x])
    return float(np.float32(s * seen + o - (g * ground.background[y, x] + b0)))


@njit(cache=True, nogil=True)
def _scale(ground: Ground, gain: float) -> tuple[np.float32, np.float32, np.float32, np.float32]:
    """Sign, offset, gain and what the gain leaves of black, in single precision."""
    return (
        np.float32(ground.sign),
        np.float32(ground.offset),
        np.float32(gain),
        np.float32(ground.black * (1.0 - gain)),
    )


@njit(cache=True, nogil=True)
def _lift(
    seen: NDArray,  # type: ignore[type-arg]
    learned: NDArray,  # type: ignore[type-arg]
    scale: tuple[np.float32, np.float32, np.float32, np.float32],
    out: NDArray,  # type: ignore[type-arg]
) -> None:
    """`residual_at` for part of a row."""
    s, o, g, b0 = scale
    for x in range(out.size):
        out[x] = s * np.float32(seen[x]) + o - (g * learned[x] + b0)


@njit(cache=True, nogil=True)
def residual_of(residual: Residual, out: NDArray) -> None:  # type: ignore[type-arg]
    """`residual_at` for a whole frame into `out`, shape (h, w)."""
    frames, k, ground, gain = residual
    h, w = out.shape
    for y in range(h):
        for x in range(w):
            out[y, x] = residual_at(frames, k, ground, gain, y, x)


@njit(cache=True, nogil=True)
def _smaller(a: float, b: float) -> float:
    """The smaller of two, without the care for NaN that `min` takes: the compiler then works on several at once."""
    return a if a < b else b


@njit(cache=True, nogil=True)
def _larger(a: float, b: float) -> float:
    """The larger of two; see `_smaller`."""
    return a if a > b else b


@njit(cache=True, nogil=True)
def _middles(means: NDArray, i: int, calm: NDArray, sides: NDArray) -> None:  # type: ignore[type-arg]
    """Medians of 3x3 where all nine are there, for one row between others.

    Each column of three in order first, then the middle of the largest low, the middle mid and the smallest high one
    (Paeth 1990). `sides` is room for the three rows.
    """
    low, mid, high = sides[0], sides[1], sides[2]
    above, here, below, out = means[i - 1], means[i], means[i + 1], calm[i]
    cols = here.size
    for j in range(cols):
        a, b, c = above[j], here[j], below[j]
        least, most = _smaller(a, b), _larger(a, b)
        low[j] = _smaller(least, c)
        high[j] = _larger(most, c)
        mid[j] = _larger(least, _smaller(most, c))
    low1, low2, mid1, mid2, high1, high2, inner = (
        low[1:],
        low[2:],
        mid[1:],
        mid[2:],
        high[1:],
        high[2:],
        out[1:],
    )
    for j in range(cols - 2):
        a = _larger(_larger(low[j], low1[j]), low2[j])
        c = _smaller(_smaller(high[j], high1[j]), high2[j])
        least, most = _smaller(mid[j], mid1[j]), _larger(mid[j], mid1[j])
        b = _larger(least, _smaller(most, mid2[j]))
        least, most = _smaller(a, b), _larger(a, b)
        inner[j] = _larger(least, _smaller(most, c))


@njit(cache=True, nogil=True)
def slow_ground(means: NDArray, calm: NDArray) -> None:  # type: ignore[type-arg]
    """Slow part of the residual in each block: medians of 3x3 block means."""
    rows, cols = means.shape
    around = np.empty(9, dtype=np.float32)
    sides = np.empty((3, cols), dtype=np.float32)
    gaps = np.zeros(cols, dtype=np.bool_)
    for i in range(rows):
        gaps[:] = True
        if 0 < i < rows - 1:
            _middles(means, i, calm, sides)
            for j in range(1, cols - 1):
                # NaN in one of nine makes their sum NaN.
                total = np.float32(0.0)
                for a in range(i - 1, i + 2):
                    total += means[a, j - 1] + means[a, j] + means[a, j + 1]
                gaps[j] = total != total
        for j in range(cols):
            if not gaps[j]:
                continue
            n = 0
            for a in range(max(0, i - 1), min(rows, i + 2)):
                for b in range(max(0, j - 1), min(cols, j + 2)):
                    v = means[a, b]
                    if v == v:
                        k = n
                        while k > 0 and around[k - 1] > v:
                            around[k] = around[k - 1]
                            k -= 1
                        around[k] = v
                        n += 1
            calm[i, j] = (
                np.float32(0.5) * (around[(n - 1) // 2] + around[n // 2]) if n > 0 else np.float32(0.0)
            )


@njit(cache=True, nogil=True)
def spread(calm: NDArray, first: int, out: NDArray) -> None:  # type: ignore[type-arg]
    """Values of the slow ground in one row of blocks, `calm`, at the columns from `first`: straight between middles."""
    cols = calm.size
    # From the middle of one block to that of the next.
    for n in range((first + BLOCK // 2) // BLOCK, (first + out.size - 1 + BLOCK // 2) // BLOCK + 1):
        x0 = n * BLOCK - BLOCK // 2
        low = calm[min(max(n - 1, 0), cols - 1)]
        rise = calm[min(n, cols - 1)] - low
        for x in range(max(x0, first), min(x0 + BLOCK, first + out.size)):
            out[x - first] = low + np.float32((x - x0 + 0.5) * (1.0 / BLOCK)) * rise


@njit(cache=True, nogil=True)
def level_at(calm: NDArray, y: int, x: int) -> float:  # type: ignore[type-arg]
    """Value of the slow ground at one pixel, from its values in blocks."""
    rows, cols = calm.shape
    f = (y + 0.5) / BLOCK - 0.5
    i = min(max(int(np.floor(f)), 0), rows - 1)
    k = min(i + 1, rows - 1)
    t = min(max(f - i, 0.0), 1.0)
    n = (x + BLOCK // 2) // BLOCK
    a, b = max(n - 1, 0), min(n, cols - 1)
    share = np.float32((x - n * BLOCK + BLOCK // 2 + 0.5) * (1.0 / BLOCK))
    above = calm[i, a] + share * (calm[i, b] - calm[i, a])
    below = calm[k, a] + share * (calm[k, b] - calm[k, a])
    return float(above + t * (below - above))


@njit(cache=True, nogil=True)
def above_ground(
    res: NDArray,  # type: ignore[type-arg]
    calm: NDArray,  # type: ignore[type-arg]
    ys: NDArray,  # type: ignore[type-arg]
    xs: NDArray,  # type: ignore[type-arg]
    out: NDArray,  # type: ignore[type-arg]
) -> None:
    """Residual less its slow part at the crossings of some rows and columns."""
    for i in range(ys.size):
        for j in range(xs.size):
            out[i, j] = res[ys[i], xs[j]] - level_at(calm, ys[i], xs[j])


@njit(cache=True, nogil=True)
def smooth(residual: Residual, canvas: Canvas, y0: int, y1: int, x0: int, x1: int) -> None:
    """Binomial 3x3 mean of the residual less its slow part, into rows `y0` to `y1` and columns `x0` to `x1` (excluded)
    of `canvas.picture`; far below 0 where hidden, and no higher than full on an even ground.
    """
    narrow, wide = residual.frames
    k, ground = residual.k, residual.ground
    h, w = ground.background.shape
    scale = _scale(ground, residual.gain)
    first, last = max(x0 - 1, 0), min(x1 + 1, w)
    column = canvas.lines[3, : x1 - x0 + 2]
    sixteenth, two = np.float32(0.0625), np.float32(2.0)
    rows, spread_row = len(canvas.calm), -1
    low, high = canvas.lines[4, : x1 - x0], canvas.lines[5, : x1 - x0]
    for y in range(y0 - 1, y1 + 1):
        # Beyond the border the outermost pixels go on.
        at = min(max(y, 0), h - 1)
        line = canvas.lines[(y + 1) % 3, : x1 - x0 + 2]
        middle, learned = line[first - x0 + 1 : last - x0 + 1], ground.background[at, first:last]
        if len(narrow) > 0:
            _lift(narrow[k, at, first:last], learned, scale, middle)
        else:
            _lift(wide[k, at, first:last], learned, scale, middle)
        if x0 == 0:
            line[0] = line[1]
        if x1 == w:
            line[x1 - x0 + 1] = line[x1 - x0]
        if y <= y0:
            continue
        # Of the row before the last one.
        v = y - 1
        above, here = canvas.lines[(v + 0) % 3, : column.size], canvas.lines[(v + 1) % 3, : column.size]
        for x in range(column.size):
            column[x] = above[x] + two * here[x] + line[x]
        f = (v + 0.5) / BLOCK - 0.5
        i = min(max(int(np.floor(f)), 0), rows - 1)
        t = np.float32(min(max(f - i, 0.0), 1.0))
        if i != spread_row:
            spread(canvas.calm[i], x0, low)
            spread(canvas.calm[min(i + 1, rows - 1)], x0, high)
            spread_row = i
        out, after, two_after = canvas.picture[v, x0:x1], column[1:], column[2:]
        for x in range(out.size):
            value = sixteenth * (column[x] + two * after[x] + two_after[x])
            out[x] = value - (low[x] + t * (high[x] - low[x]))
        if ground.even:
            for x in range(out.size):
                out[x] = min(out[x], np.float32(ground.full))
        for x in range(max(canvas.left[v], x0), min(canvas.right[v] + 1, x1)):
            canvas.picture[v, x] = np.float32(-1e30)


@njit(cache=True, nogil=True)
def smooth_block(residual: Residual, canvas: Canvas, i: int, j: int) -> None:
    """`smooth` for one block, which is marked in `canvas.ready`."""
    canvas.ready[i, j] = True
    h, w = residual.ground.background.shape
    y0, x0 = i * BLOCK, j * BLOCK
    smooth(residual, canvas, y0, min(h, y0 + BLOCK), x0, min(w, x0 + BLOCK))


@njit(cache=True, nogil=True)
def smoothed_at(residual: Residual, calm: NDArray, y: int, x: int) -> float:  # type: ignore[type-arg]
    """`smooth` at one pixel."""
    frames, k, ground, gain = residual
    h, w = ground.background.shape
    total = 0.0
    for dy in range(-1, 2):
        for dx in range(-1, 2):
            weight = (2 - abs(dy)) * (2 - abs(dx))
            there, across = min(max(y + dy, 0), h - 1), min(max(x + dx, 0), w - 1)
            total += weight * residual_at(frames, k, ground, gain, there, across)
    value = total / 16.0 - level_at(calm, y, x)
    return float(min(value, ground.full) if ground.even else value)


@njit(cache=True, nogil=True)
def overall_gain(
    seen: NDArray,  # type: ignore[type-arg]
    facts: SpatterFacts,
    left: NDArray,  # type: ignore[type-arg]
    right: NDArray,  # type: ignore[type-arg]
) -> float:
    """Brightness of this frame's ground over the learned one: median ratio at chosen pixels outside the pool."""
    ratios = np.empty(facts.light.size)
    n = 0
    for i in range(facts.light.size):
        y, x = facts.rows[i], facts.cols[i]
        ratios[n] = (facts.ground.sign * seen[y, x] + facts.ground.offset - facts.ground.black) / facts.light[
            i
        ]
        # Without a branch: which pixels the pool hides is hard to foretell.
        n += int(x < left[y]) | int(x > right[y])
    if n < 50:
        return 1.0
    return float(middle_of(ratios[:n]))
