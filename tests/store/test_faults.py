"""Killed at any moment, out of disk, without rights, many at once: the old state or the new one is there, whole, and it is said which."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

FAULTS = Path(__file__).parent / "faults.py"
ROOM = "but must be on a disk with room: free some space and try again; nothing was changed."
WAYS = {
    "InStore",
    "MakeStore",
    "Correct",
    "Import",
    "Export",
    "StudyFile",
    "PlanFile",
    "RecordsFile",
    "SheetFile",
    "WorkbookFile",
    "PageFile",
}

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="faults are tried on forks of a process")


def come_of(*tasks, url=""):
    """What the script says came of its tasks, by task."""
    environment = os.environ | {"DOE_FAULTS_URL": url, "PYTHONPATH": os.pathsep.join(sys.path)}
    command = [sys.executable, str(FAULTS), json.dumps(tasks)]
    done = subprocess.run(command, env=environment, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def found_in(answers, task):
    """The answer to a task, or why there is none."""
    assert "problem" not in answers[task], answers[task]["problem"]
    return answers[task]["found"]


@pytest.fixture(scope="module")
def on_sqlite(tmp_path_factory):
    """One process imports the package and does all the tasks of the default run."""
    folder = tmp_path_factory.mktemp("faults")
    return come_of(
        ("kills", 11, 1),
        ("writers", 5, 20, 10, str(folder / "many.db")),
        ("corrections", 5, str(folder / "one.db")),
        ("full disk", 1),
        ("full pages",),
        ("read only",),
        ("held", 0.3),
    )


@pytest.fixture
def on_postgresql(postgres):
    tasks = (("corrections", 5, postgres), ("writers", 5, 20, 10, postgres), ("kills in store", 6, 3))
    return come_of(*tasks, url=postgres)


def killed(found, number, ways, each):
    assert found["kills"] == number
    assert set(found["by way"]) == ways
    assert min(found["by way"].values()) == each


def all_there(found, number, saves):
    none = {"failed": 0, "lost": 0, "doubled": 0, "other": 0}
    assert {k: found[k] for k in none} == none
    assert (found["versions"], found["writers seen"]) == (number * saves, number)


CHAIN = {"failed": 0, "corrections": 5, "reasons": 5, "chained": True}


def test_killed_at_any_moment_the_old_state_or_the_new_is_whole(on_sqlite):
    killed(found_in(on_sqlite, "kills"), 11, WAYS, 1)


def test_several_writers_at_once_lose_and_double_nothing(on_sqlite):
    all_there(found_in(on_sqlite, "writers"), 5, 2)


def test_corrections_of_one_reading_at_once_form_one_chain(on_sqlite):
    assert found_in(on_sqlite, "corrections") == CHAIN


def test_kills_and_many_writers_on_postgresql(on_postgresql):
    assert found_in(on_postgresql, "corrections") == CHAIN
    all_there(found_in(on_postgresql, "writers"), 5, 2)
    killed(found_in(on_postgresql, "kills in store"), 6, {"InStore", "Correct"}, 3)


@pytest.mark.slow
def test_hundreds_of_kills():
    found = found_in(come_of(("kills", 220, 2)), "kills")
    killed(found, 220, WAYS, 20)
    assert min(found["states"].values()) >= 40  # kills fell on both sides of the moment that counts


@pytest.mark.slow
def test_many_kills_on_postgresql(postgres):
    killed(found_in(come_of(("kills in store", 60, 4), url=postgres), "kills in store"), 60, {"InStore", "Correct"}, 30)


@pytest.mark.slow
def test_fifty_writers_of_two_hundred_readings_at_once(url):
    all_there(found_in(come_of(("writers", 50, 200, 40, url)), "writers"), 50, 5)


def test_a_full_disk_is_said_and_nothing_is_lost(on_sqlite):
    said = found_in(on_sqlite, "full disk")
    assert set(said) == WAYS  # every way to write met it
    for way in ("InStore", "MakeStore", "Correct", "Import"):
        assert said[way] == [f"store 'FOLDER/trials.db' is 'not to be written (disk I/O error)' {ROOM}"]
    for way, file in (
        ("Export", "trial.zip"),
        ("StudyFile", "study.json"),
        ("RecordsFile", "records.csv"),
        ("PageFile", "report.html"),
    ):
        assert said[way] == [
            f"path is 'FOLDER/{file}' but must be a file that can be written: free some space or choose another place (File too large)."
        ]
    assert said["WorkbookFile"][0] == (
        "path is 'FOLDER/sheet.xlsx' but must be a workbook that can be put together: "
        "free some space in the folder for temporary files (File too large)."
    )


def test_no_more_pages_are_said_and_nothing_is_lost(on_sqlite):
    assert (
        found_in(on_sqlite, "full pages")
        == f"store 'FOLDER/trials.db' is 'not to be written (database or disk is full)' {ROOM}"
    )


def test_in_a_folder_that_can_only_be_read_what_is_kept_can_be_read(on_sqlite):
    found = found_in(on_sqlite, "read only")
    kept = "store 'FOLDER/trials.db' is 'in a place that can only be read' but must be in a folder that can be written to: copy it there first."
    folder = "but must be in a folder that can be written to: choose another folder"
    assert found == {
        "runs read": 3,
        "check": "store 'FOLDER/trials.db' is whole: 2 things in 2 versions.",
        "save": kept,
        "correct": kept,
        "export": f"path is 'FOLDER/x.zip' {folder} (Permission denied).",
        "make": f"store 'FOLDER/new.db' is 'in a folder that can only be read' {folder}.",
        "study": f"path is 'FOLDER/study.json' {folder} (Permission denied).",
    }


def test_a_file_held_by_another_program_is_waited_for(on_sqlite):
    assert found_in(on_sqlite, "held") == (
        "store 'FOLDER/trials.db' is 'held by another program' but must be free within 0.3 s: "
        "close what else has it open, and try again; nothing was changed."
    )
