"""The dossier: whole, self-contained, escaped, the same for the same input, and true to the results it shows."""

import base64
import datetime
import itertools
import os
import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

import doe
from doe import StudyError
from doe.report import sentences, write_report
from doe.report.questions import CAUTIONS, data_fingerprint
from doe.study.shown import error_text, number_text

from .conftest import DATE, chemical_study, chemical_table
from .pages import Page


@pytest.fixture(scope="session")
def read(page):
    return Page(page)


# ---- the page as a document


def test_the_page_is_well_formed(read, page):
    assert page.startswith("<!doctype html>")
    assert not read.faults
    ids = [e["id"] for e in read.elements if "id" in e]
    assert len(ids) == len(set(ids))
    assert read.all("html")[0]["lang"] == "en-GB"


def test_the_reader_of_pages_sees_faults():
    assert Page("<p><b>x</p>").faults == ["p closes b", "b stays open", "p stays open"] or Page("<p><b>x</p>").faults


def test_the_page_needs_no_network_and_runs_nothing(read, page):
    assert {e["src"].partition(",")[0] for e in read.all("img")} == {"data:image/png;base64"}
    for e in read.all("img"):
        assert base64.b64decode(e["src"].partition(",")[2], validate=True).startswith(b"\x89PNG")
    assert not read.all("script") + read.all("link") + read.all("iframe") + read.all("object")
    assert not [key for e in read.elements for key in e if key.startswith("on")]
    assert all(e["href"].startswith("#") for e in read.all("a"))
    without_pictures = re.sub(r'src="data:[^"]*"', "", page)
    assert "http://" not in without_pictures
    assert "https://" not in without_pictures
    assert "url(" not in without_pictures
    policy = next(e["content"] for e in read.all("meta") if e.get("http-equiv") == "Content-Security-Policy")
    assert policy == "default-src 'none'; img-src data:; style-src 'unsafe-inline'"


def test_the_page_can_be_read_without_seeing_it(read):
    anchors = {e["id"] for e in read.elements if "id" in e}
    nav = list(read.all("a"))
    assert len(nav) == 11  # the skip link and ten questions
    assert all(e["href"][1:] in anchors for e in nav)
    levels = [int(e["tag"][1]) for e in read.elements if re.fullmatch(r"h[1-6]", e["tag"])]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(b - a <= 1 for a, b in itertools.pairwise(levels))
    for e in read.all("img"):
        assert re.search(r"\d", e["alt"]), "a picture's text says its figures"
        assert e["width"].isdigit()
        assert e["height"].isdigit()
    assert all(e.get("scope") in ("col", "row") for e in read.all("th"))
    regions = [e for e in read.elements if e.get("role") == "region"]
    assert len(regions) == len(read.all("table"))
    assert all(e["tabindex"] == "0" and e["aria-label"] for e in regions)


def test_the_look_serves_screen_paper_dark_and_light(page):
    for rule in ("@media print", "@page", "prefers-color-scheme: dark", ":focus-visible"):
        assert rule in page


# ---- what it says


def test_every_question_is_asked(read):
    assert [e["text"] for e in read.all("h2")] == [
        "What came out, in short?",
        "What was studied?",
        "Which batches were made?",
        "What was measured?",
        "What drives each response?",
        "Can the fits be trusted?",
        "Where to run?",
        "What does this not show?",
        "What to take care of at the bench?",
        "How was this page made?",
    ]


def test_what_was_studied(read):
    told = read.section("studied")
    for words in ("Read from the book.", "80 to 90", "170 to 180", "min", "°F", "at least 78.5 %", "60 to 70 cSt"):
        assert words in told


def test_every_reading_stands_in_the_page(read, chemical):
    rows = read.rows()
    for _, row in chemical_table().iterrows():
        run = int(row["run"])
        viscosity = "" if run == 3 else f"{row['viscosity']:g}"
        assert [str(run), f"{row['yield']:.1f}", viscosity, f"{row['molecular_weight']:g}"] in rows
    told = read.section("measured")
    assert "viscosity: no reading of run 3." in told
    assert "bubbles seen" in told
    assert ["molecular_weight", "7", "flask cracked"] in rows


