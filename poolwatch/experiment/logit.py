"""The logit of an index from 0 to 100: the scale on which shapes are compared and welds scatter.

An index part x gives d = 1/(1 + (x/x½)^p), so ln(d/(1-d)) is linear in ln x: on the logit scale the scatter of welds
does not shrink towards the ends of the index as it does between 0 and 100.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
# Beyond half a point from an end an index says nothing finer: further out, one weld at 100 beside others at 95 would
# count as if it differed from them by more than 95 from 5.
_LEAST, _MOST = 0.005, 0.995


def logit(index: ArrayLike) -> Floats:
    """Logit of an index from 0 to 100; that of 0.5 and 99.5 beyond these."""
    share = np.clip(np.asarray(index, dtype=np.float64) / 100, _LEAST, _MOST)
    return np.asarray(np.log(share / (1 - share)))


def expit(value: ArrayLike) -> Floats:
    """Index from 0 to 100 of a logit."""
    return np.asarray(100 / (1 + np.exp(-np.asarray(value, dtype=np.float64))))
