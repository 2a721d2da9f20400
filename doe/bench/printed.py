"""The run sheet as a page to print and write on by hand."""

from __future__ import annotations

import datetime
from decimal import Decimal

import numpy as np

from doe.bench.cautions import CAUTIONS, LAST_WORD
from doe.bench.columns import AGAIN
from doe.bench.dates import date_text
from doe.bench.due import Jar, due_at
from doe.bench.jar_labels import MADE_BY, SKIN, apart_due, apart_words, label_words
from doe.bench.layout import TO_SETTLE, SheetLayout
from doe.bench.made_apart import POURED
from doe.bench.pages import ANEW, COLUMNS, CONSTANTS, LABELS, NET_MASS, BatchPage, PageLine, constants
from doe.study.trial import specification_text

_PAGE = """<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<title>Run sheet: {{ study.name }}</title>
<style>
  @page { size: A4 landscape; margin: 12mm 10mm; }
  body { font: 10pt/1.35 "DejaVu Sans", Arial, Helvetica, sans-serif; color: #000; background: #fff; margin: 1em; }
  h1 { font-size: 15pt; margin: 0 0 2pt; }
  h2 { font-size: 11pt; margin: 8pt 0 2pt; }
  p { margin: 2pt 0; }
  ul { margin: 2pt 0; padding-left: 14pt; }
  .notes { white-space: pre-line; }
  .two { display: grid; grid-template-columns: 1fr 1fr; column-gap: 18pt; }
  .cautions { border: 1.5pt solid #000; padding: 4pt 8pt; margin: 8pt 0; break-inside: avoid; }
  .cautions h2 { margin-top: 0; }
  table { border-collapse: collapse; width: 100%; margin-top: 8pt; }
  thead { display: table-header-group; }
  tr { break-inside: avoid; }
  th, td { border: 0.6pt solid #555; padding: 2pt 4pt; text-align: center; }
  th { background: #e6e6e6; font-size: 9pt; vertical-align: bottom; print-color-adjust: exact; -webkit-print-color-adjust: exact; }
  td { height: 21pt; font-variant-numeric: tabular-nums; }
  td.entry { min-width: 52pt; background: #fff; }
  td.head { border: none; height: auto; text-align: left; padding-left: 0; font-size: 9pt; }
  td.made { font-size: 8.5pt; white-space: pre-line; text-align: left; }
  td.remark { min-width: 110pt; }
  table.dense th { font-size: 7pt; padding: 2pt; }
  table.dense td { font-size: 8pt; padding: 2pt; }
  table.dense td.entry { min-width: 30pt; }
  table.dense td.remark { min-width: 70pt; }
  tr.starts td { border-top: 2pt solid #000; }
  .sign { margin: 2pt 0 6pt; }
  @page upright { size: A4 portrait; margin: 12mm; }
  .batch { page: upright; break-before: page; max-width: 190mm; margin-top: 2em; }
  .batch h1 { display: flex; justify-content: space-between; border-bottom: 1.5pt solid #000; }
  .batch .settings { display: flex; flex-wrap: wrap; gap: 2pt 14pt; margin: 4pt 0; }
  .batch table { table-layout: fixed; margin-top: 4pt; }
  .batch th { font-size: 8pt; }
  .batch td { height: 15pt; font-size: 9pt; padding: 1pt 4pt; }
  .batch td.words { text-align: left; }
  .batch td.small, .batch td.note { font-size: 7.5pt; line-height: 1.2; }
  .batch td.note { text-align: left; }
  .batch td.grams { font-weight: bold; text-align: right; white-space: nowrap; }
  .batch tr.step td { background: #f2f2f2; print-color-adjust: exact; -webkit-print-color-adjust: exact; }
  .batch tr.caution td { height: auto; text-align: left; font-size: 7.5pt; line-height: 1.2; font-weight: bold; border-top: none; }
  .batch tr.total td { border-top: 1.5pt solid #000; font-weight: bold; }
  .batch td.plain { border: none; height: auto; text-align: left; padding: 0; }
  .batch .long td { height: 11pt; font-size: 8pt; }
  .batch .long td.words { padding-top: 0; padding-bottom: 0; }
  .long .fields { margin-top: 4pt; font-size: 8pt; }
  .batch .long td.small, .batch .long td.note, .batch .long tr.caution td { font-size: 6.5pt; line-height: 1.15; }
  .fields { display: grid; grid-template-columns: 1fr 1fr; gap: 9pt 18pt; margin: 8pt 0 0; }
  .fields div:only-child { grid-column: 1 / -1; }
  .fields div { border-bottom: 0.6pt solid #555; font-size: 9pt; padding-bottom: 1pt; }
  .labels { display: grid; grid-template-columns: 1fr 1fr; }
  .labels div { border: 0.6pt dashed #555; padding: 6pt 8pt; break-inside: avoid; }
  .labels b { font-size: 14pt; }
  @media print { body { margin: 0; } .fill { break-before: page; } .batch { margin-top: 0; } }
</style>
</head>
<body>
<h1>Run sheet: {{ study.name }}</h1>
<p>{{ layout.count_text }}; {{ layout.order_text }}. {{ layout.identity }}.</p>
{% if layout.open_points %}<div class="cautions"><h2>{{ to_settle }}</h2><ul>{% for line in layout.open_points %}<li>{{ line }}</li>{% endfor %}</ul></div>{% endif %}
{% if study.notes %}<p class="notes">{{ study.notes }}</p>{% endif %}
<div class="two">
<div><h2>How to fill it in</h2><ul>{% for line in instructions %}<li>{{ line }}</li>{% endfor %}</ul></div>
<div><h2>What is measured</h2><ul>{% for r, spec in responses %}<li>{{ r.label }}{% if spec %}: specification {{ spec }}{% endif %}</li>{% endfor %}</ul></div>
</div>
<div class="cautions"><h2>Cautions</h2><ul>{% for line in cautions %}<li>{{ line }}</li>{% endfor %}</ul><p><strong>{{ last_word }}</strong></p></div>
<div class="fill">
<p class="sign">Made by: ______________________ &emsp; Measured by: ______________________ &emsp; Dates: ______________________</p>
<table{% if heads|length > 12 %} class="dense"{% endif %}>
<thead>
<tr><td class="head" colspan="{{ heads|length }}">{{ study.name }} &nbsp;·&nbsp; {{ layout.identity }} &nbsp;·&nbsp; {{ layout.order_text }}</td></tr>
<tr>{% for head in heads %}<th>{{ head }}</th>{% endfor %}</tr></thead>
<tbody>
{% for starts, cells in rows %}<tr{% if starts %} class="starts"{% endif %}>
{%- for kind, text in cells %}<td{% if kind in entry_kinds %} class="entry {{ kind }}"{% endif %}>{{ text }}</td>{% endfor -%}
</tr>
{% endfor %}</tbody>
</table>
</div>
{% if layout.pages or layout.jars %}
<section class="batch"><h1>{{ page_names[0] }}: the same for all batches</h1>
<p>{{ study.name }} &nbsp;·&nbsp; {{ layout.identity }}</p>
<div class="fields">{% for line in constants %}<div>{{ line }}:</div>{% endfor %}</div>
</section>
{% for page in layout.apart + layout.pages %}
<section class="batch">
<table{% if page.rows > 18 %} class="long"{% endif %}><colgroup>{% for w in (6, 7, 21, 10, 10, 12, 34) %}<col style="width:{{ w }}%">{% endfor %}</colgroup>
<thead><tr><td class="plain" colspan="7"><h1><span>{{ page.heading[0] }}</span><span>{{ page.heading[1] }}</span></h1><p>{{ study.name }}</p></td></tr>
<tr>{% for head in batch_heads %}<th>{{ head }}</th>{% endfor %}</tr></thead><tbody>
<tr><td class="plain" colspan="7">{% if page.sheet is defined %}{% for line in page.settings %}<p>{{ line }}</p>{% endfor %}
{% else %}<div class="settings">{% for line in page.settings %}<strong>{{ line }}</strong>{% endfor %}</div>{% endif %}</td></tr>
{% for line in page.lines %}<tr{% if line.grams is none %} class="step"{% endif %}><td>☐</td><td>{{ line.phase }}</td>
{%- if line.grams is none %}<td class="words" colspan="5">{{ line.do }}</td>
{%- else %}<td class="words">{{ line.do }}</td><td class="grams">{{ line.grams }}</td><td class="entry"></td><td class="small">{{ line.balance }}</td><td class="note">{{ line.note }}</td>
{%- endif %}</tr>
{% if line.role == "top up" %}<tr><td></td><td></td><td class="words">{{ net_mass }}</td><td class="grams">{{ page.net(line) }}</td><td class="entry"></td><td></td><td class="note">in proportion to the base really poured; weigh the beaker, less its tare</td></tr>
{% elif line.role == "follows the base" %}<tr><td></td><td></td><td class="words">{{ anew }}</td><td class="entry"></td><td></td><td></td><td class="note">{{ working(page, line) }}</td></tr>
{% endif %}{% for c in line.cautions %}<tr class="caution"><td colspan="2"></td><td colspan="5">⚠ {{ c }}</td></tr>
{% endfor %}{% endfor %}<tr class="total"><td></td><td></td><td class="words">together</td><td class="grams">{{ page.total }}</td><td></td><td></td><td></td></tr>
{% for pair in page.fields|batch(2) %}<tr><td class="plain" colspan="7"><div class="fields">{% for line in pair %}<div>{{ line }}:</div>{% endfor %}</div></td></tr>
{% endfor %}<tr><td class="plain" colspan="7"><p>{{ last_word }}</p></td></tr>
</tbody></table>
</section>
{% endfor %}
<section class="batch"><h1>{{ page_names[1] }}: one a jar</h1>
<div class="labels">{% for words, due, low in labels %}<div><b>{{ words[0] }}</b><br>{% for line in words[1:] %}{{ line }}<br>{% endfor %}<strong>{{ due }}</strong>{% for line in low %}<br>{{ line }}{% endfor %}</div>{% endfor %}</div>
</section>
{% endif %}
</body>
</html>
"""