def test_what_drives_each_response(read, chemical):
    told = read.section("drives")
    fit = chemical.fits["yield"]
    ends = fit.predict(pd.DataFrame({"reaction time": [80.0, 90.0], "temperature": [175.0, 175.0]}))["estimate"]
    for value in ends:
        assert f"{value:.1f}" in told
    assert str(fit.equation()).split("\n")[0] in told
    coefficient = fit.coefficients.set_index("term").loc["temperature"]
    assert number_text(coefficient["estimate"], coefficient["std_error"]) in told
    assert "a clear change; a bend" in told
    assert any(cells[0] == "reaction time × temperature" for cells in read.rows())
    assert not any("`reaction time`" in cells[0] for cells in read.rows() if cells)
    assert "lack of fit" in told
    ranked = fit.drivers()
    assert any(ranked.words in " ".join(e["alt"].split()) for e in read.all("img"))
    rows = read.rows()
    for row in ranked.table.itertuples():
        found = [cells for cells in rows if cells[0].startswith(row.factor) and cells[-1] == row.verdict]
        assert any(f"{100 * row.share:.0f} %" in cells for cells in found), row.factor


def test_shares_that_cannot_be_told_are_said_so(tmp_path, chemical, sketched):
    fits = {"yield": chemical.fits["yield"], "viscosity": doe.fit(chemical.study, chemical.records, "viscosity", ["1"])}
    text = chemical.write(tmp_path / "page.html", fits=fits, win=None).read_text(encoding="utf-8")
    assert "How much each factor accounts for is not told: drivers: model is '1'" in Page(text).section("drives")


def test_what_is_not_shown_is_not_claimed(read):
    """Montgomery (10th ed.), Example 11.2: the interaction of time and temperature on yield has p = 0.12."""
    told = read.section("drives")
    part = told[told.index("What each factor does to yield") : told.index("viscosity (cSt)")]
    assert "it depends on" not in part


def test_trust_in_words(read, chemical):
    told = read.section("trust")
    fit = chemical.fits["yield"]
    assert f"The fit accounts for {100 * fit.r2:.1f} % of the differences between batches (R²)" in told
    assert f"it keeps {100 * fit.r2_predicted:.1f} % (predicted R²)" in told
    assert f"Batches made alike differ by about {number_text(fit.sigma, digits=2)} % (standard deviation)." in told
    for line in fit.cautions():
        assert line in told
    assert "The order of making is the planned one" in told


def test_where_to_run_is_the_windows_own_answer(read, chemical):
    told = read.section("run")
    win = chemical.win
    assert f"Chance there: {win.set_point_probability:.4f}, Monte-Carlo error {error_text(win.mc_error)}" in told
    bound = win.claim().iloc[0]
    assert 0.01 <= bound["mc_error"] < 0.1  # two decimals are what it allows
    claim = np.floor(100 * bound["claim"]) / 100
    assert (
        f"With 90 % confidence the true share of batches made there that meet every specification is {claim:.2f} or higher "
        f"(Monte-Carlo error of that bound {number_text(bound['mc_error'], digits=2)})" in told
    )
    assert f"{number_text(win.set_point['temperature'], digits=5)} °F" in told
    if len(win.ranges):
        for value in [*win.ranges["low"], *win.ranges["high"]]:
            assert number_text(float(value), digits=5) in told
    assert str(win.ranges.note).split("\n")[0] in told
    alone = win.by_response(pd.DataFrame([win.set_point.to_dict()])).iloc[0]
    assert 0.001 < alone["viscosity"] < 0.999
    assert f"{alone['viscosity']:.3f}" in told
    if not win.reached:
        assert win.obstacles.words in told
    else:
        assert "How far each factor by itself may stray" in told
        assert win.edge.words in told
        confirmation = doe.confirm(win, 3)
        assert "What 3 confirmation batches at the set point must read" in told
        assert f"The chance that all 3 meet every specification is {confirmation.chance_all:.3f}." in told


