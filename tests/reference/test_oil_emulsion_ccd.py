"""An oil-in-water emulsion, central composite in three factors: Utama et al. (2018), doi 10.5851/kosfa.2018.38.3.580, CC BY-NC.

Six centre runs are printed as mean ± SD: here they are six readings with that mean and SD, which has the same analysis.
oil_emulsion_ccd/expected.json says which published figures the rounded data reproduce and which they do not.
"""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import doe

CASE = Path(__file__).parent / "oil_emulsion_ccd"
EXPECTED = json.loads((CASE / "expected.json").read_text(encoding="utf-8"))
RESPONSES = ["G_storage_Pa", "hardness_kg", "cooking_loss_pct"]


def trial(centre_mean=None):
    data = pd.read_csv(CASE / "data.csv")[["SPI", "CR", "IN", *RESPONSES]]
    sd = EXPECTED["centre_point"]["sd_printed"]
    centre = data.iloc[[14] * 6].reset_index(drop=True)
    for name in RESPONSES:
        mean = centre_mean or centre[name][0]
        centre[name] = mean + sd[name] * np.sqrt(5 / 6) * np.array([1, -1, 1, -1, 1, -1])
    study = doe.Study(
        "emulsion", [doe.Continuous(n, -1, 1) for n in ("SPI", "CR", "IN")], [doe.Response(n) for n in RESPONSES]
    )
    return study, pd.concat([data.iloc[:14], centre], ignore_index=True)


@pytest.mark.parametrize(
    ("case", "response", "centre"),
    [
        ("G_storage_Pa", "G_storage_Pa", None),
        ("hardness_kg", "hardness_kg", None),
        ("cooking_loss_pct", "cooking_loss_pct", None),
        ("cooking_loss_pct with centre mean 6.65", "cooking_loss_pct", 6.65),
    ],
)
def test_refit(case, response, centre):
    study, data = trial(centre)
    fit = doe.fit(study, data, response)
    want = EXPECTED["refit_least_squares"][case]
    found = fit.coefficients.set_index("term")["estimate"]
    for term, value in want["coefficients_coded"].items():
        assert found[term] == pytest.approx(value, abs=6e-6)
    table = fit.anova.set_index("source")
    for term, value in want["partial_ss"].items():
        assert table.loc[term, "ss"] == pytest.approx(value, abs=6e-5)
    assert table.loc["model", "ss"] == pytest.approx(want["model_ss"], abs=6e-5)
    assert table.loc["lack of fit", "ss"] == pytest.approx(want["lack_of_fit_ss"], abs=6e-5)
    assert table.loc["lack of fit", "df"] == want["lack_of_fit_df"]
    assert table.loc["pure error", "ss"] == pytest.approx(want["pure_error_ss_from_printed_sd"], abs=6e-5)
    assert table.loc["pure error", "df"] == want["pure_error_df"]


# the largest gap measured, IN^2 of the modulus, is 3.02 % of the published figure; all others are below 1.1 %
@pytest.mark.parametrize(("response", "share"), [("G_storage_Pa", 0.0305), ("hardness_kg", 0.03)])
def test_published_sums_of_squares_within_the_rounding_of_the_data(response, share):
    study, data = trial()
    fit = doe.fit(study, data, response)
    table = fit.anova.set_index("source")["ss"]
    published = EXPECTED["published_anova_partial_ss"][response]
    for term, value in published["SS"].items():
        # two printed digits of small sums: half a unit of the last digit on top of the share
        assert table[term] == pytest.approx(value, rel=share, abs=0.011)
    assert table["model"] == pytest.approx(published["model"], rel=share)
    assert fit.r2_adjusted == pytest.approx(published["r2_adjusted"], abs=0.005)


def test_the_reader_is_told_what_looks_odd():
    study, data = trial()
    said = str(doe.fit(study, data, "hardness_kg"))
    assert "make sure they are batches made anew, not readings of one batch" in said
    # 0.04 to 20.3 Pa
    assert "Readings span a factor of 508 and are fitted as measured" in str(doe.fit(study, data, "G_storage_Pa"))
