"""How well a mean over a correlated series is known, and the block length that its correlation asks for."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class MeanError:
    """Standard error of a mean, and how many degrees of freedom stand behind it.

    Attributes
    ----------
    se
        Standard error of the mean.
    dof
        Degrees of freedom of `se`.
    effective_n
        Number of independent values that would give the same standard error.
    """

    se: float
    dof: float
    effective_n: float


def mean_error(values: NDArray[np.float64], phi: float, *, white: float = 0.0) -> MeanError:
    """Standard error of the mean of a correlated series by equally weighted cosines.

    The long-run variance is the mean of the squared first cosine coefficients, each divided by what a red
    spectrum of lag-one correlation `phi` over a white share gives there relative to frequency 0
    (prewhitening; Andrews & Monahan 1992, doi:10.2307/2951574). Student's t with as many degrees of freedom as
    cosines then holds (Lazarus, Lewis, Stock & Watson 2018, doi:10.1080/07350015.2018.1506926).

    Parameters
    ----------
    values
        Shape (n,): the series; frames that were not measured are simply left out (Datta & Du 2012).
    phi
        Lag-one correlation of its red part, 0 to 1.
    white
        Share of the white part in the variance.
    """
    from scipy.fft import dct

    n = len(values)
    memory = -1 / math.log(phi) if phi > 0 else 0.0
    flat = 0.1 * n / memory if memory > 0 else math.inf
    count = int(max(6, min(flat, 0.4 * n ** (2 / 3), n // 4)))
    coefficient = dct(values - values.mean(), type=2, norm="ortho")[1 : count + 1]
    angle = np.pi * np.arange(1, count + 1) / n

    def shape(w: NDArray[np.float64] | float) -> NDArray[np.float64]:
        return np.asarray((1 - white) * (1 - phi**2) / (1 + phi**2 - 2 * phi * np.cos(w)) + white)

    power = coefficient**2 / (shape(angle) / shape(0.0))
    longrun = float(np.mean(power))
    variance = float(np.var(values))
    effective = float(n) if longrun <= 0 else min(float(n), n * variance / longrun)
    return MeanError(math.sqrt(longrun / n), float(count), effective)


def autocovariance(values: NDArray[np.float64], longest: int) -> NDArray[np.float64]:
    """Autocovariance at lags 0 to `longest`: sums of products of departures from the mean, over n.

    Parameters
    ----------
    values
        Shape (n,): the series, no missing values.
    longest
        Largest lag, frames, below n.
    """
    from scipy.fft import irfft, next_fast_len, rfft

    deviation = values - values.mean()
    size = next_fast_len(len(values) + longest + 1, real=True)
    return np.asarray(irfft(np.abs(rfft(deviation, size)) ** 2, size)[: longest + 1]) / len(values)


def block_length(values: NDArray[np.float64]) -> tuple[float, float]:
    """Block lengths for the stationary and the circular bootstrap of a mean, frames.

    Politis & White 2004 (doi:10.1081/ETC-120028836) with the correction of Patton, Politis & White 2009
    (doi:10.1080/07474930802459016).

    Parameters
    ----------
    values
        Shape (n,): the series, no missing values.
    """
    n = len(values)
    deviation = values - values.mean()
    if n < 8 or not np.any(deviation):
        return 1.0, 1.0
    longest = math.ceil(math.sqrt(n))
    quiet = max(5, int(math.log10(n)))
    limit = min(longest + quiet, n - 2)
    product = autocovariance(values, limit) * n
    # Correlation of each pair of overlapping pieces, as the reference implementation takes it.
    square = deviation**2
    total = np.cumsum(square)
    lags = np.arange(1, limit + 1)
    lags = lags[lags < n - 1]
    head = total[n - 2 - lags]
    tail = total[-1] - total[lags]
    correlation = np.abs(product[lags]) / np.sqrt(np.maximum(head * tail, 1e-300))
    critical = 2 * math.sqrt(math.log10(n) / n)
    loud = correlation >= critical
    first = None
    for lag in range(1, longest + 1):
        if not loud[lag - 1 : lag - 1 + quiet].any():
            first = lag
            break
    bandwidth = limit if first is None else min(2 * first, limit)
    k = np.arange(1, bandwidth + 1)
    k = k[k < n]
    ratio = k / bandwidth
    window = np.where(ratio <= 0.5, 1.0, 2 * (1 - ratio))
    covariance = product[k] / n
    longrun = product[0] / n + 2 * np.sum(window * covariance)
    slope = 2 * np.sum(window * k * covariance)
    if not longrun > 0:
        return 1.0, 1.0
    most = math.ceil(min(3 * math.sqrt(n), n / 3))
    stationary = (2 * slope**2 / (2 * longrun**2)) ** (1 / 3) * n ** (1 / 3)
    circular = (2 * slope**2 / (4 / 3 * longrun**2)) ** (1 / 3) * n ** (1 / 3)
    return float(min(stationary, most)), float(min(circular, most))


def block_sums(
    values: NDArray[np.float64], length: int, resamples: int, generator: np.random.Generator
) -> NDArray[np.float64]:
    """Sums over circular block resamples, by differences of running sums.

    Parameters
    ----------
    values
        Shape (n, k): k series resampled with the same blocks.
    length
        Block length, frames.
    resamples
        Number of resamples.
    generator
        Source of random starts.

    Returns
    -------
    Shape (resamples, k): sums over n frames each (the last block is cut to fit).
    """
    n, series = values.shape
    length = max(1, min(length, n))
    whole, rest = divmod(n, length)
    running = np.concatenate([np.zeros((1, series)), np.cumsum(np.concatenate([values, values]), axis=0)])
    result = np.zeros((resamples, series))
    # In pieces, so that memory stays small for long clips with short blocks.
    piece = max(1, 2_000_000 // max(1, (whole + 1) * series))
    for begin in range(0, resamples, piece):
        size = min(piece, resamples - begin)
        start = generator.integers(0, n, size=(size, whole))
        # Sums of a few resamples at a time: what is looked up takes far more memory than where.
        few = max(1, size // 16)
        for row in range(0, size, few):
            part = start[row : row + few]
            result[begin + row : begin + row + len(part)] = (running[part + length] - running[part]).sum(
                axis=1
            )
        if rest:
            start = generator.integers(0, n, size=size)
            result[begin : begin + size] += running[start + rest] - running[start]
    return result