def test_the_short_answer_is_the_long_one(read, chemical):
    told = read.section("short")
    assert "13 batches of chemical process were measured, with 2 factors set and 3 responses fitted." in told
    assert (
        f"is {chemical.win.set_point_probability:.3f} (Monte-Carlo error {error_text(chemical.win.mc_error)})" in told
    )
    assert "reaction time (min) from 80 to 90 takes it from 77.6 to 79.6 %" in told


def test_the_headline_names_only_what_the_page_shows_to_matter():
    """Invented readings: x moves y; w shows in no change and no share of its own, but its interaction with z is made to stand out at p = 0.03."""
    study = doe.Study("three", [doe.Continuous(n, -1, 1) for n in "xzw"], [doe.Response("y", decimals=2)])
    cube = pd.DataFrame(list(itertools.product((-1.0, 1.0), repeat=3)), columns=list("xzw"))
    table = pd.concat([cube, cube, pd.DataFrame([[0.0, 0.0, 0.0]] * 4, columns=list("xzw"))], ignore_index=True)
    noise = np.random.default_rng(0).normal(0.0, 1.0, len(table))
    both = (table["z"] * table["w"]).to_numpy()
    noise -= both * (both @ noise) / (both @ both)
    for slope, sentence in (
        (5.0, "y: x from -1 to 1 takes it from 4.86 to 14.78, the other factors in the middle."),
        (
            0.0,
            "y: no factor is shown to change it by itself. Of 6 terms tested z × w stands out; of twenty that do nothing, about one does.",
        ),
    ):
        table["y"] = 10 + slope * table["x"] + noise + 0.55 * both
        fit = doe.fit(study, table, "y", model="interaction")
        verdicts = {c.name: c.shown for c in sentences.changes(fit)}
        assert (verdicts["z"], verdicts["w"]) == ("it depends on w", "it depends on z")  # and that is no change
        ranked = fit.drivers().table.set_index("factor")["verdict"]
        assert ranked["z"] == ranked["w"] == "not shown to matter"
        assert sentences.strongest(fit) == sentence


def test_a_factor_that_bends_matters_though_its_ends_are_alike():
    study = doe.Study("bend", [doe.Continuous("x", -1, 1), doe.Continuous("z", -1, 1)], [doe.Response("y", decimals=2)])
    grid = pd.DataFrame(list(itertools.product((-1.0, 0.0, 1.0), repeat=2)) * 2, columns=["x", "z"])
    grid["y"] = 10 + 4 * grid["x"] ** 2 + np.random.default_rng(1).normal(0.0, 0.3, len(grid))
    fit = doe.fit(study, grid, "y", model="quadratic")
    told = sentences.strongest(fit)
    assert "x matters, though not by a clear change from end to end" in told
    assert "takes it from" not in told


def confirmed(chemical, batches, shift=0.0):
    """A confirmation of the published trial's window, and the verdict on batches that read as expected, or off by a share."""
    made = doe.confirm(chemical.win, batches)
    expected = dict(zip(made.limits["response"], made.limits["expected"], strict=True))
    rows = pd.DataFrame(
        [{"batch": k, **{n: v * (1 + shift) for n, v in expected.items()}} for k in range(1, batches + 1)]
    )
    return made, made.verdict(rows)


def test_a_confirmation_says_what_its_own_number_of_batches_must_read(chemical, tmp_path, sketched):
    made, _ = confirmed(chemical, 5)
    told = Page(chemical.write(tmp_path / "page.html", confirmation=made).read_text(encoding="utf-8"))
    assert "What 5 confirmation batches at the set point must read" in told.section("run")
    assert "What 3 confirmation batches" not in told.section("run")
    assert "Did it hold?" not in [e["text"] for e in told.all("h2")]
    assert ["confirmation", "5 batches, limits together at 95 %"] in told.rows()


