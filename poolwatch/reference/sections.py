"""All sections of the reference, each read out of what the rest of the code uses."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from pydantic_core import PydanticUndefined

from ..bead.measuring import BeadSettings
from ..clips.opening import READERS
from ..measure.settings import MeasureSettings
from ..measure.status_remedies import REMEDIES
from ..model.bead_tables import BEAD, BEAD_ALONG
from ..model.comparison_tables import COMPARISON_TABLES
from ..model.flags import BEAD_FLAGS, FLAGS, STATUSES
from ..model.materials import materials
from ..model.quantities import PARTS
from ..model.recording import Recording
from ..model.settings import Settings
from ..model.table import Table
from ..model.tables import FRAMES, MARKS, RANKING, SCORE, SPATTER, SPECTRA, TRACKS
from ..plan.beam_figures import BEAM
from ..simulate.truth_tables import TRUTH_TABLES
from ..spatter.counting import ENDS
from ..spatter.judging import REASONS
from ..stability.settings import PartSettings
from ..trial.settings import RankSettings
from .attributes import field_meanings, is_table
from .entries import ReferenceEntry, Section
from .words import CLIP_FILES, EXIT_CODES, FORMATS, MANIFEST, SCORES_MORE, TERMS, TRIAL_FILES

_WORD, _FILE, _COLUMN = ("word", "meaning"), ("file", "holds"), ("column", "unit", "meaning")
_SETTING = ("setting", "default", "meaning")


def sections() -> tuple[Section, ...]:
    """The whole reference, in the order of its page."""
    return (*_files_and_tables(), *_words_of_tables(), *_manifest_and_settings(), *_formats())


def _files_and_tables() -> tuple[Section, ...]:
    return (
        Section("terms", "Terms", "", ("term", "meaning"), TERMS),
        Section(
            "files",
            "Files of one measured clip",
            "A missing value is an empty cell, never 0.",
            _FILE,
            CLIP_FILES,
        ),
        *(
            _table_section(table)
            for table in (
                *(FRAMES, SPATTER, TRACKS, SPECTRA, SCORE, RANKING),
                *COMPARISON_TABLES,
                *(MARKS, BEAD, BEAD_ALONG, BEAM),
                *TRUTH_TABLES,
            )
        ),
        Section(
            "scores.csv",
            "Columns of scores.csv beside those of score.csv",
            "Then come `factor_…`, `outcome_…` and facts of the weld, as in the manifest.",
            ("column", "meaning"),
            SCORES_MORE,
        ),
    )


def _words_of_tables() -> tuple[Section, ...]:
    return (
        Section("statuses", "Frame status", "", ("status", "meaning and what to do"), _statuses()),
        Section("flags", "Flags of a clip", "", ("flag", "meaning and what to do"), _words(FLAGS)),
        Section("ends", "How a particle's track ended", "", _WORD, _words(ENDS)),
        Section(
            "reasons",
            "Why a track was not counted",
            "Column `reason` of spatter_rejected.csv; its other columns are those of spatter.csv.",
            _WORD,
            _words(REASONS),
        ),
        Section(
            "bead-flags",
            "Flags of a photo of a weld",
            "",
            ("flag", "meaning and what to do"),
            _words(BEAD_FLAGS),
        ),
    )


def _manifest_and_settings() -> tuple[Section, ...]:
    return (
        Section(
            "manifest",
            "Columns of a manifest",
            "A row is one clip. Columns may be left out but for the first four.",
            ("column", "meaning"),
            MANIFEST,
        ),
        Section("trial-files", "Files of a trial", "", _FILE, TRIAL_FILES),
        Section(
            "recording",
            "Facts about a recording",
            "Table `[recording]` of a settings file. An option or a cell of the manifest goes before it.",
            _SETTING,
            tuple(_settings(Recording)),
        ),
        Section(
            "settings",
            "Settings",
            "TOML, given with `--settings`. `configs/` holds them with comments.",
            _SETTING,
            tuple(_settings(MeasureSettings)),
        ),
        Section(
            "index-parts",
            "Parts of the stability index",
            "Weights and half-values are defaults and ours: no standard sets them.",
            ("part", "from", "unit", "weight", "half-value", "value"),
            tuple(
                ReferenceEntry(
                    part.name, part.value, (part.source, part.unit, f"{part.weight:g}", f"{part.half:g}")
                )
                for part in PARTS
            ),
        ),
        Section(
            "rank-settings",
            "Settings of the ranking",
            "Table `[rank]` of a settings file.",
            _SETTING,
            tuple(_settings(RankSettings, "rank.")),
        ),
        Section(
            "bead-settings",
            "Settings of a photo of a weld",
            "Given as options of `poolwatch bead` where there is one.",
            _SETTING,
            tuple(_settings(BeadSettings)),
        ),
    )


def _formats() -> tuple[Section, ...]:
    return (
        Section(
            "materials",
            "Materials",
            "Liquid at the melting point. Add your own with `materials_file`.",
            ("material", "density, kg/m³", "source"),
            tuple(
                ReferenceEntry(key, metal.source, (f"{metal.density_kg_m3:g}",))
                for key, metal in materials().items()
            ),
        ),
        Section(
            "formats",
            "Recordings that can be read",
            "",
            ("reader", "endings", "takes"),
            tuple(
                ReferenceEntry(name, FORMATS[name], (" ".join(endings),))
                for name, (_, _, endings) in READERS.items()
            ),
        ),
        Section("exit-codes", "Exit codes", "", ("code", "meaning"), EXIT_CODES),
    )


def _words(meanings: Mapping[str, str]) -> tuple[ReferenceEntry, ...]:
    return tuple(ReferenceEntry(word, meaning) for word, meaning in meanings.items())


def _statuses() -> tuple[ReferenceEntry, ...]:
    return tuple(
        ReferenceEntry(
            word, meaning + (f". {REMEDIES[word][0].upper()}{REMEDIES[word][1:]}" if word in REMEDIES else "")
        )
        for word, meaning in STATUSES.items()
    )


def _table_section(table: Table) -> Section:
    return Section(
        table.name,
        f"Columns of {table.name}",
        f"A row is {table.row}.",
        _COLUMN,
        tuple(ReferenceEntry(column.name, column.meaning, (column.unit,)) for column in table.columns),
    )


def _settings(settings: type[Settings], place: str = "") -> Iterator[ReferenceEntry]:
    """Every field of a settings class, those of the tables inside it after its own."""
    meanings = field_meanings(settings)
    inside = []
    for name, field in settings.model_fields.items():
        kind: Any = field.annotation
        if is_table(kind):
            inside.append((name, kind))
            continue
        default = field.get_default(call_default_factory=True)
        if name == "parts":
            yield from _parts(place, default)
        else:
            yield ReferenceEntry(place + name, meanings[name], (_shown(default),))
    for name, kind in inside:
        yield from _settings(kind, f"{place}{name}.")


def _parts(place: str, parts: Mapping[str, PartSettings]) -> Iterator[ReferenceEntry]:
    meanings = field_meanings(PartSettings)
    for name, part in parts.items():
        for field, meaning in meanings.items():
            yield ReferenceEntry(f"{place}parts.{name}.{field}", meaning, (_shown(getattr(part, field)),))


def _shown(value: Any) -> str:
    if value is PydanticUndefined:
        return "required"
    if value is None or value in ((), {}, ""):
        return "not set"
    if isinstance(value, bool):
        return str(value).lower()
    return f"{value:g}" if isinstance(value, float) else str(value)
