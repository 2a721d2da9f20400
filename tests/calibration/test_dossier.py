"""The page that a quality department files, and the exit status where a check does not hold."""

import datetime
import os
import re
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest
from typer.testing import CliRunner

import doe
from doe.__main__ import app
from doe.calibration import Dossier, answers, calibrated, write_dossier
from doe.calibration.findings import CHAPTERS, PUBLISHED, Finding
from doe.calibration.surroundings import machine_table

ABOUT = machine_table("9.9", 7, "quick: …; 3 trials", datetime.datetime(2026, 3, 1, 12, tzinfo=datetime.UTC))


def found(holds=True, what="F of <coating>"):
    return Finding(PUBLISHED, what, "Box (1996)", "11.5", "11.48 ± 0.006", holds)


@pytest.fixture(scope="module")
def wrong():
    """A dossier in which one certified value is wrong."""
    sets = {"longley": dict(answers.values("nist_strd_regression")["sets"]["longley"])}
    sets["longley"]["rsd"] = 305.0
    return Dossier((*answers.certified(sets), found()), ABOUT)


def test_the_page_is_one_file_with_everything_a_reader_asks_for(wrong, tmp_path):
    text = write_dossier(tmp_path / "page.html", wrong).read_text(encoding="utf-8")
    assert not re.search(r"(?:https?:)?//[^\"' ]*\.(?:css|js|png)|<script|<link|src=", text), (
        "the page would fetch something"
    )
    for said in (
        "Name",
        "Date",
        "Signature",
        "Reviewed by",
        "It is no validation of your laboratory",
        "your own quality system",
    ):
        assert said in text, said
    assert "F of &lt;coating&gt;" in text
    assert "F of <coating>" not in text
    assert "@media print" in text
    for what, which in ABOUT.itertuples(index=False, name=None):
        assert what in text, what
        assert which.replace("&", "&amp;") in text, which
    assert text.count('<tr class="bad">') == 1
    assert "1 of 4 checks does not hold on this machine: do not rely on its results before this is explained." in text
    assert CHAPTERS[2] not in text  # a question without a check has no heading


def test_it_is_printed_in_short(wrong):
    text = str(wrong)
    assert "Are the sums right?" in text
    assert re.search(
        r"Longley.*: found \S+ digits, allowed at least 9 digits \(certified values.*\)\. Does not hold\.", text
    )
    assert str(Dossier((found(), found()), ABOUT)).endswith("All 2 checks hold on this machine.")
    assert not Dossier((), ABOUT).holds  # nothing checked is nothing held
    two = Dossier((found(False), found(False), found()), ABOUT)
    assert two.verdict.startswith("2 of 3 checks do not hold")


def test_the_exit_status_is_2_where_a_check_does_not_hold(wrong, tmp_path, monkeypatch):
    asked = []
    monkeypatch.setattr("doe.calibration.calibrated", lambda *a, n_jobs: asked.append((*a[3:5], n_jobs)) or wrong)
    outcome = CliRunner().invoke(app, ["selftest", "--out", str(tmp_path / "out"), "--seed", "4"])
    assert isinstance(outcome.exception, doe.StudyError)  # which `main` makes exit status 2 and one sentence
    assert outcome.exception.where.startswith("self-test: Longley, 16 readings, 7 coefficients: standard deviations")
    page = tmp_path / "out" / "selftest.html"
    assert outcome.exception.mend == (
        f"read {page}, and do not rely on this installation before it is explained; 1 of 4 checks failed"
    )
    assert page.exists()  # it can be filed all the same
    right = Dossier((found(),), ABOUT)
    monkeypatch.setattr("doe.calibration.calibrated", lambda *a, n_jobs: asked.append((*a[3:5], n_jobs)) or right)
    outcome = CliRunner().invoke(app, ["selftest", "--out", str(tmp_path / "out"), "--full", "--jobs", "3"])
    assert outcome.exit_code == 0, outcome.output
    assert (tmp_path / "out" / "selftest_full.html").exists()
    assert asked == [("quick", 4, 1), ("full", 0, 3)]


def test_what_cannot_be_asked_for_costs_one_sentence(tmp_path):
    for words, sentence in (
        (("deep", 0), "selftest: depth is 'deep' but must be one of quick, full: choose one of them."),
        (("quick", -1), "--seed is -1 but must be a whole number from 0: correct the number."),
        (("quick", True), "--seed is True but must be a whole number from 0: correct the number."),
    ):
        with pytest.raises(doe.StudyError) as caught:
            calibrated(None, None, None, *words)
        assert str(caught.value) == sentence
    with pytest.raises(doe.StudyError) as caught:
        calibrated(None, None, None, n_jobs=0)
    assert (
        str(caught.value) == "--jobs is 0 but must be a whole number from 1: write how many processes may work at once."
    )
    with pytest.raises(doe.StudyError) as caught:
        write_dossier(tmp_path / "page.html", pd.DataFrame())
    assert str(caught.value) == "selftest: dossier is 'DataFrame' but must be a Dossier: make one with calibrated."


def selftest(folder, *words):
    env = os.environ | {"PYTHONPATH": str(Path(doe.__file__).parent.parent), "COLUMNS": "200"}
    command = [sys.executable, "-m", "doe", "selftest", "--out", "filed", *words]
    return subprocess.run(command, cwd=folder, env=env, capture_output=True, text=True, encoding="utf-8", check=False)


@pytest.mark.slow
def test_the_self_test_holds(tmp_path):
    done = selftest(tmp_path)
    assert done.returncode == 0, done.stderr
    count = int(re.search(r"All (\d+) checks hold on this machine\.", done.stdout)[1])
    assert count > 50
    text = (tmp_path / "filed" / "selftest.html").read_text(encoding="utf-8")
    for question in CHAPTERS:
        assert question in text
    assert text.count("<td>holds</td>") == count
