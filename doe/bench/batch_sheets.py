"""Sheets of the workbook that a recipe adds: a printed page a batch, labels for the jars, and what is the same for all batches."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from doe.bench.brush import Brush
from doe.bench.cautions import LAST_WORD
from doe.bench.grids import letters
from doe.bench.jar_labels import add_labels
from doe.bench.layout import SheetLayout
from doe.bench.made_apart import FOLLOWS, POURED, TOP_UP
from doe.bench.pages import (
    ANEW,
    BASE_GELS,
    BATCHES,
    COLUMNS,
    CONSTANTS,
    CONTINUED,
    LABELS,
    NET_MASS,
    PREMIXES,
    SAID,
    SAME_FOR_ALL,
    ApartPage,
    BatchPage,
    PageLine,
    constants,
)
from doe.bench.workbook import DATE_FORMAT, FONT, print_setup, put_cell

if TYPE_CHECKING:
    from openpyxl import Workbook
    from openpyxl.worksheet.worksheet import Worksheet

_WIDTHS = (6, 12, 30, 11, 13, 17, 58)  # characters, of COLUMNS
_LINE = 13.0  # points, of a line of small print
_PAPER = (
    1090.0  # points of rows that a printed page holds, at the scale that fits these widths on A4 (with some to spare)
)


def add_batch_sheets(book: Workbook, layout: SheetLayout) -> None:
    """Add the sheets to a workbook."""
    for name in (PREMIXES, BASE_GELS):
        if apart := [page for page in layout.apart if page.sheet == name]:
            _pages(book.create_sheet(name), apart, layout)
    finished: dict[int, str] = {}
    if layout.pages:
        finished = _pages(book.create_sheet(BATCHES), layout.pages, layout)
    _constants(book.create_sheet(CONSTANTS), layout)
    if layout.jars:
        add_labels(book.create_sheet(LABELS), layout, finished)


def _pages(sheet: Worksheet, pages: Sequence[BatchPage | ApartPage], layout: SheetLayout) -> dict[int, str]:
    """Write the pages; where on them the finishing of each run's batch is written down."""
    from openpyxl.worksheet.pagebreak import Break

    for place, width in enumerate(_WIDTHS):
        sheet.column_dimensions[letters(place)].width = width
    row, finished, looks = 1, dict[int, str](), _Looks()
    for page in pages:
        row = _page(sheet, row, page, layout, finished, looks)
        sheet.row_breaks.append(Break(id=row - 1))
    sheet.print_area = f"A1:{letters(len(COLUMNS) - 1)}{row - 1}"
    print_setup(sheet, "portrait")
    sheet.oddFooter.left.text = layout.identity
    sheet.oddFooter.center.text = "Page &P of &N"
    sheet.protection.sheet = True
    sheet.protection.formatColumns = False
    sheet.protection.formatRows = False
    return finished


class _Looks:
    """What the cells of the pages look like."""

    def __init__(self) -> None:
        from openpyxl.styles import Alignment, Border, Font, PatternFill, Protection, Side

        thin, thick = Side(style="thin", color="999999"), Side(style="medium", color="000000")
        self.paint = Brush()
        self.frame = Border(top=thin, bottom=thin, left=thin, right=thin)
        self.under_heads = Border(top=thin, bottom=thick, left=thin, right=thin)
        self.total, self.line = Border(top=thick), Border(bottom=thin)
        self.grey, self.entry = PatternFill("solid", fgColor="E6E6E6"), PatternFill("solid", fgColor="FFFBE6")
        self.open = Protection(locked=False)
        self.wrapped = Alignment(wrap_text=True, vertical="center")
        self.middle = Alignment(wrap_text=True, vertical="center", horizontal="center")
        self.left = Alignment(horizontal="left", vertical="center")
        self.right = Alignment(horizontal="right", vertical="center")
        self.plain, self.bold = Font(name=FONT), Font(name=FONT, bold=True)
        self.title, self.small = Font(name=FONT, bold=True, size=14), Font(name=FONT, size=9)
        self.said = Font(name=FONT, italic=True, size=9)

    def grams(self, sheet: Worksheet, row: int, grams: Decimal, border: Any, formula: str | None = None) -> None:
        """A target in its column, with the digits of its balance."""
        cell = put_cell(sheet, row, 4, float(grams))
        if formula is not None:
            cell.value = formula
        decimals = _decimals(grams)
        digits = "0" if decimals == 0 else "0." + "0" * decimals
        self.paint(cell, number_format=digits, font=self.bold, alignment=self.right, border=border)


