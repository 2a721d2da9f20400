"""The page of the workbook on which a lot is titrated, and how it is read back."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

from doe.bench.cautions import HAZARDS, LAST_WORD
from doe.bench.grids import Grid, Row, letters, read_grids
from doe.bench.layout import SheetLayout
from doe.bench.neutralisation import BASES, Base, base_of, degree_from, neutraliser
from doe.bench.numerals import DoubtError, decimal_mark, is_blank, number_from
from doe.bench.problems import cell_text
from doe.bench.recipe import Recipe
from doe.bench.titrated import Titration
from doe.study import StudyError

if TYPE_CHECKING:
    from openpyxl import Workbook

TITRATION = "Titration"
BASE, STRENGTH, DISPERSION = "base", "strength of base solution (% w/w)", "dispersion before base (g)"
POLYMER_HEADS = (
    "polymer",
    "lot",
    "weighed (g)",
    "acid content (% COOH, dry)",
    "loss on drying (%)",
    "neutralised by the maker (%)",
)
READING_HEADS = ("reading", "aim (g)", "base added so far (g)", "pH", "temperature (°C)", "remark")
AIMS = (0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 1.0, 1.05, 1.1)  # degrees
ROWS = 24
SUGGESTED_POLYMER, SUGGESTED_DISPERSION = 1.0, 200.0  # g: 0.5 %, as the pharmacopoeia's test gel
SAYS = (
    "Weigh the polymer, disperse and let it swell, read the pH before base. Add base, stir until even, wait for a steady reading at 25 °C, "
    "write it down; about a dozen times.",
    "Add the calculated base and read: do not chase a pH. Write down everything that is added, as the total from the first drop on.",
    "Leave the acid content blank to have it estimated: the readings must then go past degree 1. Blank loss on drying and maker's share are "
    "taken as 0 (assumed). Use one polymer, or several in the ratio of the recipe: leave out what is not in the beaker.",
)
_WIDTHS = (40, 13, 16, 17, 16, 24)


def add_titration_sheet(book: Workbook, layout: SheetLayout, recipe: Recipe) -> None:
    """Add the page to a workbook whose recipe neutralises a polymer."""
    from openpyxl.styles import Alignment, Border, Font, PatternFill, Protection, Side

    from doe.bench.workbook import FONT, print_setup, put_cell

    line = recipe.neutralise
    polymers = [i for i in recipe.ingredients if i.shares_degree and i.acid_content is not None]
    if line is None or not polymers:
        return
    sheet = book.create_sheet(TITRATION)
    thin = Side(style="thin", color="999999")
    frame = Border(top=thin, bottom=thin, left=thin, right=thin)
    grey, entry = PatternFill("solid", fgColor="E6E6E6"), PatternFill("solid", fgColor="FFFBE6")
    wrapped = Alignment(wrap_text=True, vertical="center")
    for place, width in enumerate(_WIDTHS):
        sheet.column_dimensions[letters(place)].width = width
    row = 1

    def say(text: str, font: Any) -> None:
        nonlocal row
        sheet.merge_cells(start_row=row, start_column=1, end_row=row, end_column=len(_WIDTHS))
        cell = put_cell(sheet, row, 1, text)
        cell.font, cell.alignment = font, wrapped
        sheet.row_dimensions[row].height = max(18.0, 14.0 * -(-len(text) // 118) + 3)
        row += 1

    def open_cell(at: int, column: int, rule: Any = None, value: object = None) -> None:
        cell = sheet.cell(at, column) if value is None else put_cell(sheet, at, column, value)
        cell.fill, cell.border, cell.protection = entry, frame, Protection(locked=False)
        cell.alignment = Alignment(horizontal="center", vertical="center", wrap_text=True)
        if rule is not None:
            rule.add(cell.coordinate)

    def heads(texts: Sequence[str]) -> None:
        nonlocal row
        for place, text in enumerate(texts, start=1):
            cell = put_cell(sheet, row, place, text)
            cell.font, cell.fill, cell.border = Font(name=FONT, bold=True), grey, frame
            cell.alignment = Alignment(wrap_text=True, vertical="center", horizontal="center")
        sheet.row_dimensions[row].height = 34
        row += 1

    rules = {
        "mass": _rule("0.000001", "1000000", "a mass in g, above 0"),
        "total": _rule("0", "100000", "a mass in g, 0 or above, counted from the first drop on"),
        "strength": _rule("0.01", "100", "a strength in % w/w, above 0 and up to 100"),
        "acid": _rule("1", "71", "an acid content in % COOH from 1 to 71, or blank"),
        "percent": _rule("0", "100", "a figure in % from 0 to 100, or blank"),
        "ph": _rule("0", "14", "a pH from 0 to 14"),
        "warm": _rule("0", "100", "a temperature in °C from 0 to 100, or blank"),
    }
    for rule in rules.values():
        sheet.add_data_validation(rule)
    say("Titration of a lot: pH over base added", Font(name=FONT, bold=True, size=14))
    say(f"{layout.plan.study.name}; {layout.identity}", Font(name=FONT))
    for text in SAYS:
        say(text, Font(name=FONT))
    say(f"Caution: {HAZARDS['base']} {LAST_WORD}", Font(name=FONT, italic=True, size=9))
    for label, rule, value in (
        (BASE, None, line.of_base.name),
        (STRENGTH, rules["strength"], 100 * line.stock),
        (DISPERSION, rules["mass"], None),
        ("operator and date", None, None),
    ):
        put_cell(sheet, row, 1, label).border = frame
        open_cell(row, 2, rule, value)
        sheet.cell(row, 3).border = frame
        sheet.merge_cells(start_row=row, start_column=2, end_row=row, end_column=3)  # the name of a base is long
        sheet.row_dimensions[row].height = 20
        row += 1
    say(
        f"Suggested: {_grams(SUGGESTED_POLYMER / len(polymers))} g of {'each polymer' if len(polymers) > 1 else 'polymer'} in "
        f"{_grams(SUGGESTED_DISPERSION)} g of dispersion ({100 * SUGGESTED_POLYMER / SUGGESTED_DISPERSION:g} % together); the aims below are for "
        f"that, with {', '.join(f'{p.name} at {p.acid_content:g} % COOH' for p in polymers)} (of the recipe).",
        Font(name=FONT, size=9),
    )
    heads(POLYMER_HEADS)
    for polymer in polymers:
        put_cell(sheet, row, 1, polymer.name).border = frame
        sheet.cell(row, 1).alignment = wrapped
        open_cell(row, 2)
        sheet.cell(row, 2).number_format = "@"
        for column, rule_name in ((3, "mass"), (4, "acid"), (5, "percent"), (6, "percent")):
            open_cell(row, column, rules[rule_name])
        row += 1
    row += 1
    heads(READING_HEADS)
    each = [SUGGESTED_POLYMER / len(polymers)] * len(polymers)
    contents, done = [p.acid_content or 0.0 for p in polymers], [p.already for p in polymers]
    start = degree_from(0.0, each, line.of_base, contents, already=done)
    aims = [start, *(d for d in AIMS if d > start)]
    for number in range(ROWS):
        put_cell(sheet, row, 1, number + 1).border = frame
        sheet.cell(row, 1).alignment = Alignment(horizontal="center")
        if number < len(aims):
            aim = neutraliser(each, aims[number], line.of_base, contents, stock=line.stock, already=done)
            put_cell(sheet, row, 2, round(aim, 2)).number_format = "0.00"
        sheet.cell(row, 2).border = frame
        for column, rule_name in ((3, "total"), (4, "ph"), (5, "warm")):
            open_cell(row, column, rules[rule_name])
        open_cell(row, 6)
        sheet.row_dimensions[row].height = 20
        row += 1
    sheet.print_area = f"A1:{letters(len(_WIDTHS) - 1)}{row - 1}"
    print_setup(sheet, "portrait")
    sheet.page_setup.fitToHeight = 1
    sheet.oddFooter.left.text = layout.identity
    sheet.protection.sheet = True
    sheet.protection.formatColumns = False
    sheet.protection.formatRows = False


def page_words(layout: SheetLayout) -> tuple[str, ...]:
    """What the first page says of it."""
    recipe = layout.recipe
    if recipe is None or recipe.neutralise is None or not any(i.shares_degree for i in recipe.ingredients):
        return ()
    return (f"Page “{TITRATION}”: a lot's pH over the base added, to be filled in once for each lot of polymer.",)


def read_titration(path: str | os.PathLike[str], base: str | Base | None = None) -> Titration:
    """Read the titration from a workbook that came back.

    Parameters
    ----------
    path : str or path
        The workbook, or its page saved as .csv.
    base : str or Base, optional
        The base added, where it is none of `doe.bench.bases`: the page holds its name alone.

    Returns
    -------
    Titration
        Readings in the order of the page. A line with a cell that cannot be taken without guessing is held back and named in
        `Titration.held_back`; blank lines are passed over.

    Raises
    ------
    StudyError
        If there is no such page, it names no mass, strength or base, or too few readings are left.
    """
    grids = read_grids(path, lambda row: sum(_plain(c) in (*POLYMER_HEADS, *READING_HEADS) for c in row))
    where = f"file {str(path)!r}"
    grid = next(
        (g for g in grids if _row_of(g, READING_HEADS[0]) is not None and _row_of(g, POLYMER_HEADS[0]) is not None),
        None,
    )
    if grid is None:
        raise StudyError(
            where,
            "without a page of a titration",
            f"a workbook with the page {TITRATION!r}",
            "choose the workbook that doe.bench.write_sheet made with a recipe",
        )
    held: list[str] = []
    mark = decimal_mark(cell for row in grid.rows for cell in row)
    name = base if base is not None else _value(grid, BASE)
    if isinstance(name, str) and base is None and name.strip().casefold() not in BASES:
        raise StudyError(
            f"sheet {grid.sheet!r}: {BASE}",
            name,
            "a base of the table",
            "give it as base=doe.bench.Base(…), with its molar mass and pKa",
        )
    if base is None and is_blank(name):
        raise StudyError(
            f"sheet {grid.sheet!r}: {BASE}", cell_text(name), "the name of the base added", "write it there"
        )
    strength = _needed(grid, STRENGTH, mark)
    mass = _needed(grid, DISPERSION, mark)
    polymers = list(_polymers(grid, mark, held))
    if not polymers:
        raise StudyError(
            f"sheet {grid.sheet!r}: {POLYMER_HEADS[2]}",
            "blank",
            "the grams of at least one polymer",
            "write them there",
        )
    contents = [p[2] for p in polymers]
    if any(c is None for c in contents) and any(c is not None for c in contents):
        raise StudyError(
            f"sheet {grid.sheet!r}: {POLYMER_HEADS[3]}",
            [cell_text(c) for c in contents],
            "given for every polymer or for none",
            "complete it, or leave all blank to have one estimated",
        )
    readings = list(_readings(grid, mark, held))
    warm = [t for _, _, t in readings]
    return Titration(
        [g for g, _, _ in readings],
        [p for _, p, _ in readings],
        [p[1] for p in polymers],
        mass,
        base_of(name, f"sheet {grid.sheet!r}: {BASE}"),
        strength / 100,
        None if contents[0] is None else [c for c in contents if c is not None],
        [p[3] for p in polymers],
        [p[4] for p in polymers],
        (),
        [t for t in warm if t is not None] if warm and all(t is not None for t in warm) else None,
        ", ".join(p[0] for p in polymers if p[0]),
        tuple(held),
    )


def _polymers(grid: Grid, mark: str | None, held: list[str]) -> Iterator[tuple[str, float, float | None, float, float]]:
    """Lot, grams, acid content, moisture and share neutralised of each polymer in the beaker."""
    top = _row_of(grid, POLYMER_HEADS[0])
    assert top is not None  # the page was chosen by it
    places = _places(grid.rows[top], POLYMER_HEADS)
    for at in range(top + 1, len(grid.rows)):
        row = grid.rows[at]
        if is_blank(_cell(row, places[0])):
            break
        if is_blank(_cell(row, places[2])):
            continue
        figures = [_number(grid, at, places[k], POLYMER_HEADS[k], mark) for k in (2, 3, 4, 5)]
        for k, figure in ((4, figures[2]), (5, figures[3])):
            if figure is None:
                held.append(f"{POLYMER_HEADS[k]} of {_cell(row, places[0])} was left blank: 0 is assumed.")
        lot = _cell(row, places[1])
        text = "" if is_blank(lot) else f"{lot:g}" if isinstance(lot, float) else str(lot).strip()
        assert figures[0] is not None  # not blank
        yield text, figures[0], figures[1], (figures[2] or 0.0) / 100, (figures[3] or 0.0) / 100


def _readings(grid: Grid, mark: str | None, held: list[str]) -> Iterator[tuple[float, float, float | None]]:
    top = _row_of(grid, READING_HEADS[0])
    assert top is not None
    places = _places(grid.rows[top], READING_HEADS)
    for at in range(top + 1, len(grid.rows)):
        row = grid.rows[at]
        cells = [_cell(row, places[k]) for k in (2, 3)]
        if all(is_blank(c) for c in cells):
            continue
        try:
            grams = _number(grid, at, places[2], READING_HEADS[2], mark)
            ph = _number(grid, at, places[3], READING_HEADS[3], mark)
            warm = _number(grid, at, places[4], READING_HEADS[4], mark)
        except StudyError as problem:
            held.append(f"Held back: {problem}")
            continue
        wrong = None
        if grams is not None and grams < 0:
            wrong = (2, grams, "0 or above", "write the total from the first drop on")
        if ph is not None and not 0 <= ph <= 14:
            wrong = (3, ph, "from 0 to 14", "correct the reading")
        if wrong is not None:
            k, found, allowed, mend = wrong
            there = f"sheet {grid.sheet!r}, cell {letters(places[k])}{at + 1} ({READING_HEADS[k]})"
            held.append(f"Held back: {StudyError(there, found, allowed, mend)}")
            continue
        if grams is None or ph is None:
            missing = READING_HEADS[2] if grams is None else READING_HEADS[3]
            there = f"sheet {grid.sheet!r}, row {at + 1}: {missing}"
            held.append(f"Held back: {StudyError(there, 'blank', 'filled in', 'a reading needs both base and pH')}")
            continue
        yield grams, ph, warm


def _needed(grid: Grid, label: str, mark: str | None) -> float:
    at = _row_of(grid, label)
    column = 1
    value = None if at is None else _number(grid, at, column, label, mark)
    if value is None:
        raise StudyError(f"sheet {grid.sheet!r}: {label}", "blank", "filled in", "write it in its cell")
    return value


def _value(grid: Grid, label: str) -> object:
    at = _row_of(grid, label)
    return None if at is None else _cell(grid.rows[at], 1)


def _number(grid: Grid, at: int, column: int, head: str, mark: str | None) -> float | None:
    cell = _cell(grid.rows[at], column)
    if is_blank(cell):
        return None
    unit = "°C" if "°C" in head else "%" if "%" in head else "g" if "(g)" in head else ""
    try:
        return number_from(cell, unit, mark)
    except DoubtError as doubt:
        where = f"sheet {grid.sheet!r}, cell {letters(column)}{at + 1} ({head})"
        raise StudyError(where, cell_text(cell), doubt.allowed, doubt.mend) from doubt


def _places(row: Row, heads: Sequence[str]) -> list[int]:
    """Where each head stands; where the page had it, if it was lost."""
    found = {_plain(cell): place for place, cell in enumerate(row)}
    return [found.get(head, place) for place, head in enumerate(heads)]


def _row_of(grid: Grid, label: str) -> int | None:
    return next((at for at, row in enumerate(grid.rows) if row and _plain(row[0]) == label), None)


def _cell(row: Row, place: int) -> object:
    return row[place] if place < len(row) else None


def _plain(cell: object) -> str:
    return " ".join(cell.split()) if isinstance(cell, str) else ""


def _grams(value: float) -> str:
    return f"{value:.2f}" if value < 10 else f"{value:.0f}"


def _rule(low: str, high: str, allowed: str) -> Any:
    from openpyxl.worksheet.datavalidation import DataValidation

    rule = DataValidation(
        type="decimal", operator="between", formula1=low, formula2=high, allow_blank=True, showErrorMessage=True
    )
    rule.errorTitle, rule.error = "Titration", f"This must be {allowed}."
    return rule
