"""Like with like: which score rows may stand in one ranking, and what has to be said about them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from ..model.errors import UsageError
from ..model.flags import FLAGS
from ..model.quantities import EXPOSURE, GIVEN, MATERIAL, RATE, SCALE, SPEED
from .facts import CONFIRMED, FACTS, StatedFacts, confirmed_by, refuted_facts
from .picture_outliers import stray_welds

if TYPE_CHECKING:
    import pandas as pd

# Facts that change what a camera sees: largest over smallest value that goes without a word.
_RATIOS = {
    RATE.name: (1.02, RATE.words, RATE.unit),
    EXPOSURE.name: (1.25, EXPOSURE.words, EXPOSURE.unit),
    SCALE.name: (1.5, SCALE.words, "mm a pixel"),
    SPEED.name: (1.02, SPEED.words, SPEED.unit),
    "band_low_hz": (1.001, "band, lower end", "Hz"),
    "band_high_hz": (1.001, "band, upper end", "Hz"),
    "spatter_min_diameter_mm": (1.05, "smallest particle that could be shown", "mm"),
}
_SAME = {MATERIAL.name: MATERIAL.words, "poolwatch_version": "version of poolwatch"}
# A settings id holds these facts too, so it tells of other settings only between rows that share them.
_FACTS = [*(fact.name for fact in GIVEN), "view_stretch", "view_stretch_deg"]
# Views whose scale differs with direction by no more than this between them count as one.
_ONE_VIEW = 0.02
# Flags of facts that the footage itself refutes: what rests on them is no figure of the weld.
REFUTED = ("scale_disagrees", "direction_disagrees", "footage_disagrees")
# Flags that bear on the index of a clip, not only on lengths or masses.
GRAVE = (
    "truncated",
    "undecodable_frames",
    "missing_frames",
    "dropped_frames",
    "uneven_times",
    "repeated_frames",
    *REFUTED,
    "pool_askew",
    "several_welds",
    "few_frames_measured",
    "no_steady_part",
    "too_short",
    "gain_drift",
    "pool_small",
)


@dataclass(frozen=True)
class Comparability:
    """What of a trial can be compared.

    Attributes
    ----------
    rows
        Score rows that count, index reset.
    excluded
        Columns ``clip``, ``beam_shape``, ``reason``: one row a clip that does not count.
    notes
        What differs between the clips and cannot be put right, one sentence each.
    clip_remarks
        The same by clip (number of the row in `rows`), a few words each.
    """

    rows: pd.DataFrame
    excluded: pd.DataFrame
    notes: tuple[str, ...]
    clip_remarks: dict[int, tuple[str, ...]]

    def without(self, failed: pd.DataFrame) -> Comparability:
        """The same with clips that have no row among those excluded: ``clip``, ``beam_shape``, ``reason``."""
        import pandas as pd

        return replace(self, excluded=pd.concat([failed, self.excluded], ignore_index=True))


def check_comparability(scores: pd.DataFrame) -> Comparability:
    """Sort out score rows that cannot stand beside the others, and name what differs between the rest.

    Refused, by name: rows without an index; rows whose facts the footage or the other clips refute, unless a column
    ``facts_confirmed`` says yes; the rarer kind of footage, because a glowing and an illuminated outline are not the
    same thing. Named only: differences in exposure, scale, tilt of the view, compression,
    travel speed, material, band, smallest particle, settings and version. A tilt is set upright before lengths,
    widths and areas are taken, so they may stand beside those of another; particles are seen from another side.

    Raises
    ------
    UsageError
        A clip is there twice, a beam shape is missing, or no row is left.
    """
    import pandas as pd

    rows = scores.reset_index(drop=True)
    _refuse_repeats(rows)
    reasons = pd.Series("", index=rows.index, dtype="object")
    reasons[rows["stability_index"].isna()] = "no stability index could be given: " + rows["flags"]
    _refute(rows, reasons)
    counts = rows[reasons == ""].groupby("footage")["beam_shape"].agg(["nunique", "size"])
    counts = counts[counts.index != ""].sort_values(["nunique", "size"], ascending=False, kind="stable")
    if len(counts) > 1:
        main = counts.index[0]
        other = (rows["footage"] != main) & (rows["footage"] != "") & (reasons == "")
        reasons[other] = (
            rows["footage"] + f" footage cannot be ranked beside {main} footage; rank it by itself"
        )
    out = reasons != ""
    excluded = rows.loc[out, ["clip", "beam_shape"]].assign(reason=reasons[out]).reset_index(drop=True)
    kept = rows[~out].reset_index(drop=True)
    if kept.empty:
        first = f" ({excluded['clip'][0]}: {excluded['reason'][0]})" if len(excluded) else ""
        raise UsageError(f"no clip is left to rank{first}; see the clips' score.csv")
    notes: list[str] = []
    remarks: dict[int, list[str]] = {}
    for column, (ratio, words, unit) in _RATIOS.items():
        _spread(kept, column, ratio, words, unit, notes, remarks)
    for column, words in _SAME.items():
        _unlike(kept, column, words, notes, remarks)
    _compression(kept, notes, remarks)
    _views(kept, notes, remarks)
    _settings(kept, notes, remarks)
    for stray, said in stray_welds(kept).items():
        remarks.setdefault(stray, []).append(said)
        notes.append(f"{kept['clip'][stray]}: {said}")
    for place, text in kept["flags"].items():
        grave = [flag for flag in text.split() if flag in GRAVE]
        if grave:
            remarks.setdefault(int(place), []).extend(grave)
    for flag in GRAVE:
        flagged = kept["flags"].str.split().map(lambda words, flag=flag: flag in words)
        if flagged.any():
            notes.append(f"{_clips(kept, flagged)}: {FLAGS[flag]}")
    return Comparability(
        kept, excluded, tuple(notes), {place: tuple(words) for place, words in remarks.items()}
    )


def _refute(rows: pd.DataFrame, reasons: pd.Series) -> None:
    """Say why a row cannot count whose facts are refuted."""
    cure = f"mend it and measure again, or confirm it with yes in a column {CONFIRMED}"
    confirmed = [confirmed_by(str(text)) is True for text in rows.get(CONFIRMED, [""] * len(rows))]
    for place, text in rows["flags"].items():
        refuted = next((flag for flag in REFUTED if flag in text.split()), None)
        if refuted and not confirmed[place] and reasons[place] == "":
            reasons[place] = f"{refuted}: {FLAGS[refuted]}; {cure}"
    factors = [name for name in rows if str(name).startswith("factor_")]
    kept = rows.index[reasons == ""]
    clips = [
        StatedFacts(
            {name: float(row[name]) for name in FACTS},
            (row["beam_shape"], *(str(row[name]) for name in factors)),
            {name: float(row[name]) for name in factors if isinstance(row[name], (int, float))},
            confirmed[place],
        )
        for place, row in zip(kept, rows.loc[kept].to_dict("records"), strict=True)
    ]
    for n, name, words in refuted_facts(clips):
        reasons[kept[n]] = f"{name}: {words}; {cure}"


def plain_number(value: float) -> str:
    """Four digits, or all before the point: 10000, not 1e+04."""
    return f"{value:.4g}" if abs(value) < 1e4 else f"{value:.0f}"


def _refuse_repeats(rows: pd.DataFrame) -> None:
    empty = rows["beam_shape"] == ""
    if empty.any():
        raise UsageError(f"row {empty.idxmax() + 2}, beam_shape: is empty; name the shape of every clip")
    _refuse_unknown_repeats(rows)
    for column in ("clip_id", "folder"):
        if column not in rows:
            continue
        twice = rows[(rows[column] != "") & rows[column].duplicated(keep=False)]
        if len(twice):
            first = twice.iloc[0]
            same = twice[twice[column] == first[column]]
            where = " and ".join(str(n + 2) for n in same.index)
            raise UsageError(
                f"rows {where}: the same recording ({first['clip']}, settings "
                f"{', '.join(dict.fromkeys(same['settings_id']))}) stands {len(same)} times; a weld counts once: "
                "keep one of the rows, or choose one settings id"
            )


def _refuse_unknown_repeats(rows: pd.DataFrame) -> None:
    """Rows without the recording's identity: the same name, shape and replicate, or index, is the same weld."""
    bare = rows[(rows["clip_id"] == "") & (rows["clip"] != "")]
    if "folder" in bare:
        bare = bare[bare["folder"].fillna("") == ""]
    for column in ("replicate", "stability_index"):
        twice = bare[bare.duplicated(["clip", "beam_shape", column], keep=False)]
        if len(twice):
            first = twice.iloc[0]
            same = twice[(twice["clip"] == first["clip"]) & (twice["beam_shape"] == first["beam_shape"])]
            where = " and ".join(str(n + 2) for n in same.index)
            raise UsageError(
                f"rows {where}: the same clip ({first['clip']}, {first['beam_shape']}) is given {len(same)} times; a "
                "weld counts once: keep one of the rows, or give each its own clip name, replicate or clip_id"
            )


