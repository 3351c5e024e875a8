"""The run sheet on paper: one HTML file without anything from outside, for the clipboard beside the machine."""

from __future__ import annotations

from collections.abc import Mapping
from html import escape

from ..experiment.factors import SHAPE
from ..model.weld_facts import POWER, TITLE
from .runsheet import ASKED, SPEED, RunSheet, factor_units, shown

CAUTIONS = (
    "Class 4 laser: interlocks closed, eye protection for the wavelength, nobody in the controlled area.",
    "Lamps and illumination lasers: enclosure and eyewear of their own. A camera's filter protects no eye.",
    "Lock out the lasers before changing the set-up.",
    "Fume: extraction on. Fume of stainless steel holds hexavalent chromium (Cr(VI)) and nickel.",
    "Hot spatter: nothing that can burn nearby.",
    "A steady pool is no proof of a sound weld; a weld that carries load is judged by your code and its tests.",
    "Keep to the order of the runs. A run that fails is noted and, unless it was unsafe, repeated at the end of its "
    "block.",
)
# Words for the settings that stay the same through a trial, by column of the manifest.
_FIXED = {
    "customer": "customer",
    "date": "date",
    "welder": "welder",
    "machine": "laser, optics, machine",
    "sheet": "sheet: thickness, grade, batch",
    POWER: "laser power, W",
    SPEED: "travel speed, mm/s",
    "material": "material",
    "record_rate_hz": "record rate, Hz",
    "exposure_s": "exposure, s",
    "mm_per_px": "mm per pixel",
    "scale": "scale file",
    "travel_direction_deg": "travel direction in the picture, °",
}
_STYLE = """
@page { size: A4 landscape; margin: 12mm }
body { font: 11pt/1.35 system-ui, sans-serif; color: #000; background: #fff; margin: 1rem }
h1 { font-size: 15pt; margin: 0 0 .3rem }
p, ul { margin: .2rem 0 .6rem }
table { border-collapse: collapse; width: 100%; font-variant-numeric: tabular-nums }
thead { display: table-header-group }
tr { break-inside: avoid }
th, td { border: 1px solid #444; padding: .28rem .45rem; text-align: left }
td.n { text-align: right }
td.blank { min-width: 7rem }
.scroll { overflow-x: auto }
h2 { font-size: 12pt; margin: .5rem 0 .2rem }
dl.fixed { display: flex; flex-wrap: wrap; gap: .3rem 1.2rem; margin: 0 0 .6rem }
dl.fixed dt { font-size: 9pt }
dl.fixed dd { margin: 0; min-width: 8rem; min-height: 1.4em; border-bottom: 1px solid #444 }
tr.block td { background: #e8e8e8; font-weight: 600; -webkit-print-color-adjust: exact; print-color-adjust: exact }
.small { font-size: 9pt }
"""


def run_sheet_html(sheet: RunSheet, facts: Mapping[str, str], outcomes: tuple[str, ...] = ()) -> str:
    """The run sheet as a page that prints.

    Parameters
    ----------
    sheet
        The runs.
    facts
        What all runs share, by column of the manifest; ``title`` heads the page, what is not known gets a line to
        write on.
    outcomes
        Laboratory results for which the sheet leaves a column.
    """
    names = [factor.name for factor in sheet.plan.factors]
    shapes = sheet.shapes
    with_shape = SHAPE not in names
    heads = ["run", *names, *(["beam shape"] if with_shape else []), "clip file", *outcomes, "time, remarks"]
    rows = []
    for n, run in enumerate(sheet.runs):
        if sheet.blocks > 1 and (n == 0 or sheet.block[n] != sheet.block[n - 1]):
            rows.append(f'<tr class="block"><td colspan="{len(heads)}">block {sheet.block[n]}</td></tr>')
        cells = [f'<td class="n">{n + 1}</td>']
        for name in names:
            side = "" if isinstance(run[name], str) else ' class="n"'
            cells.append(f"<td{side}>{escape(shown(run[name]))}</td>")
        cells += [f"<td>{escape(shapes[n])}</td>"] if with_shape else []
        cells += ['<td class="blank"></td>'] * (2 + len(outcomes))
        rows.append(f"<tr>{''.join(cells)}</tr>")
    head = "".join(f'<th scope="col">{escape(name)}</th>' for name in heads)
    title = facts.get(TITLE, "")
    known = [
        sheet.plan.name,
        *sheet.notes,
        f"random order from seed {sheet.seed}",
        *factor_units(sheet.plan.factors),
    ]
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(title)}</title>\n<style>{_STYLE}</style>\n</head>\n<body>\n<main>\n"
        f"<h1>{escape(title)}</h1>\n"
        f"{_fixed(sheet, facts)}\n"
        f"<ul class='small'>{''.join(f'<li>{escape(line)}</li>' for line in CAUTIONS)}</ul>\n"
        f'<div class="scroll" tabindex="0" role="region" aria-label="Runs">\n'
        f"<table>\n<thead><tr>{head}</tr></thead>\n<tbody>\n"
        + "\n".join(rows)
        + "\n</tbody>\n</table>\n</div>\n"
        f"<h2>What this trial can show</h2>\n"
        f"<ul class='small'>{''.join(f'<li>{escape(line)}</li>' for line in known + sheet.told.lines())}</ul>\n"
        "</main>\n</body>\n</html>\n"
    )


def _fixed(sheet: RunSheet, facts: Mapping[str, str]) -> str:
    """Settings that stay the same, as given or as lines to write on; what is a factor is in the table."""
    varied = {factor.name for factor in sheet.plan.factors}
    wanted = {*ASKED, SPEED, "record_rate_hz", "exposure_s", "material", *facts}
    cells = [
        f"<div><dt>{escape(words)}</dt><dd>{escape(facts.get(name, ''))}</dd></div>"
        for name, words in _FIXED.items()
        if name in wanted and name not in varied
    ]
    return f'<h2>The same for all runs</h2>\n<dl class="fixed">{"".join(cells)}</dl>'
