"""Yates' oats: a split plot in blocks, which are fixed in the one analysis and random in the other.

Data from Yates, F. (1935), Complex experiments, J. R. Stat. Soc. Suppl. 2, 181-247, from memory. Published (from memory): the analysis of
variance by strata, of Venables, W. N. & Ripley, B. D. (2002), Modern Applied Statistics with S, 4th ed., section 10.2 (sums of squares 15 875,
1786, 6013, 20 020, 322, 7969; F 1.485 on 2 and 10, 37.69 on 3 and 45, 0.303 on 6 and 45), and the variances of Pinheiro, J. C. & Bates, D. M.
(2000), Mixed-Effects Models in S and S-PLUS, section 1.6 (standard deviations 14.645 between blocks, 10.299 between plots, 13.307 within).
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import doe
from doe import StudyError

HERE = Path(__file__).parent / "yates_oats"
TERMS = ["variety", "nitrogen", "variety:nitrogen"]


@pytest.fixture(scope="module")
def oats():
    data = pd.read_csv(HERE / "oats.csv", comment="#", dtype={"nitrogen": str})
    study = doe.Study(
        "oats",
        [
            doe.Categorical("variety", ("Victory", "Golden Rain", "Marvellous"), hard_to_change=True),
            doe.Categorical("nitrogen", ("0.0", "0.2", "0.4", "0.6")),
        ],
        [doe.Response("yield")],
    )
    return study, data


def test_the_data_give_the_published_sums_of_squares(oats):
    """That the typing is right: totals of blocks, plots and treatments, by hand."""
    _, data = oats

    def total(by, n):
        return float((data.groupby(by)["yield"].mean() ** 2).sum() * n)

    mean = 72 * data["yield"].mean() ** 2
    block, variety, plot, nitrogen = (
        total(by, n) for by, n in (("block", 12), ("variety", 24), (["block", "variety"], 4), ("nitrogen", 18))
    )
    both = total(["variety", "nitrogen"], 6)
    assert block - mean == pytest.approx(15875, abs=0.5)
    assert variety - mean == pytest.approx(1786, abs=0.5)
    assert plot - block - variety + mean == pytest.approx(6013, abs=0.5)
    assert nitrogen - mean == pytest.approx(20020, abs=0.51)
    assert both - variety - nitrogen + mean == pytest.approx(322, abs=0.5)


@pytest.mark.parametrize("blocks", ["fixed", "random"])
def test_treatments_are_judged_alike_whether_blocks_are_fixed_or_random(oats, blocks):
    study, data = oats
    fit = doe.fit(study, data, "yield", TERMS, blocks=blocks)
    table = fit.anova.set_index("source")
    assert fit.method == "reml"
    for source, F, df, den_df in (
        ("variety", 1.485, 2, 10),
        ("nitrogen", 37.69, 3, 45),
        ("variety:nitrogen", 0.3028, 6, 45),
    ):
        assert table.loc[source, "F"] == pytest.approx(F, rel=5e-4)
        assert table.loc[source, "df"] == df
        assert table.loc[source, "den_df"] == pytest.approx(den_df, rel=1e-6)
    sd = np.sqrt(fit.variance_components)
    assert sd["whole plot"] == pytest.approx(10.299, abs=5e-4)
    assert sd["residual"] == pytest.approx(13.307, abs=5e-4)
    if blocks == "random":
        assert sd["block"] == pytest.approx(14.645, abs=5e-4)
        assert fit.block_names == ()
    else:
        assert "block" not in sd.index
        assert len(fit.block_names) == 5


def test_fixed_blocks_are_these_blocks_and_random_ones_those_to_come(oats):
    study, data = oats
    fixed, random, left = (doe.fit(study, data, "yield", TERMS, blocks=b) for b in ("fixed", "random", None))
    assert left.beta == pytest.approx(random.beta)
    assert left.heading == random.heading
    # the mean of these six blocks: of what varies, only plots and sub-plots; of all such blocks, their spread too
    row = data.iloc[[0]]
    v = fixed.variance_components
    expected = np.sqrt((v["whole plot"] + v["residual"]) / 6)
    assert fixed.predict(row)["std_error"].iloc[0] == pytest.approx(expected, rel=1e-9)
    w = random.variance_components
    assert random.predict(row)["std_error"].iloc[0] == pytest.approx(np.sqrt(w.sum() / 6), rel=1e-9)
    assert "18 whole plots and 6 fixed blocks" in fixed.heading
    assert "predictions are for the average block" in str(fixed)
    assert "Blocks are random" in str(random)
    assert fixed.r2 > random.r2
    # without the interaction, still with fixed blocks
    assert fixed.reduced(by="p").block_names == fixed.block_names
    np.testing.assert_allclose(fixed.diagnostics()["residual"].groupby(data["block"]).sum(), 0.0, atol=1e-9)


def test_random_blocks_without_whole_plots_are_reml(oats):
    """A randomised block trial: the block variance is (mean square of blocks − residual)/plots in a block, from the anova by hand."""
    _, data = oats
    means = data.groupby(["block", "variety"], as_index=False)["yield"].mean()
    study = doe.Study(
        "means", [doe.Categorical("variety", ("Victory", "Golden Rain", "Marvellous"))], [doe.Response("yield")]
    )
    fit = doe.fit(study, means, "yield", ["variety"], blocks="random")
    assert fit.method == "reml"
    assert "REML, since blocks are to be random: days or lots are a sample of those to come." in str(fit)
    assert fit.variance_components["residual"] == pytest.approx(6013.3056 / 4 / 10, rel=1e-6)
    assert fit.variance_components["block"] == pytest.approx((15875.2778 / 4 / 5 - 6013.3056 / 4 / 10) / 3, rel=1e-6)
    least = doe.fit(study, means, "yield", ["variety"], blocks="fixed")
    assert least.method == "least squares"
    assert doe.fit_all(study, means, ["variety"], blocks="random")["yield"].method == "reml"


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (
            {"blocks": "mixed"},
            'blocks is \'mixed\' but must be "fixed", "random" or None: leave it out to have it picked.',
        ),
        (
            {"blocks": "random", "method": "least squares"},
            'blocks is \'random\' but must be "fixed" with least squares, which knows one variance only: write method="reml", or leave it '
            "out.",
        ),
    ],
)
def test_blocks_that_cannot_be_so(oats, options, said):
    study, data = oats
    with pytest.raises(StudyError) as error:
        doe.fit(study, data, "yield", TERMS, **options)
    assert str(error.value) == said
    with pytest.raises(StudyError) as error:
        doe.fit(study, data.drop(columns="block"), "yield", TERMS, blocks="fixed")
    assert str(error.value) == (
        "blocks is 'fixed' but must be left out where batches share no blocks: add a column 'block' that several batches share."
    )


@pytest.fixture(scope="module")
def plots_split_by_nitrogen(oats):
    """The same trial as one response read under four conditions of every plot: the plot is the batch, its manure the condition."""
    _, data = oats
    study = doe.Study(
        "oats",
        [doe.Categorical("variety", ("Victory", "Golden Rain", "Marvellous"))],
        [doe.Response("yield", conditions=("0.0", "0.2", "0.4", "0.6"))],
    )
    return study, data.rename(columns={"whole_plot": "run", "nitrogen": "condition"})


@pytest.mark.parametrize("blocks", ["fixed", "random"])
def test_conditions_of_a_batch_are_the_published_split_plot(plots_split_by_nitrogen, blocks):
    study, data = plots_split_by_nitrogen
    fit = doe.fit(study, data, "yield", "linear", at=(None, None), blocks=blocks)
    table = fit.anova.set_index("source")
    for source, F, df, den_df in (
        ("variety", 1.485, 2, 10),
        ("condition", 37.69, 3, 45),
        ("variety:condition", 0.3028, 6, 45),
    ):
        assert table.loc[source, "F"] == pytest.approx(F, rel=5e-4)
        assert table.loc[source, "df"] == df
        assert table.loc[source, "den_df"] == pytest.approx(den_df, rel=1e-6)
    sd = np.sqrt(fit.variance_components)
    assert sd["batch"] == pytest.approx(10.299, abs=5e-4)
    assert sd["residual"] == pytest.approx(13.307, abs=5e-4)
    if blocks == "random":
        assert sd["block"] == pytest.approx(14.645, abs=5e-4)
        assert list(sd.index) == ["block", "batch", "residual"]
    else:
        assert list(sd.index) == ["batch", "residual"]
        assert len(fit.block_names) == 5


def test_the_estimates_of_a_trial_with_gaps_are_those_of_statsmodels(plots_split_by_nitrogen):
    """Nine readings lost: unbalanced, so that the variances share no formula. REML of statsmodels' MixedLM, blocks and plots in them random."""
    import statsmodels.formula.api as smf

    study, data = plots_split_by_nitrogen
    data = data.drop(index=[0, 5, 6, 13, 22, 37, 44, 60, 71]).reset_index(drop=True)
    fit = doe.fit(study, data, "yield", ["variety", "condition"], at=(None, None))
    named = data.rename(columns={"yield": "y"})
    theirs = smf.mixedlm(
        "y ~ C(variety, Sum) + C(condition, Sum)",
        named,
        groups="block",
        re_formula="1",
        vc_formula={"plot": "0 + C(run)"},
    ).fit(reml=True, method=["powell", "bfgs"])
    # an optimiser's tolerance on their side
    v = fit.variance_components
    assert v["residual"] == pytest.approx(theirs.scale, rel=2e-3)
    assert v["batch"] == pytest.approx(theirs.vcomp[0], rel=5e-3)
    assert v["block"] == pytest.approx(float(theirs.cov_re.iloc[0, 0]), rel=5e-3)
    terms = fit.coefficients.set_index("term")["estimate"]
    # their levels stand in alphabetical order: compared by fitted means
    rows = pd.DataFrame({"variety": ["Victory", "Marvellous", "Golden Rain"], "condition": ["0.0", "0.6", "0.2"]})
    assert fit.predict(rows)["estimate"].to_numpy() == pytest.approx(theirs.predict(rows).to_numpy(), rel=1e-4)
    assert terms["condition[0.0]"] == pytest.approx(theirs.params["C(condition, Sum)[S.0.0]"], rel=1e-4)
