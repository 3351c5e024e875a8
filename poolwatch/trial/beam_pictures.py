"""Profiles of the beams of a trial, from the pictures that its manifest names."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path, PureWindowsPath
from typing import TYPE_CHECKING, Any, NamedTuple

from ..model.errors import PoolwatchError
from ..model.rounding import known
from ..model.weld_facts import BEAM_PICTURE, BEAM_PICTURE_SCALE

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd
    from numpy.typing import NDArray


class BeamPictures(NamedTuple):
    """Pictures by clip and by beam shape, and what kept others from being shown, one note a file."""

    by_clip: Mapping[str, NDArray[np.uint8]]
    by_shape: Mapping[str, NDArray[np.uint8]]
    notes: tuple[str, ...] = ()


def beam_pictures(scores: pd.DataFrame, folder: Path) -> BeamPictures:
    """The pictures that score rows name.

    Parameters
    ----------
    scores
        Score rows with ``beam_picture`` and ``beam_picture_mm_per_px``; without the first there are none.
    folder
        Where their paths begin: the manifest's folder.
    """
    from ..plan.beam_image import read_beam_image
    from ..show.beam_profile import BeamProfile, draw_profiles

    if BEAM_PICTURE not in scores:
        return BeamPictures({}, {})
    profiles, notes = {}, []
    named: dict[str, Any] = {
        str(row[BEAM_PICTURE]): row.get(BEAM_PICTURE_SCALE)
        for row in scores.to_dict("records")
        if isinstance(row[BEAM_PICTURE], str) and row[BEAM_PICTURE]
    }
    for name, scale in named.items():
        path = folder / PureWindowsPath(name).as_posix()
        try:
            image = read_beam_image(path)
        except PoolwatchError as error:
            notes.append(f"the beam's picture is not shown: {error}")
            continue
        profiles[name] = BeamProfile(image.values, float(scale) if known(scale) else None)
    drawn = draw_profiles(profiles)
    shown = scores[scores[BEAM_PICTURE].isin(list(drawn))]
    return BeamPictures(
        {str(clip): drawn[name] for clip, name in zip(shown["clip"], shown[BEAM_PICTURE], strict=True)},
        # Of a shape with several pictures, measured on several days say, the first stands for it.
        {
            str(shape): drawn[name]
            for shape, name in reversed(list(zip(shown["beam_shape"], shown[BEAM_PICTURE], strict=True)))
        },
        tuple(notes),
    )
