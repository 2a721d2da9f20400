"""A report of scores and of readings beyond the instrument: every chapter is there, nothing of it is no number."""

import html
import re

import numpy as np
import pytest

import doe


@pytest.fixture(scope="module")
def page(tmp_path_factory):
    study = doe.Study(
        "jar (invented)",
        [doe.Continuous("gum", 0.2, 0.6, "%", step=0.01), doe.Continuous("speed", 400, 1000, "rpm", step=50)],
        [
            doe.Response("look", scale=(1, 5), low=3),
            doe.Response("viscosity", "mPa·s", low=4000, transform="log", decimals=0),
        ],
    )
    plan = doe.designs.central_composite(study, axial="face", centre=5).randomised(seed=1)
    rng = np.random.default_rng(5)
    gum, speed = (plan.runs["gum"] - 0.4) / 0.2, (plan.runs["speed"] - 700) / 300
    latent = 3 * gum - speed + 0.8 * gum * speed + rng.logistic(size=len(plan.runs))
    viscosity = 9000 * np.exp(0.6 * gum - 0.1 * speed + 0.08 * rng.standard_normal(len(plan.runs)))
    table = plan.runs.assign(
        look=np.digitize(latent, [-3, -1, 0.5, 2.5]) + 1, viscosity=[">16000" if v > 16000 else v for v in viscosity]
    ).reset_index()
    assert table["viscosity"].astype(str).str.startswith(">").sum() >= 1
    records = doe.bench.Records.from_frame(table, plan)
    fits = doe.fit_all(study, records, "interaction")
    assert (fits["look"].method, fits["viscosity"].method) == ("ordinal", "censored")
    win = doe.find_window(fits, target=0.8, draws=1000)
    path = doe.report.write_report(tmp_path_factory.mktemp("report") / "report.html", study, plan, records, fits, win)
    return path.read_text(encoding="utf-8")


def words(page):
    return " ".join(html.unescape(re.sub(r"<style.*?</style>|<[^>]+>", " ", page, flags=re.S)).split())


def test_every_chapter_is_there_and_nothing_is_no_number(page):
    text = words(page)
    assert not re.search(r"\bnan\b|\bNone\b|\binf\b", text)
    for said in (
        "Batches made alike need not score alike: the fit gives every score its chance at a setting.",
        "How much of the variation of look each factor accounts for",
        "The prior pulls steep slopes in.",
        "gum",
        "What each factor does to look, the others in the middle",
        "proportional odds",
    ):
        assert said in text, said
    assert "change of the logit of a higher score" in page or "on the logit" in page


def test_scores_are_given_no_equation(page):
    text = words(page)
    assert text.count("As an equation, in natural units:") == 1
    assert ">16000" in text
