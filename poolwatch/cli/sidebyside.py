"""`poolwatch sidebyside`: several measured clips in one video."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from .amounts import Amount


@click.command("sidebyside", short_help="several clips in one video: same scale, same time base")
@click.argument("folders", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="DIR DIR …")
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    required=True,
    metavar="FILE",
    help="Video to write, .mp4; or a short loop, .gif or .webp.",
)
@click.option(
    "--order",
    type=click.Choice(["given", "best-first", "worst-first"]),
    default="given",
    show_default=True,
    help="As the folders are given, or by stability index.",
)
@click.option(
    "--slow-motion",
    type=float,
    metavar="N",
    help="Times slower than life; default: the shortest clip fills the playing time.",
)
@click.option(
    "--start",
    "start_s",
    type=Amount("s", bare=True),
    metavar="S",
    help="Where to start, s after the start of each clip's steady part.",
)
@click.option("--seconds", type=Amount("s", bare=True), metavar="S", help="Playing time, s (default 20).")
@click.option("--width", type=int, metavar="PX", help="Width of the video, px (default 1600).")
@click.option("--plain", is_flag=True, help="Draw no outlines, keyhole regions and particles.")
@click.option(
    "--clip",
    "clips",
    multiple=True,
    type=click.Path(path_type=Path),
    metavar="CLIP",
    help="A recording that was moved since; may be given several times, in any order.",
)
def command(
    folders: tuple[Path, ...], out: Path, order: str, plain: bool, clips: tuple[Path, ...], **given: Any
) -> None:
    """Two to six measured clips in one video.

    Every clip is turned so that travel points to the right and shown at the same size of a millimetre. Time runs
    alike for all, each at its own record rate, from the start of its steady part; the clip that ends first ends
    the video. DIR is a folder that holds a clip's frames.csv. The index is shown as a ranking of these clips would take
    it: one band, one smallest particle. Where a ranking would not compare them, none is shown, and an order by index
    is refused.

    \b
    poolwatch sidebyside results/twin-spot-1 results/single-spot-1 --out compare.mp4 --order best-first
    """
    from ..measure import write_clips_side_by_side
    from ..model.errors import UsageError
    from ..show.sidebyside import SideBySideChoices
    from ..trial.alike import scored_alike
    from .progress import bar

    values = {name: value for name, value in given.items() if value is not None}
    values |= {"order": order.replace("-", "_"), "annotated": not plain}
    scores, unlike = scored_alike(folders) if 2 <= len(folders) <= 6 else (None, "")
    if unlike and order != "given":
        raise UsageError(
            f"--order {order}: the clips cannot be put in an order: {unlike}; leave --order out, or give clips that a "
            "ranking compares"
        )
    choices = SideBySideChoices.checked(values | {"indices": not unlike}, where="command line")
    with bar("writing the video", "pictures") as tell:
        write_clips_side_by_side(folders, out, choices=choices, scores=scores, clips=clips, progress=tell)
    if unlike:
        click.echo(f"no index is shown, the clips are not like for like: {unlike}", err=True)
    click.echo(f"written: {out}", err=True)