def test_whether_it_held_is_told_with_what_a_fit_with_the_batches_changes(chemical, tmp_path, sketched):
    for shift, first in (
        (0.0, "Agrees: all 4 batches read as the model foretold."),
        (0.3, "Does not agree: yield of batch 1 is"),
    ):
        made, verdict = confirmed(chemical, 4, shift)
        page = Page(chemical.write(tmp_path / "page.html", verdict=verdict).read_text(encoding="utf-8"))
        assert [e["text"] for e in page.all("h2")][7] == "Did it hold?"
        told = page.section("held")
        assert first in told
        assert verdict.words in told
        assert f"Confirmation batches at the set point: {verdict.words}" in page.section("short")
        assert "What 4 confirmation batches at the set point must read" in page.section("run")
        again = verdict.refit()
        at = pd.DataFrame([made.setting.to_dict()])
        for name, old in chemical.win.fits.items():
            cells = next(
                r for r in page.rows() if r[0] == old.response.label and r[-2:] == [str(old.n), str(old.n + 4)]
            )
            for fit, cell in ((old, cells[1]), (again[name], cells[2])):
                assert cell.startswith(fit.response.text(float(fit.predict(at)["estimate"].iloc[0])))


def test_fits_that_hold_the_confirmation_batches_say_so(chemical, tmp_path, sketched):
    _, verdict = confirmed(chemical, 2)
    fits = {**chemical.fits, **verdict.refit()}
    page = Page(chemical.write(tmp_path / "page.html", fits=fits, verdict=verdict).read_text(encoding="utf-8"))
    assert "The fits of this page hold these batches already." in page.section("held")
    assert "Confirmation batches that the fits hold as well" in page.section("measured")
    assert any(r[0] == "confirmation 2" for r in page.rows())


def test_a_confirmation_of_something_else_is_refused(chemical, tmp_path):
    made, verdict = confirmed(chemical, 2)
    other = doe.find_window(chemical.win.fits, target=0.5, draws=500, seed=4)
    for given, sentence in (
        ({"confirmation": 3}, "write_report: confirmation is 'int' but must be a Confirmation or None"),
        ({"verdict": made}, "write_report: verdict is 'Confirmation' but must be a Verdict or None"),
        ({"confirmation": made, "win": None}, "write_report: confirmation is 'without its window'"),
        ({"confirmation": doe.confirm(other, 2)}, "write_report: confirmation is 'of another window'"),
        (
            {"confirmation": doe.confirm(chemical.win, 3), "verdict": verdict},
            "write_report: verdict is 'of another confirmation'",
        ),
    ):
        with pytest.raises(StudyError) as problem:
            chemical.write(tmp_path / "page.html", **given)
        assert str(problem.value).startswith(sentence)


def test_limits_of_the_evidence_and_cautions(read):
    told = read.section("silent")
    for words in ("no evidence of preservation", "of safety", "shelf life", "make confirmation batches"):
        assert words in told
    care = read.section("care")
    for line in CAUTIONS:
        assert line in care
    for words in (
        "dust",
        "Caustic",
        "Amines",
        "impeller",
        "Hot plates",
        "Skin contact",
        "Safety data sheets, local rules and a qualified assessor",
    ):
        assert words in care


def test_provenance(read, chemical):
    told = read.section("origin")
    for words in (
        DATE,
        chemical.study.fingerprint,
        chemical.plan.fingerprint,
        doe.__version__,
        "target 0.6, 500 draws, seed 3",
        "Python",
        "numpy",
    ):
        assert words in told


# ---- the same for the same input


@pytest.mark.slow
def test_the_same_parts_give_the_same_page_and_its_pictures_where_they_are_asked_for(chemical, page, tmp_path):
    again = chemical.write(tmp_path / "again.html", pictures=tmp_path / "own" / "pictures")
    assert again.read_text(encoding="utf-8") == page
    found = {p.stem: p.read_bytes() for p in (tmp_path / "own" / "pictures").iterdir()}
    kinds = ("curves", "effects", "residuals", "shares")
    for name in [f"{r}_{kind}" for r in ("yield", "viscosity", "molecular_weight") for kind in kinds] + ["window"]:
        assert found[name].startswith(b"\x89PNG"), name
    shown = {base64.b64decode(src.partition(",")[2]) for src in re.findall(r'<img src="([^"]*)"', page)}
    assert shown == set(found.values())


