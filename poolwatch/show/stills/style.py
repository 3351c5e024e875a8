"""One quiet style for all figures, and files that come out the same every time."""

from __future__ import annotations

import functools
import io
from collections.abc import Callable
from pathlib import Path
from typing import Any, ParamSpec

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from numpy.typing import NDArray

from ...model.files import written_whole
from ..palette import PAPER_INK, PAPER_LINE, PAPER_QUIET

STYLE: dict[str, Any] = {
    "font.family": "DejaVu Sans",
    "font.size": 9.0,
    "axes.titlesize": 9.0,
    "axes.titlelocation": "left",
    "axes.labelsize": 9.0,
    "axes.labelcolor": PAPER_INK,
    "axes.edgecolor": PAPER_QUIET,
    "axes.linewidth": 0.7,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.axisbelow": True,
    "axes.formatter.useoffset": False,
    "axes.unicode_minus": True,
    "grid.color": PAPER_LINE,
    "grid.linewidth": 0.6,
    "text.color": PAPER_INK,
    "xtick.color": PAPER_QUIET,
    "ytick.color": PAPER_QUIET,
    "xtick.labelcolor": PAPER_INK,
    "ytick.labelcolor": PAPER_INK,
    "lines.linewidth": 1.2,
    "lines.solid_joinstyle": "round",
    "legend.frameon": False,
    "legend.fontsize": 8.0,
    "figure.dpi": 110.0,
    "savefig.facecolor": "white",
    "svg.hashsalt": "poolwatch",
    "svg.fonttype": "path",
    "text.parse_math": False,
    "hatch.linewidth": 0.5,
    "hatch.color": PAPER_QUIET,
}
WIDTH = 7.2
"""Width of a figure across a page, inches."""
COLUMN = 4.2
"""Width of a figure in one of two columns, inches: on paper its smallest lettering, 8 points, keeps above 6."""

_P = ParamSpec("_P")


def styled(make: Callable[_P, Figure]) -> Callable[_P, Figure]:
    """Run a function that makes a figure under the common style, whatever the user's own settings are."""

    @functools.wraps(make)
    def made(*args: _P.args, **kwargs: _P.kwargs) -> Figure:
        with matplotlib.rc_context():
            matplotlib.rcdefaults()
            matplotlib.rcParams.update(STYLE)
            return make(*args, **kwargs)

    return made


Margins = tuple[float, float, float, float]
"""Left, bottom, right and top margin around the panels of a figure, inches."""


def new_figure(height: float, *, width: float = WIDTH, margins: Margins | None = None) -> Figure:
    """An empty figure of a size in inches.

    Panels keep clear of each other's words by themselves, which takes as long as drawing them; with `margins`
    they stand where those say, which suits figures whose words have a known size.
    """
    if margins is None:
        return Figure(figsize=(width, height), layout="constrained")
    figure = Figure(figsize=(width, height))
    left, bottom, right, top = margins
    figure.subplots_adjust(left / width, bottom / height, 1 - right / width, 1 - top / height)
    return figure


def bar_axes(figure: Figure, axes: Axes) -> Axes:
    """Room for a colour bar in the right margin of a figure, beside its panel, 0.85 times as high."""
    place, width = axes.get_position(), figure.get_figwidth()
    height = 0.85 * place.height
    return figure.add_axes(
        (place.x1 + 0.12 / width, place.y0 + (place.height - height) / 2, 0.1 / width, height)
    )


def nothing_to_show(words: str) -> Figure:
    """A small figure that says why it is empty."""
    figure = new_figure(1.0, width=COLUMN)
    figure.text(0.5, 0.5, words, ha="center", va="center", color=PAPER_QUIET, wrap=True)
    return figure


def panel_name(axes: Axes, text: str, above: float = 6.0) -> None:
    """Name a panel at its top left, so many points above it."""
    # Given a height, matplotlib need not look for one, which it does at the cost of measuring all words around.
    axes.set_title(text, color=PAPER_INK, y=1.0, pad=above)


def figure_pixels(figure: Figure, *, dpi: float = 110.0) -> NDArray[np.uint8]:
    """The figure as RGB values, shape (height, width, 3).

    Drawn once, where writing a PNG goes through every artist twice.
    """
    with matplotlib.rc_context():
        matplotlib.rcdefaults()
        matplotlib.rcParams.update(STYLE)
        figure.set_dpi(dpi)
        canvas = FigureCanvasAgg(figure)
        canvas.draw()
        return np.array(canvas.buffer_rgba(), dtype=np.uint8)[..., :3]


def figure_bytes(figure: Figure, kind: str, *, dpi: float = 110.0) -> bytes:
    """The figure as ``png`` or ``svg``; the same bytes every time."""
    out = io.BytesIO()
    metadata: dict[str, Any] = {"Date": None, "Creator": "poolwatch"} if kind == "svg" else {"Software": None}
    with matplotlib.rc_context():
        matplotlib.rcdefaults()
        matplotlib.rcParams.update(STYLE)
        figure.savefig(out, format=kind, metadata=metadata, dpi=dpi)
    return out.getvalue()


def save_figure(figure: Figure, path: str | Path) -> tuple[Path, Path]:
    """Write a figure as PNG and as SVG beside each other.

    Parameters
    ----------
    figure
        What to write.
    path
        Where; the ending is replaced.

    Returns
    -------
    tuple of pathlib.Path
        The PNG, for slides (220 dots an inch), and the SVG.

    Raises
    ------
    OutputError
        The place cannot be written.
    """
    path = Path(path)
    written = []
    for kind in ("png", "svg"):
        target = path.with_name(f"{path.name.removesuffix('.png').removesuffix('.svg')}.{kind}")
        with written_whole(target) as beside:
            beside.write_bytes(figure_bytes(figure, kind, dpi=220.0))
        # The panels have found their places with the first file.
        figure.set_layout_engine("none")
        written.append(target)
    return written[0], written[1]
