"""The run sheet as a spreadsheet workbook: a page to read first and a page to fill in, design cells locked, entry cells checked."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Any

import numpy as np

from doe.bench.cautions import CAUTIONS, LAST_WORD
from doe.bench.grids import letters
from doe.bench.layout import TO_SETTLE, SheetColumn, SheetLayout
from doe.bench.pages import PLAN, batch_code
from doe.bench.taking import MADE_AGAIN, READ_AGAIN
from doe.bench.titration_page import add_titration_sheet, page_words
from doe.study import Categorical, Response
from doe.study.trial import specification_text

if TYPE_CHECKING:
    from openpyxl.worksheet.worksheet import Worksheet

MEASUREMENTS = "Measurements"
_TITLE_ROWS = 3  # above the heads of the page to fill in
DATE_FORMAT = "yyyy-mm-dd hh:mm"
FONT = "Calibri"  # that of the cells which have no style of their own
_PAGE_WIDTH = 80  # characters of it across a page


def workbook_bytes(layout: SheetLayout, instruments: bool = False) -> bytes:
    """The workbook, as the content of its .xlsx file."""
    import openpyxl

    from doe.bench.batch_sheets import add_batch_sheets  # which writes its cells with this module's functions

    book = openpyxl.Workbook()
    first = book.active
    assert first is not None
    first.title = "Read first"
    _read_first(first, layout)
    runs = book.create_sheet(MEASUREMENTS)
    _runs(runs, layout)
    _plan(book.create_sheet(PLAN), layout)
    add_batch_sheets(book, layout)
    if layout.recipe is not None:
        add_titration_sheet(book, layout, layout.recipe)
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


def heads_row() -> int:
    """Row of the heads on the page of readings."""
    return _TITLE_ROWS + 1


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
        (f"{layout.count_text}; {layout.order_text}.", False),
        (layout.identity, False),
    ]
    if layout.open_points:
        lines += [("", False), (TO_SETTLE, True), *((f"• {point}", False) for point in layout.open_points), ("", False)]
    lines += [(line, False) for line in study.notes.splitlines() if line.strip()]
    lines += [
        ("", False),
        ("How to fill in the page “Measurements”", True),
        *((f"• {line}", False) for line in (*layout.instructions, *page_words(layout))),
    ]
    lines += [("", False), ("Factors", True)]
    for f in study.factors:
        levels = ", ".join(f.levels) if isinstance(f, Categorical) else f"{f.low:g} to {f.high:g}"
        lines.append((f"• {f.label}: {levels}" + (", hard to change" if f.hard_to_change else ""), False))
    lines += [("", False), ("Responses", True)]
    for r in study.readings:
        lines.append(
            (f"• {r.label}" + (f": specification {specification_text(r)}" if r.has_specification else ""), False)
        )
    for r in study.responses:
        if r.formula is not None:
            lines.append((f"• {r.label}: worked out, {r.formula}", False))
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
    # one object each, not one a cell: a sheet of 60 batches has thousands of cells
    frames = {s: Border(top=thick if s else thin, bottom=thin, left=thin, right=thin) for s in (True, False)}
    plain, centred = Alignment(vertical="center"), Alignment(vertical="center", horizontal="center")
    worded, unlocked = Alignment(vertical="center", wrap_text=True), Protection(locked=False)
    put_cell(sheet, 1, 1, f"Run sheet: {layout.plan.study.name}").font = Font(name=FONT, bold=True, size=14)
    put_cell(
        sheet,
        2,
        1,
        f"{layout.identity}; {layout.order_text}; {layout.count_text}. How to fill it in: page “Read first”.",
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
            entry = column.entry
            cell = (
                sheet.cell(top + 1 + offset, place + 1)
                if value is None
                else put_cell(sheet, top + 1 + offset, place + 1, value)
            )
            cell.border = frames[starts]
            cell.alignment = worded if column.kind in ("remark", "reason") else plain if entry else centred
            if entry:
                # no number format: where 6.12 is a date, a formatted cell would hide that one was made of it
                cell.protection, cell.fill = unlocked, entry_fill
            if column.decimals is not None and column.kind in ("factor", "order", "run"):
                cell.number_format = "0" if column.decimals == 0 else "0." + "0" * column.decimals
            elif column.kind in ("remark", "reason"):
                cell.number_format = "@"
            elif column.kind in ("made_at", "read_on"):
                cell.number_format = DATE_FORMAT
        sheet.row_dimensions[top + 1 + offset].height = 20
    sheet.row_dimensions[top].height = 48
    for place, column in enumerate(layout.columns):
        rule = _rule(column, f"{letters(place)}{top + 1}")
        if rule is not None:
            rule.add(f"{letters(place)}{top + 1}:{letters(place)}{last}")
            sheet.add_data_validation(rule)
    frozen = next((i for i, c in enumerate(layout.columns) if c.entry), 2)
    # frozen factors would fill a small screen where there are many: then the run number alone stays
    sheet.freeze_panes = f"{letters(frozen if frozen <= 8 else 2)}{top + 1}"
    sheet.print_title_rows = f"{top}:{top}"
    # on paper, what was made otherwise goes under the remarks: more columns could hardly be read
    printed = max(i for i, c in enumerate(layout.columns) if c.kind not in ("read_on", "as made", "again"))
    sheet.print_area = f"A1:{letters(printed)}{last}"
    print_setup(sheet, "landscape")
    sheet.oddFooter.left.text = layout.identity
    sheet.oddFooter.center.text = "Page &P of &N"
    sheet.oddFooter.right.text = "Date, signature: ______________"
    sheet.protection.sheet = True
    sheet.protection.formatColumns = False  # widths and heights may be set, or a long remark could not be seen
    sheet.protection.formatRows = False


def _plan(sheet: Worksheet, layout: SheetLayout) -> None:
    """The plan in run order, with the code of each batch: nothing is filled in here."""
    from openpyxl.styles import Alignment, Border, Font, PatternFill, Side

    thin = Side(style="thin", color="999999")
    frame, centred = (
        Border(top=thin, bottom=thin, left=thin, right=thin),
        Alignment(horizontal="center", wrap_text=True),
    )
    put_cell(sheet, 1, 1, f"The plan in run order: {layout.plan.study.name}").font = Font(name=FONT, bold=True, size=14)
    put_cell(sheet, 2, 1, f"{layout.identity}. Make the batches in the order of the page “{MEASUREMENTS}”.")
    shown = [
        (i, c) for i, c in enumerate(layout.columns) if c.kind in ("run", "order", "block", "whole plot", "factor")
    ]
    shown.sort(key=lambda item: item[1].kind != "run")
    heads = ["batch code", *(c.head for _, c in shown)]
    for place, text in enumerate(heads, start=1):
        cell = put_cell(sheet, 4, place, text)
        cell.font, cell.fill = Font(name=FONT, bold=True), PatternFill("solid", fgColor="E6E6E6")
        cell.border, cell.alignment = frame, centred
        sheet.column_dimensions[letters(place - 1)].width = min(max(9.0, len(text) + 2), 24.0)
    run_at = shown[0][0]
    for number, values in enumerate(sorted(layout.rows, key=lambda row: int(str(row[run_at]))), start=5):
        code = batch_code(layout.plan, int(str(values[run_at])))
        for place, value in enumerate([code, *(values[i] for i, _ in shown)], start=1):
            cell = put_cell(sheet, number, place, value)
            cell.border, cell.alignment = frame, centred
            if place > 1 and (decimals := shown[place - 2][1].decimals) is not None:
                cell.number_format = "0" if decimals == 0 else "0." + "0" * decimals
    sheet.freeze_panes = "C5"
    sheet.print_title_rows = "4:4"
    print_setup(sheet, "portrait" if len(heads) <= 7 else "landscape")
    sheet.protection.sheet = True


def _rule(column: SheetColumn, first: str) -> Any:
    """What an entry column takes, `first` being its first cell; None where anything goes."""
    if column.kind == "made":
        return _listed('"made,failed"', "made / failed", 'Write "made" or "failed", or leave the cell blank.')
    if column.kind == "again":
        words = f'Write "{READ_AGAIN}" or "{MADE_AGAIN}" where a row was added for a run; else leave the cell blank.'
        return _listed(f'"{READ_AGAIN},{MADE_AGAIN}"', "read again, or made again?", words)
    if column.kind in ("made_at", "read_on"):
        what = "the batch was finished" if column.kind == "made_at" else "the readings of this time were taken"
        rule = _checked(f"ISNUMBER({first})", column.head, f"the date and time at which {what}")
        rule.error = "Write the date and time like 2026-03-31 14:30."
        return rule
    if column.factor is not None:
        of, name = column.factor, column.factor.name
        as_made = column.kind == "as made"
        if isinstance(of, Categorical):
            listed = ",".join(of.levels)
            if any("," in level or '"' in level for level in of.levels) or len(listed) > 250:
                return None
            return _listed(f'"{listed}"', name, "Write the level really made; blank means as planned.")
        unit = f" in {of.unit}" if of.unit else ""
        what = f"a number{unit}, the setting really made; blank means as planned" if as_made else f"a number{unit}"
        return _checked(f"ISNUMBER({first})", name, what)
    if column.response is None:
        return None
    response = column.response
    if response.scale is not None:
        low, high = response.scale
        scores = ",".join(str(k) for k in range(low, high + 1))
        words = f"Give a whole score from {low} to {high}, or leave the cell blank."
        if len(scores) <= 250:
            return _listed(f'"{scores}"', response.name, words)
        return _checked(
            f"AND(ISNUMBER({first}),{first}=INT({first}),{first}>={low},{first}<={high})", response.name, words
        )
    number = f"ISNUMBER({first})"
    for sign, bound in zip((">=", "<="), response.domain, strict=True):
        if np.isfinite(bound):
            number += f",{first}{sign}{bound!r}"
    known = f'ISNUMBER(FIND(LEFT({first},1),"<>≤≥"))'
    blank = f'OR(LOWER({first})="n/a",{first}="-")'
    rule = _checked(
        f'OR(AND({number}),{known},ISNUMBER(FIND("..",{first})),{blank})', response.name, _allowed(response)
    )
    rule.error = (
        f"This must be {_allowed(response)}, or what is known: >100, <50 or 50..60. If nothing was read, leave it blank and say why as a "
        "remark."
    )[:255]
    return rule


def _checked(formula: str, title: str, what: str) -> Any:
    from openpyxl.worksheet.datavalidation import DataValidation

    rule = DataValidation(
        type="custom", formula1=formula, allow_blank=True, showErrorMessage=True, showInputMessage=True
    )
    rule.promptTitle = rule.errorTitle = title[:32]
    rule.prompt, rule.error = f"{what}, or blank."[:255], f"This must be {what}, or blank."[:255]
    return rule


def _listed(words: str, title: str, error: str) -> Any:
    from openpyxl.worksheet.datavalidation import DataValidation

    rule = DataValidation(type="list", formula1=words, allow_blank=True, showErrorMessage=True)
    rule.errorTitle, rule.error = title[:32], error[:255]
    return rule


def _allowed(response: Response) -> str:
    low, high = response.domain
    unit = f" in {response.unit}" if response.unit else ""
    if np.isinf(low):
        return f"a number{unit}"
    return f"a number{unit}, {low:g} or above" if np.isinf(high) else f"a number{unit} from {low:g} to {high:g}"


def _width(column: SheetColumn, layout: SheetLayout, place: int) -> float:
    if column.kind in ("remark", "reason"):
        return 36.0 if column.kind == "remark" else 24.0
    if column.kind in ("made_at", "read_on"):
        return 17.0
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