AS_MADE = "as made, where otherwise than planned"


def _due(jar: Jar, layout: SheetLayout) -> str:
    """When a jar is due: the date where the finishing of its batch is known, else in words."""
    made = layout.made_at.get(jar.run)
    if jar.time and made is not None:
        return f"due {date_text(due_at(made, jar.time))}"
    return f"{jar.due_words}: ____________"


def page_text(layout: SheetLayout) -> str:
    """The page, as the content of its .html file; every word of the user's escaped."""
    from jinja2 import Environment

    rows = []
    # on paper one column takes whatever was made otherwise, and a batch made again is written into a row of its own by hand
    columns = [c for c in layout.columns if c.kind not in ("read_on", "as made", "again")]
    for row, starts in zip(layout.rows, layout.starts, strict=True):
        cells = []
        for column, value in zip(layout.columns, row, strict=True):
            if column not in columns:
                continue
            if column.kind == "made":
                text = "☐ made\n☐ failed"
            elif value is None:
                text = ""
            elif column.kind == "factor" and isinstance(value, float | np.floating):
                text = f"{value:.{column.decimals}f}"
            elif isinstance(value, datetime.datetime):
                text = date_text(value)
            else:
                text = str(value)
            cells.append((column.kind, text))
        rows.append((starts, [*cells, ("as made", "")]))
    study = layout.plan.study
    return (
        Environment(autoescape=True)
        .from_string(_PAGE)
        .render(
            layout=layout,
            study=study,
            rows=rows,
            responses=[(r, specification_text(r) if r.has_specification else "") for r in study.readings],
            cautions=CAUTIONS,
            last_word=LAST_WORD,
            page_names=(CONSTANTS, LABELS),
            batch_heads=COLUMNS,
            net_mass=NET_MASS,
            anew=ANEW,
            to_settle=TO_SETTLE,
            working=_working,
            constants=constants(layout.recipe, study),
            instructions=[line for line in layout.instructions if AGAIN not in line and "“read on" not in line],
            heads=[c.head for c in columns] + [AS_MADE],
            entry_kinds=("response", "covariate", "made_at", "made", "reason", "remark", "as made"),
            labels=[
                *((apart_words(page, study.name), apart_due(page), (MADE_BY, SKIN)) for page in layout.apart),
                *((label_words(jar, study.name), _due(jar, layout), (MADE_BY, SKIN)) for jar in layout.jars),
            ],
        )
    )


def _working(page: BatchPage, line: PageLine) -> str:
    """How a weighing that follows the base really poured is worked out by hand."""
    poured = next(item.grams for item in page.lines if item.role == POURED and item.grams is not None)
    assert line.grams is not None
    fixed = float(line.grams) - line.rate * float(poured)
    own = float(
        10 * Decimal(1).scaleb(int(line.grams.as_tuple().exponent))
    )  # beyond rounding: acid that the beaker adds
    more = "" if abs(fixed) < own else f" {'+' if fixed > 0 else '−'} {abs(fixed):.3f} g"
    return f"base really poured: ________ g ÷ 100 × {100 * line.rate:.4f} g{more}; write the result under target"
