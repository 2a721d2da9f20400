"""Drift: lines are those of the result, broken beyond the last reading, with the worst one's confidence limit."""

import matplotlib.colors
import numpy as np
import pandas as pd
import pytest

import doe
from doe import StudyError, plots
from doe.fits import drift

from .pictures import by_gid, outside, overlaps, said

MONTHS = (0, 3, 6, 9, 12, 18)


def followed(slopes=(-0.2, -0.3, -0.1), starts=(101.0, 101.0, 101.0), **limits):
    study = doe.Study(
        "assay",
        [doe.Continuous("polymer", 0.2, 0.6, "%")],
        [doe.Response("assay", "%", **(limits or {"low": 95, "high": 104}))],
    )
    rng = np.random.default_rng(3)
    data = pd.DataFrame(
        [
            {
                "run": i + 1,
                "polymer": 0.4,
                "time": f"{m} mo" if m else "0",
                "assay": b + s * m + 0.3 * rng.standard_normal(),
            }
            for i, (s, b) in enumerate(zip(slopes, starts, strict=True))
            for m in MONTHS
        ]
    )
    return drift(study, data, "assay")


def lines_of(ax, gid):
    return [np.asarray(line.get_xydata()) for line in ax.get_lines() if line.get_gid() == gid]


def test_lines_readings_and_the_place_where_the_limit_is_met():
    d = followed()
    ax = plots.drift(d)
    drawn = lines_of(ax, "line")
    assert len(drawn) == 6  # three batches, solid as far as they were read and broken beyond
    first = d.predict(list(drawn[0][:, 0]), run=1)
    assert drawn[0][:, 1] == pytest.approx(first["estimate"].to_numpy())
    assert drawn[0][-1, 0] == 18
    assert drawn[1][0, 0] == 18
    marks = by_gid(ax, "batches")[0]
    assert marks.get_facecolors().size == 0
    assert np.asarray(marks.get_offsets()) == pytest.approx(d.data[["t", "value"]].to_numpy())
    (met,) = lines_of(ax, "meets")
    assert met[0] == pytest.approx([d.within, 95.0])
    band = by_gid(ax, "interval")[0].get_paths()[0].vertices
    worst = d.predict([0.0], run=d.worst)
    assert band[:, 1].max() == pytest.approx(worst["high"].iloc[0])
    assert d.worst == 2
    assert ax.get_xlabel() == "storage time (mo)"
    assert ax.get_ylabel() == "assay (%)"
    told = said(ax).replace("\n", " ")
    assert "assay against storage time, 3 batches" in told
    assert "the line of run 2, the worst batch, stays within the specification until" in told
    assert "at least 95 %" in told
    assert "is no evidence that it does" in told


def test_readings_known_only_by_bounds_have_marks_of_their_own():
    cells = (">104", 100.4, 99.6, "98..99.5", 98.1, "<97.5")
    study = doe.Study("assay", [doe.Continuous("polymer", 0.2, 0.6, "%")], [doe.Response("assay", "%", low=95)])
    rows = [(r, 0.4, f"{m} mo", v) for r in (1, 2) for m, v in zip(MONTHS, cells, strict=True)]
    rows[1] = (1, 0.4, "3 mo", 100.8)
    d = drift(study, pd.DataFrame(rows, columns=["run", "polymer", "time", "assay"]), "assay")
    ax = plots.drift(d)
    marks = {m.get_label(): np.asarray(m.get_offsets()) for m in by_gid(ax, "batches")}
    assert marks["open above"].tolist() == [[0, 104]] * 2
    assert marks["open below"].tolist() == [[18, 97.5]] * 2
    assert marks["batch"] == pytest.approx(d.data.dropna()[["t", "value"]].to_numpy())
    (bars,) = by_gid(ax, "between")
    assert [s.tolist() for s in bars.get_segments()] == [[[9, 98], [9, 99.5]]] * 2
    low, high = ax.get_ylim()
    assert low < 95
    assert high > 104
    told = said(ax).replace("\n", " ")
    assert "A triangle stands at the bound of a reading known only to lie on the side to which it points." in told
    assert "A bar joins the bounds of a reading known only to lie between them." in told
    assert overlaps(ax) == []
    assert outside(ax) == []
    first = d.predict([0.0], run=1).iloc[0]
    assert first["estimate"] == pytest.approx(lines_of(ax, "line")[0][0, 1])
    assert "triangle" not in said(plots.drift(followed()))


def test_one_line_is_drawn_once_and_in_the_axes_given():
    d = followed(slopes=(-0.2,) * 3)
    figure = plots.look.picture(4, 3)
    ax = figure.add_subplot()
    assert plots.drift(d, ax) is ax
    assert len(lines_of(ax, "line")) == 2
    assert 18 < d.within < d.furthest
    assert lines_of(ax, "meets")[0][0] == pytest.approx([d.within, 95.0])
    colours = {matplotlib.colors.to_hex(line.get_color()) for line in ax.get_lines() if line.get_gid() == "line"}
    assert colours == {plots.look.DEEP}


def test_two_times_have_lines_without_a_limit():
    d = followed()
    early = drift(d.study, d.data[d.data["t"] <= 3].assign(polymer=0.4, assay=lambda x: x["value"]), "assay")
    ax = plots.drift(early)
    assert by_gid(ax, "interval") == []
    assert lines_of(ax, "meets") == []


def test_scores_are_joined_by_steps():
    study = doe.Study("look", [doe.Continuous("polymer", 0.2, 0.6)], [doe.Response("look", scale=(1, 5), low=4)])
    rows = [
        (r, 0.4, t, v) for r, seen in ((1, (5, 4)), (2, (4, 2))) for t, v in zip(("4 wk", "8 wk"), seen, strict=True)
    ]
    ax = plots.drift(drift(study, pd.DataFrame(rows, columns=["run", "polymer", "time", "look"]), "look"))
    assert len(lines_of(ax, "steps")) == 2
    assert lines_of(ax, "line") == []
    assert "between the last inspection that met the limit and the first that did not" in said(ax).replace("\n", " ")
    assert all(float(t).is_integer() for t in ax.get_yticks())


def test_the_time_of_a_score_is_marked():
    study = doe.Study("look", [doe.Continuous("polymer", 0.2, 0.6)], [doe.Response("look", scale=(1, 5), low=3)])
    scores = {1: (5, 5, 4, 4, 3, 2), 2: (5, 4, 4, 3, 3, 2), 3: (5, 5, 4, 3, 2, 2)}
    rows = [
        (r, 0.4, f"{m} mo" if m else "0", v) for r, seen in scores.items() for m, v in zip(MONTHS, seen, strict=True)
    ]
    d = drift(study, pd.DataFrame(rows, columns=["run", "polymer", "time", "look"]), "look", chance=0.6)
    ax = plots.drift(d)
    assert 0 < d.within < 18
    assert lines_of(ax, "meets")[0][0] == pytest.approx([d.within, 3.0])
    assert "The chance that a score meets the limits of look is at least 60 % until" in said(ax).replace("\n", " ")
    assert overlaps(ax) == []


@pytest.mark.parametrize("limits", [{"low": 95, "high": 104}, {"low": 80}, {"decimals": 1}])
def test_no_words_touch_or_leave_the_picture(limits):
    ax = plots.drift(followed(**limits))
    assert overlaps(ax) == []
    assert outside(ax) == []


def test_anything_but_a_drift_is_refused():
    with pytest.raises(StudyError) as error:
        plots.drift(7)
    assert str(error.value) == "plots.drift: result is 'int' but must be a Drift: make it with doe.fits.drift."
