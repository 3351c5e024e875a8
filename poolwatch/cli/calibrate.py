"""`poolwatch calibrate`: makes a scale file from a photo, two points or the travel speed, and compares two."""

from __future__ import annotations

import click

from .calibrate_compare import compare
from .calibrate_points import points
from .calibrate_ruler import ruler
from .calibrate_target import target
from .calibrate_travel import travel


@click.group("calibrate", context_settings={"help_option_names": ["-h", "--help"]})
def command() -> None:
    """Make a scale file: millimetres per pixel with its uncertainty.

    The target, the ruler or the points must be in the plane of the weld, with the camera, lens, zoom and
    picture size used for welding. Take the photo with the laser off and locked.
    """


command.add_command(points)
command.add_command(target)
command.add_command(ruler)
command.add_command(travel)
command.add_command(compare)
