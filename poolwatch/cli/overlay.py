"""`poolwatch overlay`: the annotated video of a measured clip again, with other choices."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from .amounts import Amount


@click.command("overlay", short_help="the annotated video again, with other choices")
@click.argument("folder", type=click.Path(path_type=Path), metavar="DIR")
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Video to write, .mp4; a short loop for slides, .gif or .webp; with --still a picture, .png. Default: "
    "overlay.mp4 in DIR.",
)
@click.option("--clip", type=click.Path(path_type=Path), help="Where the recording is now, if it was moved.")
@click.option(
    "--start",
    "start_s",
    type=Amount("s", bare=True),
    metavar="S",
    help="Start of the part to show: 0.01 or 10ms.",
)
@click.option("--end", "end_s", type=Amount("s", bare=True), metavar="S", help="End of the part to show.")
@click.option(
    "--slow-motion", type=float, metavar="N", help="Times slower than life; default: fits a minute."
)
@click.option(
    "--layers", metavar="A,B,…", help="What is drawn, separated by commas; a wrong name lists them."
)
@click.option(
    "--plain-beside", is_flag=True, help="The picture with nothing drawn on it beside the annotated one."
)
@click.option("--turn", is_flag=True, help="Turn the picture so that travel points to the right.")
@click.option("--every-frame", is_flag=True, help="Show each frame once, however long that plays.")
@click.option(
    "--max-seconds", type=Amount("s", bare=True), metavar="S", help="Longest playing time (default 60 s)."
)
@click.option(
    "--still",
    "still_frame",
    type=click.IntRange(min=0),
    metavar="FRAME",
    help="Write this one frame as PNG instead.",
)
def command(
    folder: Path,
    out: Path | None,
    clip: Path | None,
    layers: str | None,
    still_frame: int | None,
    **given: Any,
) -> None:
    """The annotated video of a clip measured into DIR (the folder that holds its frames.csv).

    A loop shows the frames around the worst moment, unless a part is chosen, and repeats in slides without a player.

    \b
    poolwatch overlay results/single-spot-1 --out loop.webp --turn
    """
    from .. import write_overlay
    from ..measure import write_overlay_still
    from ..show.segments import OverlayChoices
    from .progress import bar

    values = {name: value for name, value in given.items() if value not in (None, False)}
    if layers is not None:
        values["layers"] = tuple(part.strip() for part in layers.split(",") if part.strip())
    choices = OverlayChoices.checked(values, where="command line")
    if still_frame is not None:
        target = write_overlay_still(folder, still_frame, out=out, choices=choices, clip=clip)
    else:
        with bar("writing the overlay", "pictures") as tell:
            target = write_overlay(folder, out=out, choices=choices, clip=clip, progress=tell)
    click.echo(f"written: {target}", err=True)
