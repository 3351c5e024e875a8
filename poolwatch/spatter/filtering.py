"""From a frame to the smoothed picture of what stands above the ground, in one thread and few passes."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .ordering import middle_of

# Distance of the discs that widen an outline, px.
_STRIDE = 2.0
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
def residual(
    frame: NDArray,  # type: ignore[type-arg]
    background: NDArray,  # type: ignore[type-arg]
    scale: NDArray,  # type: ignore[type-arg]
    left: NDArray,  # type: ignore[type-arg]
    right: NDArray,  # type: ignore[type-arg]
    i: int,
    out: NDArray,  # type: ignore[type-arg]
    total: NDArray,  # type: ignore[type-arg]
    hidden: NDArray,  # type: ignore[type-arg]
) -> None:
    """Grey values above the learned background in row `i` of blocks; sums of its columns, without what is hidden.

    `scale` (sign, offset, gain, black · (1 − gain)) turns a dark scene bright and the learned ground as bright as the
    frame's; `hidden` counts the pixels of each column that are.
    """
    h, w = frame.shape
    s, o, g, b0 = scale[0], scale[1], scale[2], scale[3]
    total[:] = np.float32(0.0)
    hidden[:] = 0
    for y in range(i * BLOCK, min(h, (i + 1) * BLOCK)):
        seen, learned, row = frame[y], background[y], out[y]
        if left[y] > right[y]:
            for x in range(w):
                v = s * np.float32(seen[x]) + o - (g * learned[x] + b0)
                row[x] = v
                total[x] += v
        else:
            for x in range(w):
                row[x] = s * np.float32(seen[x]) + o - (g * learned[x] + b0)
            _add_seen(row, left[y], right[y], total, hidden)


@njit(cache=True, nogil=True)
def _add_seen(row: NDArray, left: int, right: int, total: NDArray, hidden: NDArray) -> None:  # type: ignore[type-arg]
    """Add a row to the sums of its columns, but for what is hidden from `left` to `right`."""
    w = row.size
    a, b = w, w
    if left <= right:
        a, b = min(max(0, left), w), min(max(right + 1, 0), w)
    for x in range(a):
        total[x] += row[x]
    # Slices, so that the compiler sees no index below 0 and works on several pixels at once.
    sums, rest = total[b:], row[b:]
    for x in range(w - b):
        sums[x] += rest[x]
    for x in range(a, b):
        hidden[x] += 1


@njit(cache=True, nogil=True)
def sums_again(
    res: NDArray,  # type: ignore[type-arg]
    left: NDArray,  # type: ignore[type-arg]
    right: NDArray,  # type: ignore[type-arg]
    owner: NDArray,  # type: ignore[type-arg]
    busy: NDArray,  # type: ignore[type-arg]
    i: int,
    total: NDArray,  # type: ignore[type-arg]
    hidden: NDArray,  # type: ignore[type-arg]
) -> None:
    """Sums of the residual's columns in row `i` of blocks, without what is hidden, has an owner or lies beside it.

    An owner is a particle already found; two pixels on either side are left out too. Rows that are not `busy` have none.
    """
    h, w = res.shape
    total[:] = np.float32(0.0)
    hidden[:] = 0
    for y in range(i * BLOCK, min(h, (i + 1) * BLOCK)):
        row = res[y]
        if not busy[y]:
            _add_seen(row, left[y], right[y], total, hidden)
            continue
        # How far on the last owner lies: those in the first two columns are looked at first.
        near = 5
        for x in range(min(2, w)):
            near = 0 if owner[y, x] != 0 else near + 1
        for x in range(w):
            ahead = min(x + 2, w - 1)
            near = 0 if owner[y, ahead] != 0 else near + 1
            if near < 5 or left[y] <= x <= right[y]:
                hidden[x] += 1
            else:
                total[x] += row[x]


@njit(cache=True, nogil=True)
def block_means(total: NDArray, hidden: NDArray, rows: int, means: NDArray) -> None:  # type: ignore[type-arg]
    """Means over one row of blocks, `rows` px high, from sums over columns; NaN where too little is in sight."""
    w = total.size
    for j in range(means.size):
        x0, x1 = j * BLOCK, min(w, (j + 1) * BLOCK)
        # Two sums at once: one would wait for each addition.
        even, odd, n = np.float32(0.0), np.float32(0.0), rows * (x1 - x0)
        for x in range(x0, x1 - 1, 2):
            even += total[x]
            odd += total[x + 1]
            n -= hidden[x] + hidden[x + 1]
        if (x1 - x0) % 2:
            even += total[x1 - 1]
            n -= hidden[x1 - 1]
        means[j] = (even + odd) / n if 4 * n >= rows * (x1 - x0) else np.nan


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
def ground(means: NDArray, level: NDArray) -> None:  # type: ignore[type-arg]
    """Slow part of the residual: medians of 3x3 block means, spread over columns into `level` (blocks, w)."""
    rows, cols = means.shape
    w = level.shape[1]
    around = np.empty(9, dtype=np.float32)
    calm = np.zeros((rows, cols), dtype=np.float32)
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
def light_at(background: NDArray, places: NDArray, black: float) -> NDArray:  # type: ignore[type-arg]
    """Learned light at chosen pixels, shape (k,); `places` are their rows and columns, shape (2, k)."""
    light = np.empty(places.shape[1])
    for i in range(light.size):
        light[i] = background[places[0, i], places[1, i]] - black
    return light


@njit(cache=True, nogil=True)
def overall_gain(
    frame: NDArray,  # type: ignore[type-arg]
    places: NDArray,  # type: ignore[type-arg]
    light: NDArray,  # type: ignore[type-arg]
    black: float,
    sign: float,
    offset: float,
    left: NDArray,  # type: ignore[type-arg]
    right: NDArray,  # type: ignore[type-arg]
) -> float:
    """Brightness of this frame's ground over the learned one: median ratio at chosen pixels outside the pool.

    `places` and `light` see `light_at`.
    """
    ratios = np.empty(light.size)
    n = 0
    for i in range(light.size):
        y, x = places[0, i], places[1, i]
        if left[y] <= x <= right[y]:
            continue
        ratios[n] = (sign * frame[y, x] + offset - black) / light[i]
        n += 1
    if n < 50:
        return 1.0
    return float(middle_of(ratios[:n]))
