"""All settings of one measurement, and where they come from."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

from pydantic import Field, model_validator

from ..clips import ClipSettings
from ..model.axes import Scale
from ..model.errors import UsageError
from ..model.recording import Recording, scale_facts
from ..model.settings import Settings, read_toml
from ..pool.settings import PoolSettings
from ..spatter.settings import SpatterSettings
from ..stability.settings import StabilitySettings

_LATER = ("scale_picture_px", "scale_place_px", "scale_crop_px")


class ViewSettings(Settings):
    """Which part of the picture is looked at.

    Attributes
    ----------
    region
        Region of interest (left, top, right, bottom), px, right and bottom excluded; None: the whole picture.
    mask
        Picture of the size of the clip's, not 0 where nothing is to be looked at; a path, in a settings file relative
        to that file. None: nothing is hidden by a mask.
    hide
        Rectangles (left, top, right, bottom), px in the picture, right and bottom excluded, that are not looked at.
    sample_frames
        Frames of the first look.
    """

    region: tuple[int, int, int, int] | None = Field(default=None, examples=[(32, 0, 480, 512)])
    mask: str | None = Field(default=None, min_length=1, examples=["mask.png"])
    hide: tuple[tuple[int, int, int, int], ...] = Field(default=(), max_length=1000)
    sample_frames: int = Field(default=64, ge=1, le=1000)

    @model_validator(mode="after")
    def _region_has_room(self) -> ViewSettings:
        if self.region is not None:
            left, top, right, bottom = self.region
            if min(left, top) < 0 or right - left < 16 or bottom - top < 16:
                raise ValueError("region must be left, top, right, bottom in px and at least 16 px each way")
        for left, top, right, bottom in self.hide:
            if min(left, top) < 0 or right <= left or bottom <= top:
                raise ValueError("each rectangle of hide must be left, top, right, bottom in px")
        return self


class MeasureSettings(Settings):
    """Everything that changes numbers, beside the facts about the recording.

    Attributes
    ----------
    recording
        Facts about the recording that hold for all clips measured with these settings; what is given for a clip
        itself goes before.
    clip, view, pool, spatter, stability
        Settings of each step.
    spatter_on
        Whether particles are looked for.
    spatter_in_illuminated
        Whether they are looked for in illuminated footage, too: bright, dark and half-lit ones, beside the pool, not
        over it. A particle that takes more than five frames for its own diameter may be missed.
    materials_file
        A file of materials instead of the one that comes with poolwatch; a path, in a settings file relative to
        that file.
    """

    recording: dict[str, Any] = Field(default_factory=dict)
    clip: ClipSettings = ClipSettings()
    view: ViewSettings = ViewSettings()
    pool: PoolSettings = PoolSettings()
    spatter: SpatterSettings = SpatterSettings()
    stability: StabilitySettings = StabilitySettings()
    spatter_on: bool = True
    spatter_in_illuminated: bool = True
    materials_file: str | None = Field(default=None, min_length=1, examples=["my_metals.toml"])

    @model_validator(mode="after")
    def _recording_is_known(self) -> MeasureSettings:
        strangers = sorted(set(self.recording) - set(Recording.model_fields))
        if strangers:
            raise ValueError(
                f"unknown recording fact {strangers[0]!r}; known: {', '.join(Recording.model_fields)}"
            )
        return self

    def seeks_spatter(self, kind: str) -> bool:
        """Whether particles are looked for in footage of a kind."""
        return self.spatter_on and (kind != "illuminated" or self.spatter_in_illuminated)

    def fingerprint(self) -> str:
        """Sixteen hexadecimal digits that change whenever a value does, or what a file it names holds.

        Raises
        ------
        UsageError
            The mask or the file of materials cannot be read.
        """
        return _digits(_by_content(self, self.model_dump(mode="json")))


def read_settings(path: MeasureSettings | str | Path | None) -> MeasureSettings:
    """Read a settings file; the defaults where `path` is None. Settings that were read before are given back.

    Raises
    ------
    UsageError
        The file is not as it should be; the message names the place.
    """
    if path is None:
        return MeasureSettings()
    if isinstance(path, MeasureSettings):
        return path
    settings = MeasureSettings.checked(read_toml(path), where=str(path))
    # Here, for where they are used nobody knows any more which value came from which file.
    Recording.checked({"record_rate_hz": 1.0, **settings.recording}, where=f"{path}, recording")
    # Absolute, so that the clip can be measured again from what run.json holds.
    view, materials = settings.view, settings.materials_file
    if view.mask is not None:
        mask = _beside(path, "view.mask", view.mask)
        settings = settings.model_copy(update={"view": view.model_copy(update={"mask": mask})})
    if materials is not None:
        settings = settings.model_copy(update={"materials_file": _beside(path, "materials_file", materials)})
    return settings


def _beside(settings: str | Path, name: str, path: str) -> str:
    """Where a file lies that the setting `name` of a settings file points to: relative to that file."""
    place = Path(settings).parent / path
    try:
        place = place.resolve()
        there = place.exists()
    except (OSError, ValueError):  # a name that no disc could hold
        there = False
    if not there:
        raise UsageError(
            f"{settings}: {name} {path!r}: no such file, looked for {place}; a path in a settings file is relative "
            "to the folder of that file"
        )
    return str(place)


def recording_of(settings: MeasureSettings, given: dict[str, Any], *, where: str) -> Recording:
    """Facts about a recording: what is given for the clip, then what the settings say.

    Parameters
    ----------
    settings
        Its `recording` holds for what is not given.
    given
        Values by the names of `Recording`; None where not known. A ``scale``, that is a `Scale` or a scale file, stands
        for all that it says.
    where
        Where they were given, for messages.

    Raises
    ------
    UsageError
        The record rate is missing, a value is of the wrong kind or out of range, the scale file cannot be read, or
        there are two scales.
    """
    given = _with_scale(given, where)
    values = {**settings.recording, **{name: value for name, value in given.items() if value is not None}}
    if given.get("mm_per_px") is not None:
        # Another scale than that of the settings: nothing of how that one was made holds. None is said by None.
        values |= {name: given.get(name) for name in ("stretch", "scale_picture_px", "scale_place_px")}
    if values.get("record_rate_hz") is None:
        raise UsageError(
            f"{where}: the record rate is missing; give the rate at which the camera took the frames "
            "(--record-rate HZ): a file's playback rate is another thing"
        )
    return Recording.checked(values, where=where)


def _with_scale(given: dict[str, Any], where: str) -> dict[str, Any]:
    """Facts with what a scale says in its place."""
    facts = {name: value for name, value in given.items() if name != "scale"}
    scale = given.get("scale")
    if scale is None:
        return facts
    if facts.get("mm_per_px") is not None:
        raise UsageError(f"{where}: gives mm_per_px and a scale; give one, not both")
    if not isinstance(scale, Scale):
        from ..scale.file import read_scale

        scale = read_scale(scale)
    return facts | scale_facts(scale)


def settings_id(settings: MeasureSettings, recording: Recording) -> str:
    """Sixteen hexadecimal digits that change whenever something that changes numbers does.

    A mask and a file of materials count by what is in them, not by where they are.

    Raises
    ------
    UsageError
        One of these files cannot be read.
    """
    values = _by_content(settings, settings.model_dump(mode="json", exclude={"recording"}))
    facts = recording.model_dump(mode="json", exclude={"beam_shape", "replicate", "scale_source"})
    # Facts that came later do not change what was measured without them.
    facts = {name: value for name, value in facts.items() if name not in _LATER or value is not None}
    return _digits([values, facts])


def _by_content(settings: MeasureSettings, values: dict[str, Any]) -> dict[str, Any]:
    """Values with the contents of files in place of their paths, and nothing of a mask where nothing is hidden."""
    if settings.materials_file is not None:
        values = {**values, "materials_file": _hash("materials_file", settings.materials_file)}
    if settings.view.mask is not None:
        values = {**values, "view": {**values["view"], "mask": _hash("view.mask", settings.view.mask)}}
    return values


def _hash(name: str, path: str) -> str:
    return hashlib.sha256(content_of(name, path)).hexdigest()


def content_of(name: str, path: str | Path) -> bytes:
    """Bytes of a file that the setting `name` points to.

    Raises
    ------
    UsageError
        It cannot be read.
    """
    try:
        return Path(path).read_bytes()
    except OSError as error:
        raise UsageError(f"{name} {path}: cannot be read ({error.strerror}); check the path") from None


def _digits(values: Any) -> str:
    text = json.dumps(values, sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()[:16]