def test_pictures_of_like_named_responses_do_not_overwrite_each_other(tmp_path, sketched):
    study = doe.Study("gel", [doe.Continuous("x", 0, 1)], [doe.Response("pH 1"), doe.Response("pH_1")])
    table = pd.DataFrame({"x": [0, 0.5, 1] * 2, "pH 1": [5, 6, 7, 5.1, 6, 7], "pH_1": [5, 6, 7.1, 5, 6, 7]})
    write_report(tmp_path / "r.html", study, None, None, doe.fit_all(study, table, "linear"), pictures=tmp_path)
    assert {"ph_1_curves.png", "ph_1_curves_2.png"} <= {p.name for p in tmp_path.iterdir()}


def test_pictures_go_into_a_folder_or_cost_one_sentence(chemical, tmp_path, sketched):
    with pytest.raises(doe.StudyError, match="write_report: pictures is 3 but must be the path of a folder"):
        chemical.write(tmp_path / "r.html", pictures=3)
    (tmp_path / "file").write_text("")
    with pytest.raises(doe.StudyError, match=r"write_report: pictures is '.*' but must be a folder that can be made"):
        chemical.write(tmp_path / "r.html", pictures=tmp_path / "file")
    assert not (tmp_path / "r.html").exists()


def test_only_the_date_changes_with_the_date(hostile, tmp_path, sketched):
    first = hostile.write(tmp_path / "first.html").read_text(encoding="utf-8")
    later = hostile.write(tmp_path / "later.html", date=datetime.date(2026, 1, 2)).read_text(encoding="utf-8")
    assert later != first
    assert later.replace("2026-01-02", DATE) == first


def test_without_a_date_it_is_todays(hostile, tmp_path, sketched):
    made = hostile.write(tmp_path / "today.html", date=None).read_text(encoding="utf-8")
    assert datetime.date.today().isoformat() in made


def test_the_fingerprint_of_readings_follows_every_reading(chemical):
    from doe.report.questions import Trial

    def of(table):
        plan = chemical.plan
        records = doe.bench.Records.from_frame(table.drop(columns=["reaction time", "temperature"]), plan)
        return data_fingerprint(Trial(chemical.study, plan, records, chemical.fits, None, DATE))

    table = chemical_table()
    changed = table.copy()
    changed.loc[5, "yield"] += 0.1
    assert of(table) == of(table.sample(frac=1, random_state=1))
    assert of(table) != of(changed)


# ---- every word escaped


def test_what_a_user_typed_stays_text(hostile, tmp_path):
    html = hostile.write(tmp_path / "hostile.html").read_text(encoding="utf-8")
    read = Page(html)
    assert not read.faults
    assert not read.all("script") + read.all("svg") + read.all("u") + read.all("b") + read.all("i")
    assert {e["src"].partition(",")[0] for e in read.all("img")} == {"data:image/png;base64"}
    assert html.count("</style>") == 1
    told = "".join(e["text"] for e in read.all("main"))
    for words in (
        "<script>alert(1)</script>",
        "<i>%</i>",
        "<u>a</u>",
        "b & c",
        '"><img src=x onerror=alert(2)>',
        "</style>",
        "<svg onload=alert(4)>",
    ):
        assert words in told, "shown as it was typed"
    assert "</main><script>alert(3)</script>" in told
    assert "{{ 7 * 7 }} {% raw %}" in told
    assert read.all("h1")[0]["text"] == '<b>gel</b> & "co" (invented)'


# ---- parts that are not there


def test_without_plan_and_records_the_fits_speak(chemical, tmp_path):
    html = chemical.write(
        tmp_path / "p.html", plan=None, records=None, win=None, fits=chemical.fits["yield"]
    ).read_text(encoding="utf-8")
    read = Page(html)
    assert "No plan came with this page" in read.section("made")
    assert "76.5" in read.section("measured")
    assert "92.07" in read.section("made") or "92.070" in read.section("made")


def test_without_a_plan_the_records_have_one(chemical, tmp_path):
    html = chemical.write(tmp_path / "p.html", plan=None, win=None, fits=chemical.fits["yield"]).read_text(
        encoding="utf-8"
    )
    assert "No plan came with this page" in Page(html).section("made")
    assert "170" in Page(html).section("made")


