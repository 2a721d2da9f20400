"""Droplet sizes: mean sizes by moments, percentiles by number and by volume, their errors, and files of diameters."""

import numpy as np
import pytest

from doe.bench import droplets, read_droplets

FEW = [1.0, 2.0, 3.0]


def lognormal(count, median=40.0, sigma=0.3, seed=0):
    return median * np.exp(sigma * np.random.default_rng(seed).standard_normal(count))


def test_three_droplets_by_hand():
    """Diameters 1, 2, 3: D[1,0] = 2.00, D[3,2] = 36/14 = 2.57, D[4,3] = 98/36 = 2.72, the teaching example of A. Rawle, Basic principles
    of particle size analysis (from memory); the ratios also follow by arithmetic from ISO 9276-2."""
    sizes = droplets(FEW)
    assert sizes.mean == pytest.approx(2.0)
    assert sizes.d32 == pytest.approx(36 / 14)
    assert sizes.d43 == pytest.approx(98 / 36)
    assert sizes.median == 2.0
    assert sizes.count == 3


def test_percentiles_by_volume_by_hand():
    """Computed here: volumes 1, 8, 27 of 36; the droplets stand at 0.5/36, 5/36, 22.5/36 of the volume, so half of it lies below
    2 + (18 − 5)/(22.5 − 5) = 2.743."""
    sizes = droplets(FEW)
    assert sizes.percentile(50, "volume") == pytest.approx(2 + 13 / 17.5)
    assert sizes.percentile(10, "volume") == pytest.approx(1 + (3.6 - 0.5) / 4.5)


def test_percentiles_by_number_are_those_of_a_reference_library():
    d = lognormal(237)
    for percent in (10, 25, 50, 90):
        assert droplets(d).percentile(percent, "number") == pytest.approx(np.percentile(d, percent, method="hazen"))


def test_a_lognormal_sample_has_the_means_of_theory():
    """Median M and sd σ of ln d give D[3,2] = M exp(2.5 σ²), D[4,3] = M exp(3.5 σ²), median by volume M exp(3 σ²) (Hatch and Choate 1929,
    J. Franklin Inst. 207, 369, from memory). On 20,000 quantiles, which lack the outer tail: within 0.1 %."""
    from scipy import stats

    m, s = 40.0, 0.3
    d = m * np.exp(s * stats.norm.ppf((np.arange(20_000) + 0.5) / 20_000))
    sizes = droplets(d, resamples=100)
    assert sizes.median == pytest.approx(m, rel=1e-6)
    assert sizes.d32 == pytest.approx(m * np.exp(2.5 * s**2), rel=1e-3)
    assert sizes.d43 == pytest.approx(m * np.exp(3.5 * s**2), rel=1e-3)
    assert sizes.percentile(50, "volume") == pytest.approx(m * np.exp(3 * s**2), rel=1e-3)


def test_the_error_of_d32_is_that_of_the_ratio():
    """The delta method for a ratio of means (computed here): sd(d³ − d32 d²) / (√n mean d²); the two differ by O(1/n) and the
    resampling's own 1.6 %."""
    d = lognormal(500)
    sizes = droplets(d, seed=4)
    by_delta = np.std(d**3 - sizes.d32 * d**2, ddof=1) / np.sqrt(500) / np.mean(d**2)
    assert sizes.table.set_index("figure").loc["d32", "std_error"] == pytest.approx(by_delta, rel=0.06)
    mean = sizes.table.set_index("figure").loc["mean"]
    assert mean["std_error"] == pytest.approx(np.std(d) / np.sqrt(500), rel=0.06)


def test_seed_resamples_and_level_change_the_errors_alone():
    d = lognormal(100)
    one, other, more, narrow = (droplets(d, **kw).table for kw in ({}, {"seed": 1}, {"resamples": 300}, {"level": 0.8}))
    for table in (other, more, narrow):
        assert table["value"].equals(one["value"])
    assert not other["std_error"].equals(one["std_error"])
    assert not more["std_error"].equals(one["std_error"])
    assert narrow["std_error"].equals(one["std_error"])
    assert (narrow["high"] - narrow["low"] < one["high"] - one["low"]).all()
    assert droplets(d).table.equals(one)


def test_unit_is_converted():
    assert droplets([0.1, 0.2], unit="mm").d32 == pytest.approx(droplets([100, 200]).d32)


def test_one_droplet_has_no_error():
    table = droplets([12.0]).table
    assert (table["value"] == 12.0).all()
    assert table["std_error"].isna().all()


def test_what_makes_the_figures_rough_is_said():
    few = droplets([10.0] * 50 + [100.0])
    assert few.cautions == (
        "51 droplets are few: 200 to 300 are usually counted.",
        "The largest droplet holds 95 % of the volume: d32, d43 and what is weighted by volume hang on it, and their errors are too small. "
        "Count more droplets.",
    )
    assert droplets(np.full(300, 20.0) + np.linspace(0, 1, 300)).cautions == ()
    assert few.cautions[0] in repr(few)


def test_it_shows_itself():
    text = repr(droplets(lognormal(250)))
    assert "Sizes of 250 droplets, in µm" in text
    assert "volume over surface" in text
    assert "the error of the count in this sample, not of batches" in text


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("a.txt", "10.5\n12\n11.25\n"),
        ("e.csv", "Diameter\n10,5\n12\n11,25\n"),
        ("a.csv", "no;diameter (µm)\n1;10,5\n2;12\n3;11,25\n"),
        ("b.csv", "# picture 4, 10x\ndiameter,remark\n10.5,\n12,\n11.25,out of focus\n"),
        ("c.csv", "diameter (mm)\n0.0105\n0.0120\n0.01125\n"),
    ],
)
def test_files_of_diameters(tmp_path, name, content):
    path = tmp_path / name
    path.write_text(content, encoding="utf-8")
    sizes = read_droplets(path)
    assert sizes.diameters == pytest.approx([10.5, 11.25, 12])
    assert sizes.problems.empty


