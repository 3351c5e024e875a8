"""From a frame to the smoothed picture of what stands above the ground, in one thread and few passes."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .ordering import middle_of

# Side of the blocks that carry the ground's slow changes (plume, glare), px.
BLOCK = 16


@njit(cache=True, nogil=True)
def pool_spans(outline: NDArray, margin: float, left: NDArray, right: NDArray) -> None:  # type: ignore[type-arg]
    """Columns hidden in each row by the outline widened by `margin` px; left > right where none is.

    A row's span is closed, so a bay that opens sideways counts as hidden.
    """
    h = left.size
    left[:] = 2**30
    right[:] = -1
    k = outline.shape[0]
    if k == 0:
        return
    x0, y0 = outline[0, 0], outline[0, 1]
    for i in range(1, k + 1):
        # Vertices closer together than a pixel add nothing.
        j = i if i < k else 0
        dx, dy = outline[j, 0] - x0, outline[j, 1] - y0
        if dx * dx + dy * dy < 1.0 and j != 0:
            continue
        steps = int(np.hypot(dx, dy)) + 1
        for s in range(steps):
            px, py = x0 + dx * s / steps, y0 + dy * s / steps
            for y in range(max(0, int(np.ceil(py - margin))), min(h - 1, int(np.floor(py + margin))) + 1):
                half = np.sqrt(max(0.0, margin * margin - (y - py) ** 2))
                left[y] = min(left[y], int(np.floor(px - half)))
                right[y] = max(right[y], int(np.ceil(px + half)))
        x0, y0 = outline[j, 0], outline[j, 1]


@njit(cache=True, nogil=True)
def residual(
    frame: NDArray,  # type: ignore[type-arg]
    background: NDArray,  # type: ignore[type-arg]
    black: float,
    gain: float,
    sign: float,
    offset: float,
    first: int,
    last: int,
    out: NDArray,  # type: ignore[type-arg]
) -> None:
    """Grey values above the learned background in rows `first` to `last`, `last` excluded.

    `sign` and `offset` turn a dark scene bright.
    """
    w = frame.shape[1]
    s, o = np.float32(sign), np.float32(offset)
    g, b0 = np.float32(gain), np.float32(black * (1.0 - gain))
    for y in range(first, last):
        seen, learned, row = frame[y], background[y], out[y]
        for x in range(w):
            row[x] = s * np.float32(seen[x]) + o - (g * learned[x] + b0)


@njit(cache=True, nogil=True)
def block_means(
    res: NDArray,  # type: ignore[type-arg]
    left: NDArray,  # type: ignore[type-arg]
    right: NDArray,  # type: ignore[type-arg]
    owner: NDArray,  # type: ignore[type-arg]
    busy: NDArray,  # type: ignore[type-arg]
    i: int,
    means: NDArray,  # type: ignore[type-arg]
) -> None:
    """Means of the residual over one row of blocks, into row `i` of `means`; NaN where too little is in sight.

    In rows that are `busy`, pixels with an owner (particles already found) and those beside them do not count.
    """
    h, w = res.shape
    total = np.zeros(w, dtype=np.float32)
    hidden = np.zeros(w, dtype=np.int32)
    y0, y1 = i * BLOCK, min(h, (i + 1) * BLOCK)
    for y in range(y0, y1):
        row = res[y]
        if busy[y]:
            near = 5
            for x in range(w):
                # Two pixels on either side of what has an owner are left out too.
                ahead = min(x + 2, w - 1)
                near = 0 if owner[y, ahead] != 0 else near + 1
                if near < 5 or left[y] <= x <= right[y]:
                    hidden[x] += 1
                else:
                    total[x] += row[x]
        else:
            a, b = w, w
            if left[y] <= right[y]:
                a, b = min(max(0, left[y]), w), min(max(right[y] + 1, 0), w)
            for x in range(a):
                total[x] += row[x]
            # Slices, so that the compiler sees no index below 0 and works on several pixels at once.
            sums, rest = total[b:], row[b:]
            for x in range(w - b):
                sums[x] += rest[x]
            for x in range(a, b):
                hidden[x] += 1
    for j in range(means.shape[1]):
        x0, x1 = j * BLOCK, min(w, (j + 1) * BLOCK)
        # Two sums at once: one would wait for each addition.
        even, odd, n = np.float32(0.0), np.float32(0.0), (y1 - y0) * (x1 - x0)
        for x in range(x0, x1 - 1, 2):
            even += total[x]
            odd += total[x + 1]
            n -= hidden[x] + hidden[x + 1]
        if (x1 - x0) % 2:
            even += total[x1 - 1]
            n -= hidden[x1 - 1]
        means[i, j] = (even + odd) / n if 4 * n >= (y1 - y0) * (x1 - x0) else np.nan


@njit(cache=True, nogil=True)
def ground(means: NDArray, level: NDArray) -> None:  # type: ignore[type-arg]
    """Slow part of the residual: medians of 3x3 block means, spread over columns into `level` (blocks, w)."""
    rows, cols = means.shape
    w = level.shape[1]
    around = np.empty(9, dtype=np.float32)
    calm = np.zeros((rows, cols), dtype=np.float32)
    for i in range(rows):
        for j in range(cols):
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
            if n > 0:
                calm[i, j] = np.float32(0.5) * (around[(n - 1) // 2] + around[n // 2])
    for x0 in range(-BLOCK // 2, w, BLOCK):
        # From the middle of one block to that of the next.
        j = min(max(x0 // BLOCK, 0), cols - 1)
        k = min(max(x0 // BLOCK + 1, 0), cols - 1)
        first, last = max(x0, 0), min(x0 + BLOCK, w)
        for i in range(rows):
            low, rise = calm[i, j], calm[i, k] - calm[i, j]
            for x in range(first, last):
                level[i, x] = low + np.float32((x - x0 + 0.5) * (1.0 / BLOCK)) * rise


@njit(cache=True, nogil=True)
def level_at(level: NDArray, y: int, x: int) -> float:  # type: ignore[type-arg]
    """Value of the slow ground at one pixel."""
    rows = level.shape[0]
    f = (y + 0.5) / BLOCK - 0.5
    i = min(max(int(np.floor(f)), 0), rows - 1)
    k = min(i + 1, rows - 1)
    t = min(max(f - i, 0.0), 1.0)
    return float(level[i, x] + t * (level[k, x] - level[i, x]))


@njit(cache=True, nogil=True)
def smooth(
    res: NDArray,  # type: ignore[type-arg]
    level: NDArray,  # type: ignore[type-arg]
    threshold: NDArray,  # type: ignore[type-arg]
    left: NDArray,  # type: ignore[type-arg]
    right: NDArray,  # type: ignore[type-arg]
    out: NDArray,  # type: ignore[type-arg]
    hits: NDArray,  # type: ignore[type-arg]
) -> None:
    """Binomial 3x3 mean of the residual less its slow part; `hits` counts pixels above `threshold` in a row."""
    h, w = res.shape
    rows = level.shape[0]
    column = np.empty(w + 2, dtype=np.float32)
    sixteenth, two = np.float32(0.0625), np.float32(2.0)
    for y in range(h):
        # Views of single rows: the compiler then works on several pixels at once.
        a, b, c = res[max(y - 1, 0)], res[y], res[min(y + 1, h - 1)]
        for x in range(w):
            column[x + 1] = a[x] + two * b[x] + c[x]
        column[0], column[w + 1] = column[1], column[w]
        f = (y + 0.5) / BLOCK - 0.5
        i = min(max(int(np.floor(f)), 0), rows - 1)
        t = np.float32(min(max(f - i, 0.0), 1.0))
        low, high = level[i], level[min(i + 1, rows - 1)]
        row, limit = out[y], threshold[y]
        for x in range(w):
            v = sixteenth * (column[x] + two * column[x + 1] + column[x + 2])
            row[x] = v - (low[x] + t * (high[x] - low[x]))
        if left[y] <= right[y]:
            for x in range(min(max(0, left[y]), w), max(min(w, right[y] + 1), 0)):
                row[x] = np.float32(-1e30)
        n = np.int32(0)
        for x in range(w):
            n += np.int32(row[x] > limit[x])
        hits[y] = n


@njit(cache=True, nogil=True)
def overall_gain(
    frame: NDArray,  # type: ignore[type-arg]
    background: NDArray,  # type: ignore[type-arg]
    places: NDArray,  # type: ignore[type-arg]
    black: float,
    sign: float,
    offset: float,
    left: NDArray,  # type: ignore[type-arg]
    right: NDArray,  # type: ignore[type-arg]
) -> float:
    """Brightness of this frame's ground over the learned one: median ratio at chosen pixels outside the pool."""
    ratios = np.empty(places.size, dtype=np.float64)
    w = frame.shape[1]
    n = 0
    for i in range(places.size):
        y, x = places[i] // w, places[i] % w
        if left[y] <= x <= right[y]:
            continue
        ratios[n] = (sign * frame[y, x] + offset - black) / (background[y, x] - black)
        n += 1
    if n < 50:
        return 1.0
    return float(middle_of(ratios, n))
