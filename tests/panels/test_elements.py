"""The table's rules, the slider, the file button and the map, without a browser."""

import subprocess
import sys

import numpy as np
import pytest

from doe.panels.elements import EntryTable, MapCanvas, NamedSlider, SaveButton, colour_bytes

COLUMNS = [
    {"key": "a", "label": "first", "kind": "text"},
    {"key": "f", "label": "given", "kind": "fixed"},
    {"key": "b", "label": "second", "kind": "text"},
    {"key": "c", "label": "kind", "kind": "choice", "choices": [["x", "one thing"], ["y", "another"]]},
]


@pytest.fixture
def fixed():
    rows = [{"key": str(i), "label": str(i)} for i in range(1, 4)]
    return EntryTable(columns=COLUMNS, rows=rows, cells={"1": {"f": "7"}})


@pytest.fixture
def growing():
    return EntryTable("factor", columns=COLUMNS, growing=True)


def test_a_block_is_pasted_from_the_cell_on_past_what_is_given(fixed):
    fixed.paste("2", "a", "1,5\t>100\r\n\t2\r\n")
    assert fixed.cells == {"1": {"f": "7"}, "2": {"a": "1,5", "b": ">100"}, "3": {"a": "", "b": "2"}}
    assert fixed.said == "Pasted 2 × 2 cells."


def test_what_finds_no_room_or_is_no_choice_is_said_and_not_taken(fixed):
    fixed.paste("3", "b", "5\tother\tz\n6\tx\tz")
    assert fixed.cells["3"] == {"b": "5"}
    assert fixed.said == (
        "Pasted; the last 1 rows of the block had no row left and were not taken; "
        "the last 1 columns of the block had no column left and were not taken; "
        "not among the choices, and not taken: 'other' in the column 'kind'."
    )


def test_a_quoted_cell_with_a_line_break_stays_one_cell(fixed):
    fixed.paste("1", "a", '"two\nlines"\t3\n')
    assert fixed.cells["1"]["a"].split() == ["two", "lines"]
    assert fixed.cells["1"]["b"] == "3"


def test_choices_are_pasted_by_value_or_by_word(growing):
    growing.paste(growing.rows[0]["key"], "c", "X\nAnother")
    assert [own["c"] for _, own in growing.lines] == ["x", "y"]


def test_a_growing_table_keeps_one_blank_row_at_its_end(growing):
    first = growing.rows[0]["key"]
    assert [r["blank"] for r in growing.rows] == [True]
    growing.write([(first, "a", "1")])
    assert [(r["label"], r["name"], r["blank"]) for r in growing.rows] == [
        ("1", "factor 1", False),
        ("+", "factor 2", True),
    ]
    growing.paste(growing.rows[1]["key"], "a", "2\n3\n4")
    assert [own["a"] for _, own in growing.lines] == ["1", "2", "3", "4"]
    growing.remove(first)
    assert [own["a"] for _, own in growing.lines] == ["2", "3", "4"]
    assert [r["label"] for r in growing.rows] == ["1", "2", "3", "+"]


def test_a_row_in_the_middle_may_be_blank_for_a_while(growing):
    growing.paste(growing.rows[0]["key"], "a", "1\n2\n3")
    middle = growing.rows[1]["key"]
    growing.write([(middle, "a", "")])
    assert [r["key"] for r in growing.rows][1] == middle
    assert [own["a"] for _, own in growing.lines] == ["1", "3"]


def test_the_browsers_messages_are_edits(fixed):
    heard = []
    fixed.on_edit(lambda: heard.append(dict(fixed.cells)))
    fixed._heard(fixed, {"do": "edit", "edits": [["1", "a", "abc"]]}, [])
    fixed._heard(fixed, {"do": "paste", "row": "2", "column": "a", "text": "1\t2"}, [])
    assert heard[0]["1"] == {"f": "7", "a": "abc"}
    assert heard[1]["2"] == {"a": "1", "b": "2"}


def test_a_file_button_sends_what_it_made_and_nothing_where_that_failed():
    sent = []
    button = SaveButton("Download", lambda: ("a.csv", "text/csv", b"1,2"))
    button.send = lambda content, buffers=None: sent.append((content, buffers))
    button.press()
    assert sent == [({"file": "a.csv", "type": "text/csv"}, [b"1,2"])]
    failing = SaveButton("Download", lambda: None)
    failing.send = lambda *_: sent.append("nothing")
    assert failing.press() is None
    assert len(sent) == 1


def test_the_map_takes_its_array_as_it_is_and_counts():
    canvas = MapCanvas()
    assert canvas.colours == colour_bytes()
    assert len(canvas.colours) == 256 * 3
    canvas.show(np.array([[0.0, 0.5], [1.0, np.nan]]), np.array([[0, 0], [0, 1]]), xs=[1.0, 2.0], ys=[3.0, 4.0])
    assert np.array_equal(np.frombuffer(canvas.values, dtype=np.float32), [0.0, 0.5, 1.0, np.nan], equal_nan=True)
    assert list(canvas.outside) == [0, 0, 0, 1]
    assert canvas.stamp == 1


def test_colours_run_evenly_from_light_to_dark():
    """One perceptually uniform scale: the luminance (Rec. 709 weights) never turns back."""
    rgb = np.frombuffer(colour_bytes(), dtype=np.uint8).reshape(256, 3) @ [0.2126, 0.7152, 0.0722]
    assert (np.diff(rgb) <= 0.5).all()
    assert rgb[0] - rgb[-1] > 100


def test_a_slider_has_a_name():
    slider = NamedSlider(label="speed", unit="rpm", low=200, high=600, value=300)
    assert (slider.label, slider.value, slider.resting) == ("speed", 300.0, True)


@pytest.mark.parametrize("kind", [EntryTable, NamedSlider, SaveButton, MapCanvas])
def test_the_javascript_is_there_and_needs_no_other_host(kind):
    text = str(kind._esm)
    assert "export default { render }" in text
    assert "http" not in text.replace("http://www.w3.org", "")
    assert "innerHTML" not in text  # what a user typed is set as text, never as markup


def test_a_kernel_that_ends_at_work_ends_well():
    """A thread inside a compiled library, when Python shuts down under it, would take the whole process with it."""
    script = (
        "import time\nfrom matplotlib.figure import Figure\nfrom doe.panels.working import Latest, Work\n"
        "def draw():\n    for _ in range(4):\n        figure = Figure()\n        figure.subplots(3, 3)\n        figure.canvas.draw()\n"
        "latest = Latest(lambda: (draw(), print('drawn')))\nlatest.ask()\n"
        "work = Work(lambda act: act(), print)\nwork.start('drawing', lambda tell: [draw() for _ in range(1000)], lambda _: print('ready'))\n"
        "time.sleep(0.5)\n"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 0, done.stderr
    # what is short was ended, what is long was stopped
    assert sorted(done.stdout.splitlines()) == ["Stopped. Nothing was changed.", "drawn"]
