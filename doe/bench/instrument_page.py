"""The page for readings with instruments in the workbook: one row a reading, cells checked, lists to choose from."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from doe.bench.brush import Brush
from doe.bench.cautions import LAST_WORD
from doe.bench.grids import letters
from doe.bench.instrument_columns import COLUMNS, DILUTED, DIRECT, INSTRUMENTS, LISTS, WEIGHTINGS, InstrumentColumn
from doe.bench.layout import SheetLayout
from doe.bench.measured import reading_times
from doe.bench.pages import batch_code

if TYPE_CHECKING:
    from openpyxl import Workbook

LEAST_ROWS, MOST_ROWS, ROWS_A_READING = 60, 1000, 4  # made ready: a reading may be a flow curve of several speeds
HOW_TO = (
    "One row a reading. Several speeds of one sample, a row each with the same spindle, are one flow curve.",
    "Do not take a mean first, and do not correct a pH for temperature: write what the instrument shows and the sample's temperature.",
    "Torque below 10 % or at full scale: write it down all the same; it is kept and marked.",
)
_HEAD_ROW = 8  # groups stand in the row above


def add_instrument_page(book: Workbook, layout: SheetLayout) -> None:
    """Add the page and the hidden lists that its cells choose from."""
    from openpyxl.styles import Alignment, Border, Font, PatternFill, Protection, Side

    from doe.bench.workbook import FONT, print_setup, put_cell

    study = layout.plan.study
    sheet: Any = book.create_sheet(INSTRUMENTS)
    thin, thick = Side(style="thin", color="999999"), Side(style="medium", color="000000")
    paint, unlocked = Brush(), Protection(locked=False)
    centred = Alignment(horizontal="center", vertical="center")
    entry_fill, head_fill = PatternFill("solid", fgColor="FFFBE6"), PatternFill("solid", fgColor="E6E6E6")
    put_cell(sheet, 1, 1, f"{INSTRUMENTS}: {study.name}").font = Font(name=FONT, bold=True, size=14)
    put_cell(sheet, 2, 1, layout.identity)
    units = [f"{r.name} in {r.unit}" if r.unit else f"{r.name} without a unit" for r in _read(layout)]
    lines = [*HOW_TO[:1], f"Reading: {'; '.join(units)}. {HOW_TO[1]}", HOW_TO[2], LAST_WORD]
    for row, line in enumerate(lines, start=3):
        put_cell(sheet, row, 1, line)
    sheet.cell(6, 1).font = Font(name=FONT, italic=True)
    last = _HEAD_ROW + rows_ready(layout)
    group_ends = [i for i, c in enumerate(COLUMNS) if i == 0 or c.group != COLUMNS[i - 1].group]
    for place, column in enumerate(COLUMNS):
        starts = place in group_ends
        group = put_cell(sheet, _HEAD_ROW - 1, place + 1, column.group if starts else None)
        group.font = Font(name=FONT, italic=True)
        head = put_cell(sheet, _HEAD_ROW, place + 1, column.head)
        head.font, head.fill = Font(name=FONT, bold=True), head_fill
        head.alignment = Alignment(wrap_text=True, vertical="center", horizontal="center")
        head.border = Border(top=thin, bottom=thick, left=thick if starts else thin, right=thin)
        sheet.column_dimensions[letters(place)].width = column.width
        border = Border(top=thin, bottom=thin, left=thick if starts else thin, right=thin)
        looks: dict[str, Any] = {"border": border, "fill": entry_fill, "protection": unlocked}
        if column.key not in ("file", "remark"):
            looks["alignment"] = centred
        if column.low is None:
            looks["number_format"] = "@"  # else a code or "1/2" might be made a date of
        for row in range(_HEAD_ROW + 1, last + 1):
            paint(sheet.cell(row, place + 1), **looks)
    sheet.row_dimensions[_HEAD_ROW].height = 62
    for row in range(_HEAD_ROW + 1, last + 1):
        sheet.row_dimensions[row].height = 18  # room to write by hand
    lists = _add_lists(book, layout)
    for place, column in enumerate(COLUMNS):
        rule = _rule(column, lists.get(column.key))
        rule.add(f"{letters(place)}{_HEAD_ROW + 1}:{letters(place)}{last}")
        sheet.add_data_validation(rule)
    frozen = next(i for i, c in enumerate(COLUMNS) if c.key == "time")
    sheet.freeze_panes = f"{letters(frozen)}{_HEAD_ROW + 1}"
    sheet.print_title_rows = f"{_HEAD_ROW - 1}:{_HEAD_ROW}"
    sheet.print_area = f"A1:{letters(len(COLUMNS) - 1)}{last}"
    print_setup(sheet, "landscape")
    sheet.oddFooter.left.text = layout.identity
    sheet.oddFooter.center.text = "Page &P of &N"
    sheet.oddFooter.right.text = "Date, signature: ______________"
    sheet.protection.sheet = True
    sheet.protection.formatColumns = sheet.protection.formatRows = False
    sheet.protection.insertRows = sheet.protection.sort = False  # allowed: a flow curve more than there is room for


def rows_ready(layout: SheetLayout) -> int:
    """How many empty rows are made ready."""
    readings = sum(len(r.occasions) for r in _read(layout))
    return min(max(ROWS_A_READING * len(layout.rows) * readings, LEAST_ROWS), MOST_ROWS)


def _read(layout: SheetLayout) -> list[Any]:
    """The responses that are read, not worked out."""
    return [r for r in layout.plan.study.responses if r.formula is None]


def _add_lists(book: Workbook, layout: SheetLayout) -> dict[str, str]:
    """Write what can be chosen on a hidden sheet (a rule of its own holds 255 letters only); the range of each list by column."""
    from doe.bench.workbook import put_cell

    read = _read(layout)
    times = reading_times(layout.plan.study)
    conditions = list(dict.fromkeys(c for r in read for c in r.conditions))
    chosen = {
        "batch": [batch_code(layout.plan, int(run)) for run in sorted(layout.plan.runs.index)],
        "response": [r.name for r in read],
        "time": times,
        "condition": conditions,
        "read_as": [DIRECT, DILUTED],
        "weighted": list(WEIGHTINGS),
    }
    sheet: Any = book.create_sheet(LISTS)
    ranges = {}
    for place, (key, values) in enumerate(chosen.items()):
        for row, value in enumerate(values, start=1):
            put_cell(sheet, row, place + 1, value)
        if values:
            ranges[key] = f"'{LISTS}'!${letters(place)}$1:${letters(place)}${len(values)}"
    sheet.sheet_state = "hidden"
    sheet.protection.sheet = True
    return ranges


def _rule(column: InstrumentColumn, choices: str | None) -> Any:
    """What a cell of this column takes. Where more than the rule knows may be meant, it asks instead of refusing."""
    from openpyxl.worksheet.datavalidation import DataValidation

    if choices is not None:
        rule = DataValidation(type="list", formula1=choices, allow_blank=True, showErrorMessage=True)
        rule.error = "Choose from the list, or leave the cell blank."
        # a run number is a batch too, and a gel may be diluted otherwise
        rule.errorStyle = "warning" if column.key in ("batch", "read_as") else "stop"
    elif column.low is None:
        rule = DataValidation(type=None, allow_blank=True)
    else:
        rule = DataValidation(
            type="whole" if column.key in ("replicate", "count") else "decimal",
            operator="between",
            formula1=repr(column.low),
            formula2=repr(column.high),
            allow_blank=True,
            showErrorMessage=True,
        )
        limits = "" if column.key == "reading" else f" from {column.low:,g} to {column.high:,g}"
        rule.error = f"This is usually a number{limits}. Keep it only if it stands there so on the instrument."
        rule.errorStyle = "warning" if column.key in ("reading", "torque") else "stop"
        if rule.errorStyle == "stop":
            rule.error = f"This must be a number{limits}, or blank."
    rule.errorTitle = rule.promptTitle = column.head[:32]
    rule.showInputMessage, rule.prompt = True, column.prompt[:255]
    return rule
