"""Whether a scale file fits a clip: both must come from the same camera, zoom and picture, or a part cut out of it."""

from __future__ import annotations

from ..model.errors import MeasurementError
from ..model.recording import Recording
from .findings import Finding

# What may lie between the picture of a scale and that of a clip.
_CURE = (
    "if the camera only cut out a part (region of interest), say which by --scale-crop X,Y (scale_crop_px in the "
    "settings); if zoom, lens, binning or the file's size changed, calibrate again"
)


def other_size(recording: Recording, width: int, height: int) -> bool:
    """Whether the clip's pictures have another size than the scale's, and nothing says which part of them they are."""
    made_with = recording.scale_picture_px
    return recording.scale_crop_px is None and made_with is not None and made_with != (width, height)


def check_scale(recording: Recording, width: int, height: int) -> None:
    """Refuse a scale that cannot hold for a clip's pictures of `width` by `height` px.

    A part cut out of a picture keeps its scale, so another size alone is no fault where the view is square: it is
    flagged. In a tilted view the scale holds at one place, and the part that the clip shows must be known to hold it.

    Raises
    ------
    MeasurementError
        The part said to be cut out does not fit the pictures that the scale was made with; or the view is tilted, and
        the clip's part of it is not known or does not hold the place of the scale.
    """
    made_with = recording.scale_picture_px
    if made_with is None:
        return
    if other_size(recording, width, height) and recording.stretch is not None:
        raise MeasurementError(
            f"{_sizes(recording, width, height)}, and the view is tilted: its scale holds at one place of its picture; "
            f"{_CURE}{_resized(recording, width, height)}"
        )
    if recording.scale_crop_px is None:
        return
    x, y = recording.scale_crop_px
    if not (_one_in_other(x, width, made_with[0]) and _one_in_other(y, height, made_with[1])):
        raise MeasurementError(
            f"{_sizes(recording, width, height)}: cut out at {x},{y} that is no part of it; check --scale-crop "
            "(scale_crop_px): the place of the clip's top left pixel in the picture of the scale, px"
        )
    place = recording.scale_place_px
    if recording.stretch is None or place is None:
        return
    place_x, place_y = place
    if not (0 <= place_x - x <= width - 1 and 0 <= place_y - y <= height - 1):
        raise MeasurementError(
            f"the scale of the tilted view holds at x {place_x:.0f}, y {place_y:.0f} px of its picture, outside the "
            f"part of {width} x {height} px at {x},{y} that the clip shows. Calibrate again with --place at the weld"
        )


def scale_finding(recording: Recording | None, width: int, height: int) -> list[Finding]:
    """What an inspection says of it; nothing where the scale comes without the size of its pictures."""
    if recording is None or recording.scale_picture_px is None:
        return []
    why = "a scale holds for one camera, lens, zoom and binning; a part cut out of the picture keeps it"
    try:
        check_scale(recording, width, height)
    except MeasurementError as error:
        return [Finding("scale", str(error), "poor", why, "see the line above; measuring refuses it")]
    text = _sizes(recording, width, height)
    if other_size(recording, width, height):
        return [Finding("scale", text + _resized(recording, width, height), "fair", why, _CURE)]
    if recording.scale_crop_px is not None:
        x, y = recording.scale_crop_px
        return [Finding("scale", f"{text}, cut out at {x},{y}", "good", why)]
    return [Finding("scale", "made with pictures of the clip's size", "good", why)]


def _sizes(recording: Recording, width: int, height: int) -> str:
    assert recording.scale_picture_px is not None
    across, down = recording.scale_picture_px
    return f"the scale was made with pictures of {across} x {down} px, the clip's are {width} x {height} px"


def _resized(recording: Recording, width: int, height: int) -> str:
    """A hint where both sides differ by one factor, as binning and resizing make them."""
    assert recording.scale_picture_px is not None
    across, down = recording.scale_picture_px
    if across * height != down * width:
        return ""
    factor = f"{across / width:.3g}"
    return (
        f" (both sides by {factor}, as binning or resizing does: a pixel is then worth as many times as much)"
    )


def _one_in_other(start: int, length: int, whole: int) -> bool:
    """Whether a stretch of `length` that begins at `start` lies within `whole`, or holds all of it."""
    return (start >= 0 and start + length <= whole) or (start <= 0 and start + length >= whole)
