"""The run sheet as a spreadsheet workbook: a page to read first and a page to fill in, design cells locked, entry cells checked."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Any

import numpy as np

from doe.bench.cautions import CAUTIONS, LAST_WORD
from doe.bench.grids import letters
from doe.bench.layout import SheetColumn, SheetLayout
from doe.study import Categorical, Response
from doe.study.trial import specification_text

if TYPE_CHECKING:
    from openpyxl.worksheet.worksheet import Worksheet

RUNS = "Runs"
_TITLE_ROWS = 3  # above the heads of the page to fill in
FONT = "Calibri"  # that of the cells which have no style of their own
_PAGE_WIDTH = 80  # characters of it across a page
_BIGGEST = 1e300  # as good as no bound, to a spreadsheet program


def workbook_bytes(layout: SheetLayout, instruments: bool = False) -> bytes:
    """The workbook, as the content of its .xlsx file."""
    import openpyxl

    book = openpyxl.Workbook()
    first = book.active
    assert first is not None
    first.title = "Read first"
    _read_first(first, layout)
    runs = book.create_sheet(RUNS)
    _runs(runs, layout)
    if layout.recipe is not None:
        from doe.bench.batch_sheets import add_batch_sheets

        add_batch_sheets(book, layout, layout.recipe)
    if instruments:
        from doe.bench.instrument_page import add_instrument_page

        add_instrument_page(book, layout)
    book.active = 1
    book.properties.title = f"Run sheet: {layout.plan.study.name}"
    book.properties.creator = ""
    first.sheet_view.tabSelected = False
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def put_cell(sheet: Any, row: int, column: int, value: object) -> Any:
    """Write a cell; a text stays a text even where it looks like a formula."""
    cell = sheet.cell(row, column)
    if isinstance(value, str):
        cell.value = value
        cell.data_type = "s"
        if value.startswith(("=", "+", "-", "@")):
            cell.quotePrefix = True
    else:
        cell.value = value.item() if isinstance(value, np.generic) else value
    return cell


def _read_first(sheet: Worksheet, layout: SheetLayout) -> None:
    from openpyxl.styles import Alignment, Font

    study = layout.plan.study
    bold, wrapped = Font(name=FONT, bold=True), Alignment(wrap_text=True, vertical="top")
    lines: list[tuple[str, bool]] = [
        (f"Run sheet: {study.name}", True),
        (f"{len(layout.rows)} batches; {layout.order_text}.", False),
        (layout.identity, False),
    ]
    lines += [(line, False) for line in study.notes.splitlines() if line.strip()]
    lines += [
        ("", False),
        ("How to fill in the page “Runs”", True),
        *((f"• {line}", False) for line in layout.instructions),
    ]
    lines += [("", False), ("Factors", True)]
    for f in study.factors:
        levels = ", ".join(f.levels) if isinstance(f, Categorical) else f"{f.low:g} to {f.high:g}"
        lines.append((f"• {f.label}: {levels}" + (", hard to change" if f.hard_to_change else ""), False))
    lines += [("", False), ("Responses", True)]
    for r in study.responses:
        lines.append(
            (f"• {r.label}" + (f": specification {specification_text(r)}" if r.has_specification else ""), False)
        )
    lines += [("", False), ("Cautions", True), *((f"• {line}", False) for line in (LAST_WORD, *CAUTIONS))]
    sheet.column_dimensions["A"].width = _PAGE_WIDTH
    for row, (line, heading) in enumerate(lines, start=1):
        cell = put_cell(sheet, row, 1, line)
        cell.alignment = wrapped
        # a spreadsheet program fits the height of a wrapped row only when it is edited: give it room from the start
        sheet.row_dimensions[row].height = 15.0 * max(1, -(-len(line) // _PAGE_WIDTH))
        if heading:
            cell.font = bold
    sheet["A1"].font = Font(name=FONT, bold=True, size=14)
    sheet.row_dimensions[1].height = 20
    sheet.print_area = f"A1:A{len(lines)}"
    print_setup(sheet, "portrait")
    sheet.page_setup.fitToHeight = 1
    sheet.protection.sheet = True


def _runs(sheet: Worksheet, layout: SheetLayout) -> None:
    from openpyxl.styles import Alignment, Border, Font, PatternFill, Protection, Side

    thin, thick = Side(style="thin", color="999999"), Side(style="medium", color="000000")
    entry_fill, head_fill = PatternFill("solid", fgColor="FFFBE6"), PatternFill("solid", fgColor="E6E6E6")
    put_cell(sheet, 1, 1, f"Run sheet: {layout.plan.study.name}").font = Font(name=FONT, bold=True, size=14)
    put_cell(
        sheet,
        2,
        1,
        f"{layout.identity}; {layout.order_text}; {len(layout.rows)} batches. How to fill it in: page “Read first”.",
    )
    put_cell(sheet, 3, 1, LAST_WORD).font = Font(name=FONT, italic=True)
    top, last = _TITLE_ROWS + 1, _TITLE_ROWS + 1 + len(layout.rows)
    for place, column in enumerate(layout.columns):
        head = put_cell(sheet, top, place + 1, column.head)
        head.font, head.fill = Font(name=FONT, bold=True), head_fill
        head.alignment = Alignment(wrap_text=True, vertical="center", horizontal="center")
        head.border = Border(top=thin, bottom=thick, left=thin, right=thin)
        sheet.column_dimensions[letters(place)].width = _width(column, layout, place)
    for offset, (row, starts) in enumerate(zip(layout.rows, layout.starts, strict=True)):
        for place, (column, value) in enumerate(zip(layout.columns, row, strict=True)):
            entry = column.kind in ("response", "made", "remark")
            cell = (
                sheet.cell(top + 1 + offset, place + 1)
                if entry
                else put_cell(sheet, top + 1 + offset, place + 1, value)
            )
            cell.border = Border(top=thick if starts else thin, bottom=thin, left=thin, right=thin)
            cell.alignment = Alignment(
                vertical="center", wrap_text=column.kind == "remark", horizontal=None if entry else "center"
            )
            if entry:
                # no number format: where 6.12 is a date, a formatted cell would hide that one was made of it
                cell.protection, cell.fill = Protection(locked=False), entry_fill
            if column.decimals is not None and column.kind in ("factor", "order", "run"):
                cell.number_format = "0" if column.decimals == 0 else "0." + "0" * column.decimals
            elif column.kind == "remark":
                cell.number_format = "@"
        sheet.row_dimensions[top + 1 + offset].height = 20
    sheet.row_dimensions[top].height = 48
    for place, column in enumerate(layout.columns):
        rule = _rule(column)
        if rule is not None:
            rule.add(f"{letters(place)}{top + 1}:{letters(place)}{last}")
            sheet.add_data_validation(rule)
    frozen = next((i for i, c in enumerate(layout.columns) if c.kind == "response"), 2)
    # frozen factors would fill a small screen where there are many: then the run number alone stays
    sheet.freeze_panes = f"{letters(frozen if frozen <= 8 else 2)}{top + 1}"
    sheet.print_title_rows = f"{top}:{top}"
    sheet.print_area = f"A1:{letters(len(layout.columns) - 1)}{last}"
    print_setup(sheet, "landscape")
    sheet.oddFooter.left.text = layout.identity
    sheet.oddFooter.center.text = "Page &P of &N"
    sheet.oddFooter.right.text = "Date, signature: ______________"
    sheet.protection.sheet = True
    sheet.protection.formatColumns = False  # widths and heights may be set, or a long remark could not be seen
    sheet.protection.formatRows = False


def _rule(column: SheetColumn) -> Any:
    """What an entry column takes; None where anything goes."""
    from openpyxl.worksheet.datavalidation import DataValidation

    if column.kind == "made":
        rule = DataValidation(type="list", formula1='"made,failed"', allow_blank=True, showErrorMessage=True)
        rule.errorTitle, rule.error = "made / failed", 'Write "made" or "failed", or leave the cell blank.'
        return rule
    if column.response is None:
        return None
    low, high = column.response.domain
    allowed = _allowed(column.response)
    rule = DataValidation(
        type="decimal",
        operator="between",
        formula1=repr(max(low, -_BIGGEST)),
        formula2=repr(min(high, _BIGGEST)),
        allow_blank=True,
        showErrorMessage=True,
        showInputMessage=True,
    )
    rule.promptTitle, rule.prompt = column.response.name[:32], f"{allowed}, or blank."[:255]
    rule.errorTitle = column.response.name[:32]
    rule.error = f"This must be {allowed}. If nothing was read, leave it blank and say why as a remark."[:255]
    return rule


def _allowed(response: Response) -> str:
    low, high = response.domain
    unit = f" in {response.unit}" if response.unit else ""
    if np.isinf(low):
        return f"a number{unit}"
    return f"a number{unit}, {low:g} or above" if np.isinf(high) else f"a number{unit} from {low:g} to {high:g}"


def _width(column: SheetColumn, layout: SheetLayout, place: int) -> float:
    if column.kind == "remark":
        return 36.0
    longest = max((len(str(row[place])) for row in layout.rows if isinstance(row[place], str)), default=0)
    words = max((len(word) for word in column.head.split()), default=0)
    return float(min(max(7, words + 3, longest + 2, len(column.head) / 2 + 2), 24))


def print_setup(sheet: Worksheet, orientation: str) -> None:
    """Set a sheet for A4 paper, as wide as the page."""
    sheet.page_setup.orientation = orientation
    sheet.page_setup.paperSize = sheet.PAPERSIZE_A4
    sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight = 1, 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True
    margins = sheet.page_margins
    margins.left = margins.right = 0.4
    margins.top, margins.bottom, margins.footer = 0.5, 0.8, 0.4
