"""The desk in a real browser: the whole job by hand from nothing to a report, mistakes said where they were typed, nothing lost in a restart."""

import shutil

import numpy as np
import openpyxl
import pytest

from doe.__main__ import bundled

pytestmark = pytest.mark.browser

# As a spreadsheet puts it on the clipboard: a line a row, tabs between cells. The second line has its ends the wrong way round.
FACTORS = "carbomer\twater\t%\t0.25\t0.55\t0.01\nneutralisation\tsetting\teq/eq\t0.80\t0.40\t0.01"
RESPONSES = "viscosity\tmPa·s\t10000\t32000\tlog\npH\t\t5.5\t6.3"
PASTE = """(cell, text) => {
  const held = new DataTransfer();
  held.setData('text/plain', text);
  cell.dispatchEvent(new ClipboardEvent('paste', {clipboardData: held, bubbles: true, cancelable: true}));
}"""


class Hands:
    """What a person does on the desk."""

    def __init__(self, shown) -> None:
        self.shown, self.page = shown, shown.page
        self.desk = self.page.locator(".doe-desk")

    def step(self, name: str) -> None:
        self.desk.locator(".doe-steps button").filter(has_text=name).click()
        self.shown.settle()

    def type(self, name: str, text: str) -> None:
        cell = self.shown.control(name)
        cell.fill(text)
        cell.press("Tab")

    def paste(self, name: str, text: str) -> None:
        self.shown.control(name).evaluate(PASTE, text)

    def press(self, name: str) -> None:
        self.shown.button(name).click()

    def sees(self, text: str) -> None:
        try:
            self.desk.get_by_text(text).first.wait_for()
        except Exception as missed:
            raise AssertionError(f"{text!r} is not shown, but:\n{self.desk.inner_text()}") from missed

    def sees_no_more(self, text: str) -> None:
        self.desk.get_by_text(text).first.wait_for(state="hidden")

    def download(self, name: str, folder):
        with self.page.expect_download() as coming:
            self.press(name)
        path = folder / coming.value.suggested_filename
        coming.value.save_as(path)
        return path


@pytest.fixture
def desk(on_screen, lab, request):
    """A desk in a folder of its own, with nothing on it."""
    own = lab.notebooks / request.node.name
    own.mkdir()
    shutil.copyfile(bundled("notebooks") / "desk.ipynb", own / "desk.ipynb")
    shown = on_screen(f"{own.name}/desk.ipynb")
    shown.run_all()
    return Hands(shown)


def describe(desk: Hands) -> None:
    desk.type("name of the trial", "browser gel (invented)")
    desk.paste("name, factor 1", FACTORS)
    desk.sees(
        "factor 'neutralisation': low is 0.8 but must be below high (0.4 eq/eq): swap the two or widen the range."
    )
    desk.type("low, factor 2", "0.40")
    desk.type("high, factor 2", "0.80")
    desk.sees_no_more("swap the two or widen the range.")
    desk.paste("name, response 1", RESPONSES)
    desk.sees("2 factors; 2 responses")


def fill_in(path, spoil: bool) -> None:
    """Readings of an invented gel, typed into the workbook; the third viscosity is no number where `spoil` says so."""
    book = openpyxl.load_workbook(path)
    page = next(sheet for sheet in book if any(row[0].value == "order" for row in sheet.iter_rows(max_row=20)))
    head = next(row for row in page.iter_rows() if row[0].value == "order")
    column = {cell.value: cell.column for cell in head if cell.value}
    rng = np.random.default_rng(5)
    for i, row in enumerate(range(head[0].row + 1, head[0].row + 13)):
        carbomer, degree = (page.cell(row, column[n]).value for n in ("carbomer (%)", "neutralisation (eq/eq)"))
        viscosity = np.exp(9.6 + 3.2 * (carbomer - 0.4) + 1.0 * (degree - 0.6) + rng.normal(0, 0.04))
        page.cell(row, column["viscosity (mPa·s)"]).value = "thick" if spoil and i == 2 else round(float(viscosity))
        page.cell(row, column["pH"]).value = round(float(5.9 + 1.4 * (degree - 0.6) + rng.normal(0, 0.04)), 2)
    book.save(path)


def test_the_whole_job_by_hand(desk, tmp_path):
    describe(desk)

    desk.step("Which batches")
    desk.type("batches", "a dozen")
    desk.press("Choose the batches")
    desk.sees("'a dozen'")
    desk.type("batches", "12")
    desk.press("Choose the batches")
    desk.sees("12 batches, in an order of making drawn by lot.")

    desk.step("Recipe and run sheet")
    sheet = desk.download("Download the workbook (.xlsx)", tmp_path)
    fill_in(sheet, spoil=True)

    desk.step("Records")
    with desk.page.expect_file_chooser() as chooser:
        desk.desk.get_by_role("button", name="Upload the returned sheet").click()
    chooser.value.set_files(sheet)
    desk.sees("'thick' but must be a number in mPa·s, 0 or above, or blank")
    fill_in(sheet, spoil=False)
    with desk.page.expect_file_chooser() as chooser:
        desk.desk.get_by_role("button", name="Upload the returned sheet").click()
    chooser.value.set_files(sheet)
    desk.sees_no_more("'thick' but must be a number in mPa·s, 0 or above, or blank")
    desk.sees("12 of 12 batches read")

    desk.step("What drives it")
    desk.press("Fit every response")
    desk.sees("What to be wary of")

    desk.step("Where to run")
    desk.type("chance that the ranges must hold (%)", "often")
    desk.press("Find where to run")
    desk.sees("'often'")
    desk.type("chance that the ranges must hold (%)", "90")
    desk.press("Find where to run")
    desk.sees("Set point: carbomer")

    desk.step("Confirm, and what next")
    desk.press("Say what they must read")
    desk.sees("What they must read")

    desk.step("Report")
    desk.press("Build the report")
    desk.page.wait_for_function(
        "() => [...document.querySelectorAll('button')].some(b => b.innerText.startsWith('Download the report') && !b.disabled)"
    )
    report = desk.download("Download the report (.html)", tmp_path)
    assert "browser gel (invented)" in report.read_text(encoding="utf-8")
    desk.shown.picture("desk")
    assert desk.shown.problems() == []


def test_a_restart_loses_nothing(desk):
    describe(desk)
    desk.type("high, factor 1", "lots")
    desk.sees("factor 'carbomer': high is 'lots' but must be a number in %: type the number.")
    desk.shown.settle(1500)  # what is typed is written a moment later
    desk.shown.restart_kernel()
    desk.shown.run_all()
    desk.sees("Taken up again as it was left")
    assert desk.shown.control("name of the trial").input_value() == "browser gel (invented)"
    assert desk.shown.control("high, factor 1").input_value() == "lots"
    assert desk.shown.control("name, response 2").input_value() == "pH"
    desk.sees("factor 'carbomer': high is 'lots' but must be a number in %: type the number.")
    assert desk.shown.problems() == []