def _spread(
    rows: pd.DataFrame,
    column: str,
    ratio: float,
    words: str,
    unit: str,
    notes: list[str],
    remarks: dict[int, list[str]],
) -> None:
    values = rows[column]
    given = values[values > 0]
    if len(given) and len(given) < len(rows) and column in ("exposure_s", "travel_speed_mm_s"):
        notes.append(f"{words}: not given for {_clips(rows, values.isna())}")
    if len(given) < 2 or given.max() <= ratio * given.min():
        return
    middle = given.median()
    unusual = (given / middle).clip(lower=0) - 1
    unusual = unusual[abs(unusual) > (ratio - 1) / 2]
    spread = f"{words}: {plain_number(given.min())} to {plain_number(given.max())} {unit} between clips"
    planned = rows.get(f"factor_{column}")
    if planned is not None and len(planned.unique()) > 1:
        notes.append(f"{spread}: a factor of the trial")
        return
    notes.append(f"{spread}; judge differences with care")
    for place in unusual.index:
        remarks.setdefault(int(place), []).append(f"{words} {plain_number(values[place])} {unit}")


def _unlike(
    rows: pd.DataFrame, column: str, words: str, notes: list[str], remarks: dict[int, list[str]]
) -> None:
    given = rows.loc[rows[column] != "", column]
    counts = given.value_counts(sort=False)
    if len(counts) < 2:
        return
    common = counts.idxmax()
    other = given[given != common]
    notes.append(f"{words}: {', '.join(map(str, counts.index))} between clips; judge differences with care")
    for place in other.index:
        remarks.setdefault(int(place), []).append(f"{words} {other[place]}")


