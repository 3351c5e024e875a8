"""`poolwatch bead`: the finished weld from photos."""

from __future__ import annotations

import itertools
from pathlib import Path, PureWindowsPath
from typing import TYPE_CHECKING, Any

import click

from .amounts import Amount
from .places import point

if TYPE_CHECKING:
    from ..measure.bead import BeadPhoto


@click.command("bead", context_settings={"help_option_names": ["-h", "--help"]})
@click.argument("photos", nargs=-1, type=click.Path(path_type=Path), metavar="PHOTO …")
@click.option("--mm-per-px", type=Amount("mm/px"), help="Size of a pixel in the plane of the sheet.")
@click.option(
    "--scale", type=click.Path(path_type=Path), help="Scale file instead; a tilt in it is set upright."
)
@click.option("--travel-speed", type=Amount("mm/s"), help="For the rate at which the ripples froze.")
@click.option(
    "--out", type=click.Path(path_type=Path), metavar="FILE.csv", help="CSV to write: a row a photo."
)
@click.option(
    "--details",
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Folder for a picture with edges, ripples and deposits of each photo, its table along the weld, and all "
    "photos at one scale.",
)
@click.option(
    "--manifest",
    type=click.Path(path_type=Path),
    help="Manifest whose rows get the figures as outcome_bead_…; its column bead_photo names the photo of each row. "
    "Without PHOTO all of them are measured.",
)
@click.option("--replace", is_flag=True, help="Let the manifest's outcome_bead_… cells be written over.")
@click.option(
    "--scores",
    multiple=True,
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Measured clip of the weld in each photo, in order; with --manifest the trial's folder. Its peaks are set "
    "beside the ripples.",
)
@click.option(
    "--near", type=point, metavar="X,Y", help="A place on the bead, px, where a photo holds several."
)
@click.option(
    "--belt", type=Amount("mm"), help="How far beside the bead deposits are counted (default 5 mm)."
)
@click.option("--widest", type=Amount("mm"), help="Widest bead that is looked for (default 8 mm).")
def command(photos: tuple[Path, ...], **given: Any) -> None:
    """The finished weld from photos: width, waviness of its edges, ripples, deposits.

    JPEG, PNG, TIFF or BMP of a straight weld with some sheet on both sides. Ends of the weld are left out. Ripples
    are given where a spacing stands out of a red-noise background. Deposits are particles stuck to the sheet.

    With a travel speed the ripples give a rate, speed / spacing (common practice, no source).

    No verdict on soundness: quality levels of laser-beam welds (ISO 13919-1, -2) are applied by people. They look at
    the weld itself, and at sections and tests of it. ISO 5817 excludes beam welding.

    \b
    poolwatch bead weld-1.jpg weld-2.jpg --mm-per-px 20um --out bead.csv --details bead
    poolwatch bead --scale photo.toml --manifest manifest.csv --scores trial
    """
    from ..measure.bead_pictures import in_words
    from ..model.bead_tables import BEAD
    from ..model.flags import BEAD_FLAGS
    from ..model.table import write_csv

    jobs = _Jobs(photos, given)
    measured, failed = _measured(jobs, given)
    flags: set[str] = set()
    for path, photo in measured.items():
        click.echo(str(path))
        for line in in_words(photo):
            click.echo(f"  {line}")
        if photo.row["flags"]:
            click.echo(f"  flags: {photo.row['flags']}")
        for line in jobs.against_pool(path, photo):
            click.echo(f"  {line}")
        # From the first place at which the bead is seen, as in its table along the weld.
        first = photo.px.strip.along[photo.px.edges.seen][0]
        for change in photo.px.changes:
            start, stop = ((place - first) * photo.mm_per_px for place in (change.start, change.stop))
            click.echo(f"  {change.kind} at {start:.1f} to {stop:.1f} mm")
        flags |= set(photo.row["flags"].split())
    for name in (name for name in BEAD_FLAGS if name in flags):
        click.echo(f"{name}: {BEAD_FLAGS[name]}", err=True)
    if measured:
        if given["out"] is not None:
            write_csv(given["out"], BEAD.frame([photo.row for photo in measured.values()]))
            click.echo(f"written: {given['out']}", err=True)
        if given["details"] is not None:
            _write_details(given["details"], measured)
        jobs.into_manifest({path: photo.row for path, photo in measured.items()})
    if failed:
        first = failed[0]
        if len(failed) > 1:
            reasons = "; ".join(map(str, failed))
            raise type(first)(f"{len(failed)} of {len(jobs.photos)} photos were not measured: {reasons}")
        raise first


