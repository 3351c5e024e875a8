"""Scale from the photo of a ruler: the period of its graduation, by phase, to a small part of a pixel.

A graduation is a periodic pattern: its phase grows by one turn a mark. A line fitted to the phase gives the
period, its bend the change of scale along the ruler.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..model.axes import Size
from ..model.errors import MeasurementError, UsageError
from .calibration import Calibration, Input, ScaleLine
from .uncertainty import Budget, Contribution

Point = tuple[float, float]
LEAST_MARKS = 8
# A change of the period along the ruler, relative, that is worth a note.
_NOTABLE_CHANGE = 0.02
# A shift that finding the phase may leave at the ends of a graduation (uneven marks, vignetting), px.
_PHASE_PX = 0.05


@dataclass(frozen=True)
class Graduation:
    """A graduation found in a photo.

    Attributes
    ----------
    start, end
        The line (x, y) px along which it was taken.
    period_px, u_period_px
        Distance of neighbouring marks at the middle of the line, and its standard uncertainty, px.
    change
        Relative change of the period from one end of the line to the other: tilt.
    marks
        Marks counted along the line.
    scatter_px
        Scatter of the marks about the even graduation, px.
    dof
        Degrees of freedom of `u_period_px`.
    first_px
        Where the first mark is along the line, px from its start.
    """

    start: Point
    end: Point
    period_px: float
    u_period_px: float
    change: float
    marks: int
    scatter_px: float
    dof: int
    first_px: float = 0.0


def find_graduation(
    photo: NDArray[np.floating],
    line: tuple[Point, Point] | None = None,
    *,
    width_px: int = 0,
    period_px: float | None = None,
) -> Graduation:
    """Find the period of a graduation.

    Parameters
    ----------
    photo
        Grey values, shape (h, w).
    line
        Two image points (x, y) px between which the marks are crossed; None to look for the ruler.
    width_px
        Width of the strip averaged across the line, px; 0 for one period.
    period_px
        About how far neighbouring marks are apart, px; None to find it. Needed where longer marks at each fifth
        or tenth are mistaken for the graduation.

    Raises
    ------
    UsageError
        The line or the period makes no sense.
    MeasurementError
        No graduation of at least eight marks is found.
    """
    if period_px is not None and not period_px >= 3:
        raise UsageError(f"a graduation needs a period of at least 3 px, got {period_px!r}")
    if line is None:
        line = _look_for(photo, period_px)
    profile, length = _profile(photo, line, max(3, width_px or round(period_px or 8)))
    period = period_px or _period(profile)
    if not width_px and period_px is None and period > 10:
        profile, length = _profile(photo, line, round(period))
    if length < LEAST_MARKS * period:
        raise MeasurementError(
            f"only {length / period:.1f} marks of {period:.1f} px along the line; at least {LEAST_MARKS} are needed:"
            " take a longer line or a finer graduation"
        )
    return _by_phase(profile, period, line)


def scale_from_ruler(
    graduation: Graduation,
    pitch_mm: float,
    *,
    u_pitch_mm: float = 0.0,
    inputs: Mapping[str, Input] | None = None,
    picture_px: Size | None = None,
) -> Calibration:
    """Scale from a graduation of known pitch.

    Parameters
    ----------
    graduation
        As found.
    pitch_mm, u_pitch_mm
        Distance of neighbouring marks and its standard uncertainty, the same error for all, mm.
    inputs
        More to be noted in the scale file.
    picture_px
        Width and height of the photo, px.

    Raises
    ------
    UsageError
        The pitch makes no sense.
    """
    if not (math.isfinite(pitch_mm) and pitch_mm > 0):
        raise UsageError(f"the pitch must be above 0 mm, got {pitch_mm!r}")
    if not (math.isfinite(u_pitch_mm) and u_pitch_mm >= 0):
        raise UsageError(
            f"the pitch's uncertainty must be a finite number of at least 0 mm, got {u_pitch_mm!r}"
        )
    scale = pitch_mm / graduation.period_px
    length = math.dist(graduation.start, graduation.end)
    parts = (
        Contribution(
            "scatter of the marks", scale * graduation.u_period_px / graduation.period_px, graduation.dof
        ),
        Contribution("bias of finding the marks", scale * math.sqrt(2) * _PHASE_PX / length),
        Contribution("pitch of the ruler", scale * u_pitch_mm / pitch_mm),
        Contribution("scale changing along the ruler", scale * abs(graduation.change) / 2 / math.sqrt(3)),
    )
    return Calibration.made(
        scale,
        "ruler",
        Budget(parts),
        inputs={**(inputs or {}), "pitch_mm": pitch_mm, "u_pitch_mm": u_pitch_mm},
        found={
            "line_px": "{:.1f},{:.1f} to {:.1f},{:.1f}".format(*graduation.start, *graduation.end),
            "marks": graduation.marks,
            "period_px": graduation.period_px,
            "scatter_px": graduation.scatter_px,
            "change_along_line_percent": 100 * graduation.change,
            **ScaleLine.between(graduation.start, graduation.end).noted(),
        },
        notes=_notes(graduation, exact=u_pitch_mm == 0),
        picture_px=picture_px,
    )


def _notes(graduation: Graduation, *, exact: bool) -> tuple[str, ...]:
    """What to know before using the scale of a ruler; `exact`: its pitch was given without an uncertainty."""
    notes = ["A ruler shows the scale along itself only: a tilt of the camera across it stays unseen."]
    if abs(graduation.change) > _NOTABLE_CHANGE:
        notes.append(
            f"The period changes by {100 * abs(graduation.change):.1f} % along the ruler: the view is tilted."
            " A target photo would take that out."
        )
    if exact:
        notes.append("The ruler's pitch was taken as exact; give its uncertainty to have it in the budget.")
    return tuple(notes)


def _profile(
    photo: NDArray[np.floating], line: tuple[Point, Point], width: int
) -> tuple[NDArray[np.float64], float]:
    """Brightness every px along a line, averaged across `width` px; and the line's length, px."""
    from scipy.ndimage import map_coordinates

    (x0, y0), (x1, y1) = line
    if not all(math.isfinite(value) for value in (x0, y0, x1, y1)):
        raise UsageError(f"the line's ends must be finite numbers, got {line}")
    length = math.dist((x0, y0), (x1, y1))
    height, wide = photo.shape
    if length < 16:
        raise UsageError(f"the line is only {length:.3g} px long; give two ends further apart")
    if not all(-0.5 <= x <= wide - 0.5 and -0.5 <= y <= height - 0.5 for x, y in line):
        raise UsageError(
            f"the line from {(x0, y0)} to {(x1, y1)} px leaves the picture of {wide} x {height} px"
        )
    ux, uy = (x1 - x0) / length, (y1 - y0) / length
    along = np.arange(math.floor(length) + 1)
    across = np.arange(width) - (width - 1) / 2
    x = x0 + along[None] * ux - across[:, None] * uy
    y = y0 + along[None] * uy + across[:, None] * ux
    strip = map_coordinates(np.asarray(photo, dtype=np.float64), [y, x], order=3, mode="nearest")
    return strip.mean(axis=0), length