def _compression(rows: pd.DataFrame, notes: list[str], remarks: dict[int, list[str]]) -> None:
    lossy = rows["flags"].str.split().map(lambda words: "lossy_video" in words)
    if not lossy.any() or lossy.all():
        return
    for place in rows.index[lossy]:
        remarks.setdefault(int(place), []).append("compressed with loss")
    notes.append(
        f"compression: with loss in {_clips(rows, lossy)}, without in the others; small particles look larger there: "
        "judge spatter mass with care"
    )


def _views(rows: pd.DataFrame, notes: list[str], remarks: dict[int, list[str]]) -> None:
    known = rows.index[rows["view_stretch"] > 0]
    if len(known) < 2:
        return
    stretch = rows.loc[known, "view_stretch"].to_numpy(dtype=np.float64)
    angle = rows.loc[known, "view_stretch_deg"].fillna(0.0).to_numpy(dtype=np.float64)
    # Twice the angle: a tilt and the same turned by half a turn are one.
    seen = np.log(stretch) * np.exp(2j * np.radians(angle))
    apart = np.abs(seen[:, None] - seen[None, :])
    usual = int(np.argmin(apart.sum(axis=1)))
    other = np.flatnonzero(apart[usual] > _ONE_VIEW)
    for i in other:
        tilt = "square" if stretch[i] == 1 else f"stretched {stretch[i]:.3g} times along {angle[i]:.0f}°"
        remarks.setdefault(int(known[i]), []).append(f"view {tilt}")
    if len(other):
        notes.append(
            "view: the camera was tilted differently between clips. Lengths, widths and areas are set upright, but "
            "particles and the keyhole are seen from another side: judge differences in them with care"
        )


def _settings(rows: pd.DataFrame, notes: list[str], remarks: dict[int, list[str]]) -> None:
    found = False
    for _, same in rows[rows["settings_id"] != ""].groupby(_FACTS, dropna=False, sort=False):
        common = same["settings_id"].mode()[0]
        for place in same.index[same["settings_id"] != common]:
            remarks.setdefault(int(place), []).append(f"settings {same['settings_id'][place]}")
            found = True
    if found:
        notes.append(
            "settings: clips with the same facts were measured with different settings; see their remarks"
        )


def _clips(rows: pd.DataFrame, which: pd.Series) -> str:
    names = rows.loc[which, "clip"].tolist()
    return ", ".join(names[:5]) + (f" and {len(names) - 5} more" if len(names) > 5 else "")