def test_a_workbook_of_diameters(tmp_path):
    import openpyxl

    book = openpyxl.Workbook()
    for row in (["picture", "Diameter [µm]"], [1, 10.5], [1, 12], [2, 11.25]):
        book.active.append(row)
    book.save(tmp_path / "d.xlsx")
    assert read_droplets(tmp_path / "d.xlsx").diameters == pytest.approx([10.5, 11.25, 12])


def test_bad_cells_of_a_file_are_listed_and_left_out(tmp_path):
    path = tmp_path / "d.csv"
    path.write_text("no,diameter\n1,10.5\n2,blurred\n3,-4\n4,12\n5,n/a\n6,12000000\n", encoding="utf-8")
    sizes = read_droplets(path)
    assert sizes.diameters.tolist() == [10.5, 12]
    assert sizes.problems[["cell", "found"]].to_numpy().tolist() == [
        ["B3", "blurred"],
        ["B4", "-4"],
        ["B6", "n/a"],
        ["B7", "12000000"],
    ]
    assert sizes.problems.iloc[1].to_dict() == {
        "sheet": "d.csv",
        "cell": "B4",
        "found": "-4",
        "allowed": "a diameter in µm above 0 and at most 20000",
        "mend": "left out; correct it, or delete it if it is no droplet",
    }
    assert "Cells not taken (4)" in repr(sizes)


def test_a_number_split_by_its_decimal_comma_is_not_taken_in_part(tmp_path):
    path = tmp_path / "d.csv"
    path.write_text("no,diameter\n1,10.5\n2,12,75\n", encoding="utf-8")
    sizes = read_droplets(path)
    assert sizes.diameters.tolist() == [10.5]
    assert sizes.problems.iloc[0].to_dict() == {
        "sheet": "d.csv",
        "cell": "row 3",
        "found": "3 cells",
        "allowed": "2 cells, one a column",
        "mend": "left out; a decimal comma may have split a number: save the file with semicolons, or as .xlsx",
    }


@pytest.mark.parametrize(
    ("call", "sentence"),
    [
        (
            lambda: droplets([]),
            "droplets: diameters is [] but must be at least one number: give one a droplet.",
        ),
        (
            lambda: droplets([10, 0, 12]),
            "droplets: diameter 2 is 0.0 but must be above 0 and at most 20000 µm: leave out what is no droplet, or check the unit.",
        ),
        (
            lambda: droplets([10, 30], unit="mm"),
            "droplets: diameter 2 is 30.0 but must be above 0 and at most 20 mm: leave out what is no droplet, or check the unit.",
        ),
        (
            lambda: droplets([10, "big"]),
            "droplets: diameter 2 is 'big' but must be a finite number: give it in µm.",
        ),
        (
            lambda: droplets("sizes.csv"),
            "droplets: diameters is 'sizes.csv' but must be numbers above 0 and at most 20000 µm: for a file use doe.bench.read_droplets.",
        ),
        (
            lambda: droplets([10], unit="inch"),
            'droplets: unit is \'inch\' but must be one of "µm", "mm", "nm": say in what unit the diameters are.',
        ),
        (
            lambda: droplets([10], resamples=10),
            "droplets: resamples is 10 but must be a whole number from 100: 2000 is usual.",
        ),
        (
            lambda: droplets([10], level=95),
            "droplets: level is 95.0 but must be from 0.5 to below 1: 0.95 is usual.",
        ),
        (
            lambda: droplets([10]).percentile(50, "mass"),
            'weighted is \'mass\' but must be one of "number", "volume": say by what the droplets count.',
        ),
        (
            lambda: droplets([10]).percentile(100, "number"),
            "percent is 100.0 but must be above 0 and below 100: 10, 50 and 90 are usual.",
        ),
        (
            lambda: droplets(7.5 + 0j),
            "droplets: diameter 1 is (7.5+0j) but must be a finite number: give it in µm.",
        ),
    ],
)
def test_bad_input_is_one_sentence(call, sentence, sentence_of):
    assert sentence_of(call) == sentence


def test_files_that_cannot_be_used(tmp_path, sentence_of):
    two = tmp_path / "two.csv"
    two.write_text("1,2\n3,4\n", encoding="utf-8")
    assert sentence_of(lambda: read_droplets(two)) == (
        f"file '{two}': columns is \"2 without the head 'diameter'\" but must be one, or one headed 'diameter': "
        "write the head over the column that is meant (over all of it where decimal commas parted one column in two)."
    )
    heads = tmp_path / "heads.csv"
    heads.write_text("diameter,size\n1,2\n", encoding="utf-8")
    assert sentence_of(lambda: read_droplets(heads)) == (
        f"file '{heads}': columns is 2 but must be one headed 'diameter': rename those that are not meant."
    )
    none = tmp_path / "none.csv"
    none.write_text("diameter\nblurred\n", encoding="utf-8")
    assert sentence_of(lambda: read_droplets(none)) == (
        f"file '{none}': diameters is 'blurred' but must be at least one number above 0: check that it is the right file."
    )
    assert sentence_of(lambda: read_droplets(none, unit="inch")).startswith("droplets: unit is 'inch' but must be")