def _measured(jobs: _Jobs, given: dict[str, Any]) -> tuple[dict[Path, BeadPhoto], list[Any]]:
    """Measure every photo; those that cannot be measured are kept for the end."""
    from ..bead.measuring import BeadSettings
    from ..measure.bead import measure_bead_photo
    from ..model.errors import ClipError, MeasurementError
    from .progress import bar

    wanted = {"belt_mm": given["belt"], "widest_mm": given["widest"]}
    settings = BeadSettings.checked(
        {name: value for name, value in wanted.items() if value is not None}, where="command line"
    )
    measured: dict[Path, BeadPhoto] = {}
    failed: list[Any] = []
    with bar("measuring", "photos") as tell:
        for number, path in enumerate(jobs.photos, 1):
            try:
                measured[path] = measure_bead_photo(
                    path, scale=jobs.scale, settings=settings, near=given["near"]
                )
            except (ClipError, MeasurementError) as error:
                failed.append(error)
            tell(number, len(jobs.photos))
    return measured, failed


class _Jobs:
    """The photos, their scale, and where they stand in a manifest; all checked before the first is read."""

    def __init__(self, photos: tuple[Path, ...], given: dict[str, Any]) -> None:
        from ..measure.ripple_rate import read_scores
        from ..model.axes import Scale
        from ..model.errors import UsageError
        from ..scale.file import read_calibration

        if (given["mm_per_px"] is None) == (given["scale"] is None):
            raise UsageError("give the size of a pixel: either --mm-per-px or --scale")
        self.scale = Scale(given["mm_per_px"]) if given["scale"] is None else read_calibration(given["scale"])
        self.speed: float | None = given["travel_speed"]
        self.manifest: Path | None = given["manifest"]
        self.replace: bool = given["replace"]
        self.rows: dict[Path, int] = {}
        if self.manifest is not None:
            self._read_manifest(photos)
            photos = photos or tuple(self.rows)
        elif self.replace:
            raise UsageError("--replace goes with --manifest")
        if not photos:
            raise UsageError("no photo: give one or more, or a manifest with a column bead_photo")
        if len({path.resolve() for path in photos}) < len(photos):
            raise UsageError("the same photo is given twice")
        self.photos = photos
        self._refuse_written_over(given)
        if given["scores"] and self.manifest is None and len(given["scores"]) != len(photos):
            raise UsageError(
                f"{len(photos)} photos but {len(given['scores'])} --scores; give one for each, in order"
            )
        self.scores = [read_scores(path) for path in given["scores"]]
        for path, rows in zip(given["scores"], self.scores, strict=True):
            if self.manifest is None and len(rows) != 1:
                raise UsageError(
                    f"--scores {path}: holds {len(rows)} clips; give the folder of the photo's own clip, or --manifest"
                )

    def _refuse_written_over(self, given: dict[str, Any]) -> None:
        """Refuse places to write to that are read: photos are not taken twice."""
        from ..model.errors import UsageError

        read = {path.resolve(): path for path in (*self.photos, given["scale"], self.manifest) if path}
        written = [] if given["out"] is None else [("--out", given["out"])]
        if given["details"] is not None:
            written += [("--details", path) for path in _details_of(given["details"], self.photos)]
        for option, path in written:
            if path.resolve() in read:
                raise UsageError(
                    f"{option} would write over {read[path.resolve()]}; give another place to write to"
                )

    def _read_manifest(self, photos: tuple[Path, ...]) -> None:
        from ..model.errors import UsageError
        from ..model.sheet import read_sheet

        assert self.manifest is not None
        self.sheet = sheet = read_sheet(self.manifest)
        if "bead_photo" not in sheet.columns:
            raise UsageError(
                f"{self.manifest}: has no column 'bead_photo' with the photo of each row's weld; add it"
            )
        paths = {
            number: self.manifest.parent / row["bead_photo"].replace("\\", "/")
            for number, row in enumerate(sheet.rows)
            if row["bead_photo"]
        }
        named: dict[Path, int] = {}
        for number, path in paths.items():
            other = named.setdefault(path.resolve(), number)
            if other != number:
                raise UsageError(
                    f"{self.manifest}: rows {sheet.lines[other]} and {sheet.lines[number]} name the same photo "
                    f"{path}; each weld has its own"
                )
        for path in photos:
            if path.resolve() not in named:
                raise UsageError(
                    f"{self.manifest}: no row names {path} in its column bead_photo; add it there"
                )
        self.rows = {path: named[path.resolve()] for path in photos or paths.values()}
        if self.replace:
            return
        full = [
            str(sheet.lines[number])
            for number in self.rows.values()
            if any(text for name, text in sheet.rows[number].items() if name.startswith("outcome_bead_"))
        ]
        if full:
            raise UsageError(
                f"{self.manifest}: row {', '.join(full)} already holds outcome_bead_… figures; write over them with "
                "--replace, or take the row's photo away"
            )

    def _score(self, path: Path) -> dict[str, Any] | None:
        if self.manifest is None:
            rows = self.scores[self.photos.index(path)] if self.scores else []
            return rows[0] if rows else None
        clip = self.sheet.rows[self.rows[path]].get("clip", "")
        rows = [row for scores in self.scores for row in scores]
        # A trial's rows name their clip as the manifest does; a clip measured alone is named without its folder.
        for name in (clip, PureWindowsPath(clip).name):
            same = [row for row in rows if name and row.get("clip") == name]
            if same:
                return same[0] if len(same) == 1 else None
        return None

    def against_pool(self, path: Path, photo: BeadPhoto) -> list[str]:
        """The ripples' rate, and the pool's peaks beside it, in words."""
        from ..measure.ripple_rate import compare_with_pool, ripple_rate
        from ..model.rounding import with_uncertainty

        score = self._score(path)
        speed = self.speed
        if speed is None and self.manifest is not None:
            text = self.sheet.rows[self.rows[path]].get("travel_speed_mm_s", "")
            speed = self.sheet.number(text) if text else None
        if speed is None and score is not None:
            value = score.get("travel_speed_mm_s")
            speed = value if value is not None and value > 0 else None
        if speed is None or photo.row["bead_ripple_spacing_mm"] != photo.row["bead_ripple_spacing_mm"]:
            return []
        rate, u = ripple_rate(photo.row, speed)
        lines = [
            f"ripples froze at {with_uncertainty(rate, u)} Hz (speed / spacing, {speed:g} mm/s taken as exact)"
        ]
        if score is None:
            return lines
        found = compare_with_pool(rate, u, score)
        lines += [
            f"{'agrees with' if one.agrees else 'differs from'} the peak of the {one.signal.replace('_', ' ')}, "
            f"{with_uncertainty(one.peak_hz, one.peak_u_hz)} Hz"
            for one in found
        ]
        return lines if found else [*lines, "no peak of the pool stands out in its clip"]

    def into_manifest(self, measured: dict[Path, dict[str, Any]]) -> None:
        """Write the figures into their rows; other cells stay as they are now: others may have filled in some."""
        from ..model.bead_tables import BEAD
        from ..model.sheet import write_sheet

        if self.manifest is None or not measured:
            return
        self._read_manifest(tuple(measured))
        columns = [f"outcome_{name}" for name in BEAD.names if name.startswith("bead_")]
        rows = [dict(row) for row in self.sheet.rows]
        for row in rows:
            for name in columns:
                row.setdefault(name, "")
        over = 0
        for path, figures in measured.items():
            row = rows[self.rows[path]]
            over += any(row[name] for name in columns)
            for name in columns:
                row[name] = figures[name.removeprefix("outcome_")]
        write_sheet(self.sheet, rows, columns)
        words = f" ({over} written over)" if over else ""
        click.echo(f"{len(measured)} rows of {self.manifest} got the figures of their photo{words}", err=True)


def _details_of(folder: Path, photos: tuple[Path, ...]) -> list[Path]:
    """Pictures of the photos, and of all of them; photos of one name from several folders are numbered."""
    taken = {"side_by_side"}
    paths = []
    for photo in photos:
        stems = (photo.stem if number == 1 else f"{photo.stem}-{number}" for number in itertools.count(1))
        stem = next(stem for stem in stems if stem.casefold() not in taken)
        taken.add(stem.casefold())
        paths.append(folder / f"{stem}.png")
    return [*paths, folder / "side_by_side.png"]


def _write_details(folder: Path, measured: dict[Path, BeadPhoto]) -> None:
    from ..measure.bead import bead_along
    from ..measure.bead_pictures import bead_picture, beads_side_by_side
    from ..model.table import write_csv
    from ..show.bead import write_picture

    for photo, path in zip(measured.values(), _details_of(folder, tuple(measured)), strict=False):
        write_picture(path, bead_picture(photo))
        write_csv(path.with_name(f"{path.stem}_along.csv"), bead_along(photo))
    if len(measured) > 1:
        write_picture(folder / "side_by_side.png", beads_side_by_side(list(measured.values())))
    click.echo(f"written: {folder}", err=True)
