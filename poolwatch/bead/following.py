"""The course of an edge from its likelihood at every state of every column: a hidden random walk."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from .facts import Floats

# Share of columns in which an edge may jump, and how far such a jump scatters, px.
_JUMPS, _JUMP = 0.01, 1.0


class Course(NamedTuple):
    """Mean and variance of the place in every column, px; the variance of its step from column to column."""

    place: Floats
    variance: Floats
    step_variance: float


def follow(likely: Floats, states: Floats, about: Floats, step_variance: float) -> Course:
    """Posterior of a random walk `about + state` (forward and backward sums, Rabiner 1989).

    Parameters
    ----------
    likely
        Shape (states, columns): log likelihood.
    states
        Places tried, px.
    about
        Shape (columns,): what the states are relative to, px.
    step_variance
        Variance of the walk's step from column to column, px².
    """
    count, columns = likely.shape
    apart = states[None, :] - states[:, None]
    moved = np.diff(about)[:, None, None] + apart[None]
    q = max(step_variance, 1e-6)
    # A step finer than the states is spread over them.
    q = q + (states[1] - states[0]) ** 2 / 12
    kernel = (1 - _JUMPS) * np.exp(-0.5 * moved**2 / q) / np.sqrt(q)
    kernel += _JUMPS * np.exp(-0.5 * (moved / _JUMP) ** 2) / _JUMP
    weight = np.exp(likely - likely.max(axis=0))
    forward, backward = np.empty((columns, count)), np.empty((columns, count))
    now = weight[:, 0] / weight[:, 0].sum()
    forward[0] = now
    for k in range(1, columns):
        now = (now @ kernel[k - 1]) * weight[:, k]
        now = now / now.sum()
        forward[k] = now
    now = np.ones(count)
    backward[-1] = now
    squares = 0.0
    narrow = moved**2
    for k in range(columns - 2, -1, -1):
        ahead = now * weight[:, k + 1]
        pair = kernel[k] * (forward[k][:, None] * ahead[None, :])
        squares += float((pair * narrow[k]).sum() / pair.sum())
        now = kernel[k] @ ahead
        now = now / now.sum()
        backward[k] = now
    posterior = forward * backward
    posterior /= posterior.sum(axis=1, keepdims=True)
    place = posterior @ states
    variance = posterior @ states**2 - place**2
    return Course(place, variance, squares / max(columns - 1, 1))