def _flattened(profile: NDArray[np.float64]) -> NDArray[np.float64]:
    x = np.linspace(-1, 1, profile.size)
    return np.asarray(profile - np.polynomial.Polynomial.fit(x, profile, 3)(x))


def _period(profile: NDArray[np.float64]) -> float:
    """Period of a profile: the shortest lag at which its autocorrelation is nearly as high as anywhere beyond 0."""
    flat = _flattened(profile)
    n = flat.size
    power = np.abs(np.fft.rfft(flat, 2 * n)) ** 2
    correlation = np.fft.irfft(power)[: n // 2] / np.arange(n, n - n // 2, -1)
    if correlation[0] <= 1e-12 * (1 + float(np.abs(profile).max()) ** 2):
        raise MeasurementError(
            "no graduation along the line: it is of one brightness; give a line across the marks"
        )
    correlation = correlation / correlation[0]
    peaks = (
        np.flatnonzero((correlation[1:-1] > correlation[:-2]) & (correlation[1:-1] >= correlation[2:])) + 1
    )
    peaks = peaks[peaks >= 3]
    if not peaks.size or correlation[peaks].max() < 0.15:
        raise MeasurementError(
            "no graduation stands out along the line; give a line across the marks and about how far apart they are"
        )
    good = peaks[correlation[peaks] >= 0.6 * correlation[peaks].max()]
    lag = int(good[0])
    # Later repeats of the same period fix it better.
    period = float(lag)
    for k in range(2, 9):
        near = peaks[np.abs(peaks - k * period) <= max(1.0, 0.15 * period)]
        if not near.size:
            break
        period = float(near[np.argmax(correlation[near])]) / k
    return period


def _by_phase(profile: NDArray[np.float64], period: float, line: tuple[Point, Point]) -> Graduation:
    """Refine a period by the phase of the demodulated profile."""
    from scipy.ndimage import gaussian_filter1d

    start, end = line
    flat = _flattened(profile)
    n = flat.size
    x = np.arange(n, dtype=np.float64)
    for _ in range(3):
        carrier = flat * np.exp(-2j * np.pi * x / period)
        # Wide enough to hold back the mean and the harmonics, which lie a whole carrier away.
        width = 0.8 * period
        smooth = gaussian_filter1d(carrier.real, width) + 1j * gaussian_filter1d(carrier.imag, width)
        inner = np.arange(math.ceil(2 * width), n - math.ceil(2 * width), max(1, round(period)))
        if inner.size < LEAST_MARKS - 2:
            raise MeasurementError(
                f"too few marks of {period:.1f} px along the line; at least {LEAST_MARKS} are needed: take a longer "
                "line"
            )
        strength = np.abs(smooth[inner])
        turns = np.unwrap(np.angle(smooth[inner])) / (2 * np.pi)
        middle = float(x[inner].mean())
        at = x[inner] - middle
        # A bend (tilt) where three parameters can be told from the scatter.
        line_fit = np.polynomial.Polynomial.fit(at, turns, 2 if inner.size >= 8 else 1, w=strength)
        slope = float(line_fit.deriv()(0.0))
        turn = middle / period + float(line_fit(0.0))
        period = 1.0 / (1.0 / period + slope)
    if strength.min() < 0.1 * strength.max():
        raise MeasurementError(
            "the graduation does not run along the whole line; give a line that lies on marks from end to end"
        )
    residuals = turns - line_fit(at)
    dof = max(1, inner.size - 3)
    scatter = math.sqrt(float(residuals @ residuals) / dof) * period
    # Neighbouring phases share pixels (the filter is about 2 periods wide): half of them are independent.
    u_slope = scatter * math.sqrt(2) / math.sqrt(float(at @ at))
    bend = float(line_fit.deriv(2)(0.0)) if line_fit.degree() > 1 else 0.0
    first = _first_mark(flat, middle - (turn - round(turn)) * period, period)
    return Graduation(
        start=start,
        end=end,
        period_px=period,
        u_period_px=u_slope * period,
        change=-bend * period * (n - 1),
        marks=int((n - 1 - first) // period) + 1,
        scatter_px=scatter,
        dof=max(1, dof // 2),
        first_px=first,
    )


def _first_mark(flat: NDArray[np.float64], brightest: float, period: float) -> float:
    """Where the first mark is: half a period from a brightest place where marks, the narrower part, are dark."""
    dark = float(np.mean(flat**3)) < 0
    return (brightest + (0.5 * period if dark else 0.0)) % period


def mark_places(graduation: Graduation) -> NDArray[np.float64]:
    """Image (x, y) px of the marks along the line, shape (n, 2), evenly spaced."""
    start, end = np.array(graduation.start), np.array(graduation.end)
    length = float(np.hypot(*(end - start)))
    along = np.arange(graduation.first_px, length + 1e-9, graduation.period_px)
    return np.asarray(start + along[:, None] / length * (end - start))


def _look_for(photo: NDArray[np.floating], period_px: float | None) -> tuple[Point, Point]:
    """The line along which a graduation runs strongest and longest: direction by spectrum, place by energy."""
    from scipy.fft import fft2, fftfreq
    from scipy.ndimage import gaussian_filter, map_coordinates, uniform_filter1d

    grey = np.asarray(photo, dtype=np.float64)
    height, width = grey.shape
    grey = grey - gaussian_filter(grey, 8 if period_px is None else max(3.0, period_px))
    window = np.outer(np.hanning(height), np.hanning(width))
    power = np.abs(fft2(grey * window)) ** 2
    fy, fx = fftfreq(height)[:, None], fftfreq(width)[None, :]
    frequency = np.hypot(fx, fy)
    allowed = (frequency > LEAST_MARKS / max(height, width)) & (frequency < 1 / 3) & (fx >= 0)
    if period_px is not None:
        allowed &= np.abs(frequency * period_px - 1) < 0.2
    power = np.where(allowed, gaussian_filter(power, 1, mode="wrap"), 0)
    j, i = np.unravel_index(int(np.argmax(power)), power.shape)
    if power[j, i] <= 0:
        raise MeasurementError("no graduation found in the photo; give the line across its marks")
    vx, vy = float(fx[0, i]), float(fy[j, 0])
    f = math.hypot(vx, vy)
    # Energy at that wave vector, place by place, in axes along (s) and across (t) the ruler.
    y, x = np.mgrid[:height, :width]
    wave = grey * np.exp(-2j * np.pi * (vx * x + vy * y))
    blur = 1.0 / f
    energy = np.hypot(gaussian_filter(wave.real, blur), gaussian_filter(wave.imag, blur))
    reach = math.hypot(height, width) / 2
    s, t = np.arange(-reach, reach), np.arange(-reach, reach)
    ux, uy = vx / f, vy / f
    px = (width - 1) / 2 + s[None] * ux - t[:, None] * uy
    py = (height - 1) / 2 + s[None] * uy + t[:, None] * ux
    inside = (px >= 2) & (px <= width - 3) & (py >= 2) & (py <= height - 3)
    turned = map_coordinates(energy, [py, px], order=1) * inside
    strong = turned > 0.4 * np.percentile(turned[inside], 99.5)
    row = int(np.argmax(uniform_filter1d((turned * strong).sum(axis=1), max(3, round(1 / f)))))
    runs = np.flatnonzero(np.diff(np.concatenate([[0], strong[row].astype(int), [0]])))
    if not runs.size:
        raise MeasurementError("no graduation found in the photo; give the line across its marks")
    lengths = runs[1::2] - runs[::2]
    best = int(np.argmax(lengths))
    first, last = runs[2 * best], runs[2 * best + 1] - 1
    return (
        (float(px[row, first]), float(py[row, first])),
        (float(px[row, last]), float(py[row, last])),
    )