def test_a_fit_with_chosen_terms_says_what_its_intervals_no_longer_mean(chemical, tmp_path, sketched):
    from doe.fits.result import SELECTED

    def page(fits):
        return chemical.write(tmp_path / "p.html", plan=None, records=None, fits=fits, win=None).read_text(
            encoding="utf-8"
        )

    assert SELECTED not in page(chemical.fits)
    # beside the intervals and among what to be wary of, for every response
    assert page({name: fit.reduced() for name, fit in chemical.fits.items()}).count(SELECTED) >= 2 * len(chemical.fits)


def test_a_fit_that_assumes_its_variance_ratio_says_so(tmp_path):
    study = doe.Study(
        "bath (invented)",
        [doe.Continuous("temperature", 20, 40, "°C", hard_to_change=True), doe.Continuous("speed", 400, 1000, "rpm")],
        [doe.Response("viscosity", "Pa·s")],
    )
    rows = [(plot, t, s) for plot, t in ((1, 20), (2, 30), (3, 40)) for s in (400, 700, 700, 1000)]
    data = pd.DataFrame(rows, columns=["whole_plot", "temperature", "speed"])
    data["viscosity"] = np.random.default_rng(1).normal(20, 1, 12).round(2)
    fits = doe.fit_all(study, data, "quadratic", variance_ratio=1.0)
    html = write_report(tmp_path / "p.html", study, None, None, fits, None, DATE).read_text(encoding="utf-8")
    assert "The variance ratio is ASSUMED, not estimated" in Page(html).section("trust")


def test_without_a_window(chemical, tmp_path):
    html = chemical.write(tmp_path / "p.html", win=None, fits=chemical.fits["yield"]).read_text(encoding="utf-8")
    assert "No window was sought, although yield and viscosity have a specification." in Page(html).section("run")


def test_without_a_specification(tmp_path, sketched):
    study = chemical_study(low=None)
    fit = doe.fit(study, chemical_table(), "yield")
    html = write_report(tmp_path / "p.html", study, None, None, fit, None, DATE).read_text(encoding="utf-8")
    assert "No response has a specification, so there is nothing to meet and no window to look for." in Page(
        html
    ).section("run")


def test_a_window_that_reaches_no_target_says_why(chemical, tmp_path, sketched):
    win = doe.find_window(chemical.fits, target=0.999, draws=500)
    told = Page(chemical.write(tmp_path / "p.html", win=win).read_text(encoding="utf-8")).section("run")
    assert "No setting surely reaches the target of 0.999" in told
    assert "Best setting found; it does not reach the target" in told
    assert str(win.ranges.note) in told


def test_goals_are_weighed_together_where_they_are_given(tmp_path, sketched):
    study = chemical_study()
    goals = [replace(r, goal="high") if r.name == "yield" else r for r in study.responses]
    aimed = doe.Study(study.name, study.factors, goals)
    fits = doe.fit_all(aimed, chemical_table())
    win = doe.find_window(fits, target=0.3, draws=500)
    html = write_report(tmp_path / "p.html", aimed, None, None, fits, win, DATE).read_text(encoding="utf-8")
    found = doe.window.desirability(fits)
    assert f"Best compromise: overall desirability {found.overall:.3f}" in Page(html).section("run")


SMALL = {
    "one factor": (["a"], {}, None),
    "one factor of kinds": (["kind"], {}, "linear"),
    "nothing left to judge by": (["a", "b"], {"runs": 4}, "interaction"),
    "one degree of freedom": (["a", "b"], {"runs": 5}, "interaction"),
    "in blocks": (["a", "b"], {"block": True}, "quadratic"),
    "the mean alone": (["a"], {}, ["1"]),
}