def _page(
    sheet: Worksheet,
    row: int,
    page: BatchPage | ApartPage,
    layout: SheetLayout,
    finished: dict[int, str],
    looks: _Looks,
) -> int:
    """Write a page from this row on; the row after it."""
    from openpyxl.worksheet.pagebreak import Break

    paint, last, top = looks.paint, len(COLUMNS), row

    def across(text: str, font: Any, first: int = 1, border: Any = None) -> None:
        sheet.merge_cells(start_row=row, start_column=first, end_row=row, end_column=last)
        cell = put_cell(sheet, row, first, text)
        parts = {} if border is None else {"border": border}
        paint(cell, font=font, alignment=looks.wrapped, **parts)
        lines = -(-len(text) // int(sum(_WIDTHS[first - 1 :]) * 0.95))
        sheet.row_dimensions[row].height = max(18.0, _LINE * lines + 3) if font.size != 14 else 22.0

    def heads() -> None:
        nonlocal row
        for place, head in enumerate(COLUMNS, start=1):
            cell = put_cell(sheet, row, place, head)
            paint(cell, font=looks.bold, fill=looks.grey, alignment=looks.middle, border=looks.under_heads)
        row += 1

    def room(with_heads: bool, height: float) -> None:
        """Go on on a new sheet of paper, which bears the code too, where the next rows would not fit."""
        nonlocal row, top
        used = sum(sheet.row_dimensions[r].height or 15.0 for r in range(top, row))
        if used + height <= _PAPER:
            return
        sheet.row_breaks.append(Break(id=row - 1))
        top = row
        across(f"{': '.join(page.heading)}{CONTINUED}", looks.title)
        row += 1
        if with_heads:
            heads()

    across(": ".join(page.heading), looks.title)
    row += 1
    for text in page.settings if isinstance(page, ApartPage) else (";  ".join(page.settings),):
        across(text, looks.bold if isinstance(page, BatchPage) else looks.plain)
        row += 1
    heads()
    beaker = _Beaker()
    for line in page.lines:
        room(True, _line_height(line) * (2 if line.role else 1) + 35.0 * len(line.cautions))
        entry = {"border": looks.frame, "fill": looks.entry, "protection": looks.open}
        paint(sheet.cell(row, 1), alignment=looks.middle, **entry)
        paint(put_cell(sheet, row, 2, line.phase), alignment=looks.middle, border=looks.frame)
        if line.grams is None:
            across(line.do, looks.bold, first=3, border=looks.frame)
            for place in range(4, last + 1):
                paint(sheet.cell(row, place), border=looks.frame)
        else:
            paint(put_cell(sheet, row, 3, line.do), alignment=looks.wrapped, border=looks.frame)
            looks.grams(sheet, row, line.grams, looks.frame)
            paint(sheet.cell(row, 5), alignment=looks.wrapped, **entry)
            paint(put_cell(sheet, row, 6, line.balance), alignment=looks.middle, border=looks.frame)
            paint(put_cell(sheet, row, 7, line.note), alignment=looks.wrapped, border=looks.frame, font=looks.small)
            sheet.row_dimensions[row].height = _line_height(line)
        row += 1
        if (again := beaker.after(line, row, page)) is not None:
            name, formula, words = again
            assert line.grams is not None  # only a weighing has a role
            for place in (1, 2, 6):
                paint(sheet.cell(row, place), border=looks.frame)
            paint(put_cell(sheet, row, 3, name), alignment=looks.wrapped, border=looks.frame)
            looks.grams(sheet, row, line.grams, looks.frame, formula)
            if line.role == TOP_UP:
                paint(sheet.cell(row, 5), alignment=looks.wrapped, **entry)
            else:
                paint(sheet.cell(row, 5), border=looks.frame)
            paint(put_cell(sheet, row, 7, words), alignment=looks.wrapped, border=looks.frame, font=looks.small)
            sheet.row_dimensions[row].height = max(18.0, _LINE * -(-len(words) // 60) + 3)
            row += 1
        for caution in line.cautions:
            across(f"Caution: {caution.removeprefix('Caution as ')}", looks.said, first=3)
            row += 1
    room(False, 15.0 + 20.0 * len(page.fields) + 18.0)
    for place in (1, 2, 5, 6, 7):
        paint(sheet.cell(row, place), border=looks.total)
    paint(put_cell(sheet, row, 3, "together"), font=looks.bold, border=looks.total)
    looks.grams(sheet, row, page.total, looks.total)
    row += 1
    if beaker.cells:
        _masses_only(sheet, beaker.cells)
    for field in page.fields:
        put_cell(sheet, row, 3, field)
        sheet.merge_cells(start_row=row, start_column=4, end_row=row, end_column=last)
        for place in range(5, last + 1):
            paint(sheet.cell(row, place), border=looks.line)
        cell = sheet.cell(row, 4)
        written = {"fill": looks.entry, "protection": looks.open, "alignment": looks.left, "border": looks.line}
        if field == "finished at" and isinstance(page, BatchPage):
            finished[page.run] = f"'{BATCHES}'!$D${row}"
            cell.value = layout.made_at.get(page.run)
            written["number_format"] = DATE_FORMAT
        paint(cell, **written)
        sheet.row_dimensions[row].height = 20
        row += 1
    across(f"{SAID} {LAST_WORD}", looks.said)
    return row + 1


class _Beaker:
    """Where on a beaker's page the masses stand from which others are worked out anew."""

    def __init__(self) -> None:
        self.cells: list[str] = []
        self.poured = self.water = self.net = ""
        self.planned = Decimal(0)

    def after(self, line: PageLine, row: int, page: BatchPage | ApartPage) -> tuple[str, str, str] | None:
        """What the row below a line says, its formula, and what it is; `row` is that row."""
        if line.role == POURED and line.grams is not None:
            self.poured, self.planned = f"E{row - 1}", line.grams
            self.cells.append(self.poured)
            return None
        if line.role == TOP_UP and line.grams is not None:
            self.water, self.net = f"E{row - 1}", f"E{row}"
            self.cells += [self.water, self.net]
            net, digits = page.net(line), _decimals(line.grams)
            formula = f"=IF(ISNUMBER({self.poured}),ROUND({net}*{self.poured}/{self.planned},{digits}),{net})"
            return NET_MASS, formula, "in proportion to the base really poured; weigh the beaker, less its tare"
        if line.role == FOLLOWS and line.grams is not None:
            digits = _decimals(line.grams)
            kept = (
                f"IF(AND(ISNUMBER({self.water}),ISNUMBER({self.net})),MIN(1,{self.net}/({self.poured}+{self.water})),1)"
            )
            lost = f"*{kept}" if self.net else ""
            mass = f"{line.grams}+{line.rate!r}*({self.poured}-{self.planned})"
            formula = f'=IF(ISNUMBER({self.poured}),ROUND(MAX(0,{mass}){lost},{digits}),"")'
            words = "add this instead, once the actual mass of the base stands above"
            return ANEW, formula, words + ("; less where the net mass shows that gel was lost" if self.net else "")
        return None


def _masses_only(sheet: Worksheet, cells: list[str]) -> None:
    """Take nothing but masses where others are worked out from them."""
    from openpyxl.worksheet.datavalidation import DataValidation

    rule = DataValidation(type="decimal", operator="greaterThan", formula1="0", allow_blank=True, showErrorMessage=True)
    rule.errorTitle, rule.error = "mass", "This must be a mass in g, a number above 0, or blank."
    for cell in cells:
        rule.add(cell)
    sheet.add_data_validation(rule)


def _line_height(line: PageLine) -> float:
    """Points that a line takes, its name and its note wrapped."""
    return max(18.0, _LINE * -(-len(line.note) // 60) + 3, 15.0 * -(-len(line.do) // 27) + 3)


def _decimals(grams: Decimal) -> int:
    """Decimals that a mass is printed with."""
    return max(-int(grams.as_tuple().exponent), 0)


def _constants(sheet: Worksheet, layout: SheetLayout) -> None:
    from openpyxl.styles import Alignment, Border, Font, PatternFill, Protection, Side

    sheet.column_dimensions["A"].width, sheet.column_dimensions["B"].width = 62, 34
    put_cell(sheet, 1, 1, SAME_FOR_ALL).font = Font(name=FONT, bold=True, size=14)
    put_cell(sheet, 2, 1, f"{layout.plan.study.name}. {SAID}").alignment = Alignment(wrap_text=True)
    sheet.row_dimensions[2].height = 32
    for row, text in enumerate(constants(layout.recipe, layout.plan.study), start=3):
        put_cell(sheet, row, 1, text).alignment = Alignment(wrap_text=True, vertical="center")
        cell = sheet.cell(row, 2)
        cell.fill, cell.protection = PatternFill("solid", fgColor="FFFBE6"), Protection(locked=False)
        cell.border = Border(bottom=Side(style="thin", color="999999"))
        sheet.row_dimensions[row].height = 32 if len(text) > 60 else 20
    print_setup(sheet, "portrait")
    sheet.protection.sheet = True
