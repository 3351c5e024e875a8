"""The run sheet on paper: one HTML file without anything from outside, for the clipboard beside the machine."""

from __future__ import annotations

from html import escape

from ..experiment.factors import SHAPE
from .runsheet import RunSheet, factor_units, shown

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
tr.block td { background: #e8e8e8; font-weight: 600; -webkit-print-color-adjust: exact; print-color-adjust: exact }
.small { font-size: 9pt }
"""


def run_sheet_html(sheet: RunSheet, title: str, outcomes: tuple[str, ...] = ()) -> str:
    """The run sheet as a page that prints.

    Parameters
    ----------
    sheet
        The runs.
    title
        Of the trial.
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
    facts = [
        sheet.plan.name,
        *sheet.notes,
        f"random order from seed {sheet.seed}",
        *factor_units(sheet.plan.factors),
    ]
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(title)}</title>\n<style>{_STYLE}</style>\n</head>\n<body>\n"
        f"<h1>{escape(title)}</h1>\n"
        f"<p>Date ____________ &nbsp; Operator ____________ &nbsp; Machine ____________ &nbsp; "
        "Sheet, batch ____________</p>\n"
        f"<ul class='small'>{''.join(f'<li>{escape(line)}</li>' for line in CAUTIONS)}</ul>\n"
        f"<table>\n<thead><tr>{head}</tr></thead>\n<tbody>\n" + "\n".join(rows) + "\n</tbody>\n</table>\n"
        f"<h1 style='margin-top:1rem'>What this trial can tell</h1>\n"
        f"<ul class='small'>{''.join(f'<li>{escape(line)}</li>' for line in facts + sheet.told.lines())}</ul>\n"
        "</body>\n</html>\n"
    )