@pytest.mark.parametrize("name", SMALL)
def test_small_trials_have_a_page_too(name, tmp_path):
    """Invented: trials at the edge of what can be fitted."""
    factors, more, model = SMALL[name]
    kinds = {
        "a": doe.Continuous("a", 0, 1, "g"),
        "b": doe.Continuous("b", 0, 1, "g"),
        "kind": doe.Categorical("kind", ("A", "B", "C")),
    }
    study = doe.Study("small", [kinds[f] for f in factors], [doe.Response("firmness", "N")])
    levels = {"a": (0, 1, 0.5), "b": (0, 1, 0.5), "kind": ("A", "B", "C")}
    rows = sorted(itertools.product(*(levels[f] for f in factors)), key=lambda row: 0.5 in row)[: more.get("runs")]
    table = pd.DataFrame(rows * (1 if "runs" in more else 3), columns=factors)
    table["firmness"] = 2 + np.random.default_rng(0).normal(0, 0.3, len(table)) + table.get("a", 0)
    if "block" in more:
        table["block"] = np.repeat(["day 1", "day 2", "day 3"], len(rows))
    fit = doe.fit(study, table, "firmness", model=model or "quadratic")
    read = Page(write_report(tmp_path / "p.html", study, None, None, fit, None, DATE).read_text(encoding="utf-8"))
    assert not read.faults
    assert all(np.any([c.isdigit() for c in e["alt"]]) for e in read.all("img"))
    pictures = {"nothing left to judge by": 2, "one degree of freedom": 3, "in blocks": 4, "the mean alone": 2}
    assert len(read.all("img")) == pictures.get(name, 3)


# ---- written whole or not at all


def test_a_write_that_fails_leaves_the_old_page(hostile, tmp_path, monkeypatch, sketched):
    target = tmp_path / "report.html"
    target.write_text("the old page", encoding="utf-8")

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", full)
    with pytest.raises(StudyError, match="free some space"):
        hostile.write(target)
    assert target.read_text(encoding="utf-8") == "the old page"
    assert [p.name for p in tmp_path.iterdir()] == ["report.html"]


def test_a_folder_that_is_not_there(hostile, tmp_path, sketched):
    with pytest.raises(StudyError) as problem:
        hostile.write(tmp_path / "nowhere" / "report.html")
    folder = str(tmp_path / "nowhere")
    assert str(problem.value) == (
        f"path is {os.path.join(folder, 'report.html')!r} but must be in a folder that exists: make the folder {folder!r} first."
    )


def test_the_template_travels_with_the_package():
    from importlib.resources import files

    assert {"page.html", "page.css"} <= {p.name for p in files("doe.report").iterdir()}


# ---- refusals


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        (
            {"study": "gel"},
            "write_report: study is 'str' but must be a doe.Study: give the study the fits were made from.",
        ),
        (
            {"plan": "box"},
            "write_report: plan is 'str' but must be a Plan or None: make one with doe.designs, load it with Plan.load, or give None.",
        ),
        (
            {"records": pd.DataFrame()},
            "write_report: records is 'DataFrame' but must be a Records or None: make them with doe.bench.read_sheet or "
            "Records.from_frame, or give None: the fits know their readings.",
        ),
        (
            {"win": 0.9},
            "write_report: win is 'float' but must be a Window or None: make it with doe.find_window, or give None.",
        ),
        (
            {"fits": {}},
            "write_report: fits is 'dict' but must be a mapping of response to Fit, or one Fit: make them with doe.fit_all.",
        ),
        (
            {"date": 3},
            'write_report: date is 3 but must be a date or a text: write "2025-03-01", or leave it out for today.',
        ),
    ],
)
def test_parts_of_the_wrong_kind(hostile, tmp_path, change, sentence):
    with pytest.raises(StudyError) as problem:
        hostile.write(tmp_path / "report.html", **change)
    assert str(problem.value) == sentence
    assert not list(tmp_path.iterdir())


def test_parts_of_another_study(hostile, chemical, tmp_path):
    with pytest.raises(StudyError) as problem:
        hostile.write(tmp_path / "report.html", plan=chemical.plan)
    assert str(problem.value) == (
        f"write_report: plan is \"of study 'chemical process' ({chemical.study.fingerprint})\" but must be of the same study as the page "
        f"({hostile.study.fingerprint}): give the parts of one trial; a changed study needs new fits."
    )
    with pytest.raises(StudyError) as problem:
        hostile.write(tmp_path / "report.html", fits=chemical.fits)
    assert str(problem.value) == (
        f"write_report: fit of 'yield' is \"of study 'chemical process' ({chemical.study.fingerprint})\" but must be of the same study as the "
        f"page ({hostile.study.fingerprint}): fit it again from this study."
    )
