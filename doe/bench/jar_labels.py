"""Labels for the jars: one a jar, with the day on which it is due as soon as the batch's finishing is written down."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from doe.bench.due import Jar
from doe.bench.grids import letters
from doe.bench.layout import SheetLayout
from doe.bench.pages import ApartPage
from doe.bench.workbook import FONT, MEASUREMENTS, heads_row, print_setup, put_cell
from doe.study.occasions import days

if TYPE_CHECKING:
    from openpyxl.worksheet.worksheet import Worksheet

SKIN = "Trial batch, not for use on skin."
MADE_BY = "made: ____________ by: ______"
_ACROSS = 2  # labels side by side
_DOWN = 7  # of them fill an A4 page
_EACH = 3  # rows a label: what it is, when it is due, what else is written on it


def label_words(jar: Jar, study_name: str) -> tuple[str, ...]:
    """The first lines of a label: the batch, the trial, the jar's occasion and what is read from it."""
    which = f"{jar.which}: " if jar.which else ""
    return f"{jar.code}   run {jar.run}", study_name, f"{which}{', '.join(jar.reads)}"


def apart_words(page: ApartPage, study_name: str) -> tuple[str, ...]:
    """The first lines of the label of what is made once and portioned: what it is, and the trial."""
    return f"{page.code}   {page.name}", study_name


def apart_due(page: ApartPage) -> str:
    """What is written on that label in place of a day on which to read."""
    return f"{page.portions}; mass: ________ g"


def finishing_cells(layout: SheetLayout) -> dict[int, str]:
    """Where on the page of readings each run's finishing is written down."""
    column = next((i for i, c in enumerate(layout.columns) if c.kind == "made_at"), None)
    if column is None:
        return {}
    run_at = next(i for i, c in enumerate(layout.columns) if c.kind == "run")
    first = heads_row() + 1
    return {
        int(str(row[run_at])): f"'{MEASUREMENTS}'!${letters(column)}${first + i}" for i, row in enumerate(layout.rows)
    }


def add_labels(sheet: Worksheet, layout: SheetLayout, finished: dict[int, str]) -> None:
    """Write the labels: of what is made once and portioned, then of every jar.

    A jar's has a cell that works out its date from the cell in which its batch's finishing is written, named by `finished`; till then it says
    in words when it is due.
    """
    from openpyxl.styles import Alignment, Border, Font, Side
    from openpyxl.worksheet.pagebreak import Break

    finished = finished or finishing_cells(layout)
    dashed = Side(style="dashed", color="555555")
    wrapped = Alignment(wrap_text=True, vertical="center", horizontal="left", indent=1)
    sides = [
        Border(left=dashed, right=dashed, top=dashed if part == 0 else None, bottom=dashed if part == 2 else None)
        for part in range(_EACH)
    ]
    for place in range(_ACROSS):
        sheet.column_dimensions[letters(place)].width = 46
    every: tuple[ApartPage | Jar, ...] = (*layout.apart, *layout.jars)
    for at, of in enumerate(every):
        row, column = at // _ACROSS * _EACH + 1, at % _ACROSS + 1
        if isinstance(of, Jar):
            words = label_words(of, layout.plan.study.name)
            due = _due_cell(sheet, row + 1, column, of, finished.get(of.run))
        else:
            words = apart_words(of, layout.plan.study.name)
            due = put_cell(sheet, row + 1, column, apart_due(of))
        top = put_cell(sheet, row, column, "\n".join(words))
        low = put_cell(sheet, row + 2, column, f"{MADE_BY}\n{SKIN}")
        for part, cell in enumerate((top, due, low)):
            cell.alignment, cell.border = wrapped, sides[part]
            cell.font = Font(name=FONT, size=12, bold=part == 1)
        lines = len(words) + sum(len(w) // 44 for w in words)
        tall = sheet.row_dimensions[row].height or 0.0
        sheet.row_dimensions[row].height = max(tall, 16.0 * lines + 2)
        if column == 1 and row > 1 and (row - 1) // _EACH % _DOWN == 0:
            sheet.row_breaks.append(Break(id=row - 1))
        sheet.row_dimensions[row + 1].height, sheet.row_dimensions[row + 2].height = 18, 34
    print_setup(sheet, "portrait")
    sheet.protection.sheet = True


def _due_cell(sheet: Worksheet, row: int, column: int, jar: Jar, source: str | None) -> Any:
    """The cell that says when a jar is due, from the cell in which its batch's finishing is written, where there is one."""
    if not jar.time or source is None:
        return put_cell(sheet, row, column, f"{jar.due_words}: ____________")
    due = sheet.cell(row, column)
    due.value = f'=IF(ISNUMBER({source}),{source}+{days(jar.time)!r},"{jar.due_words}: ____________")'
    due.number_format = '"due "yyyy-mm-dd' + ("" if days(jar.time) >= 2 else " hh:mm")
    return due
