"""Known answers: certified data sets, published analyses, worked values and closed forms."""

from __future__ import annotations

import io
import json
from collections.abc import Mapping
from importlib import resources
from typing import Any

import numpy as np
import pandas as pd

from doe.bench import neutraliser
from doe.calibration.findings import PUBLISHED, SUMS, Finding, in_digits
from doe.designs import full_factorial
from doe.fits import Fits, fit
from doe.quality import check
from doe.study import Categorical, Continuous, Response, Study
from doe.study.shown import number_text
from doe.window import find_window

# Filip is asked in full; the others as many digits as the best general-purpose programs give in double precision
COEFFICIENT_DIGITS = {"longley": 9, "wampler5": 7, "filip": 12}
OTHER_DIGITS = 8
SPREAD_DIGITS = 9
NIST = "certified values, NIST Statistical Reference Datasets (itl.nist.gov/div898/strd/lls)"
BOX = "Box (1996), Quality Engineering 8, 515-520; figures verified by computing from the published data"
WORKED = "worked by hand from standard atomic masses"


def table(case: str, name: str, comment: str | None = None) -> pd.DataFrame:
    """A .csv of a published case, as it travels with the package."""
    text = (resources.files("doe.calibration") / "published" / case / name).read_text(encoding="utf-8")
    return pd.read_csv(io.StringIO(text), comment=comment)


def values(case: str) -> dict[str, Any]:
    """The expected values of a published case, with where they come from."""
    text = (resources.files("doe.calibration") / "published" / case / "expected.json").read_text(encoding="utf-8")
    return dict(json.loads(text))


def certified(expected: Mapping[str, Any] | None = None) -> list[Finding]:
    """Seven ill-conditioned fits against certified values: coefficients, their standard deviations, residual deviation, R².

    Parameters
    ----------
    expected : mapping, optional
        Certified values by set; those that travel with the package if left out.
    """
    out = []
    sets = values("nist_strd_regression")["sets"] if expected is None else expected
    for name, want in sets.items():
        data = table("nist_strd_regression", f"{name}.csv")
        factors = [c for c in data.columns if c != "y"]
        study = Study(name, [Continuous(f, data[f].min(), data[f].max()) for f in factors], [Response("y")])
        degree = int(want["model"][4:]) if want["model"].startswith("poly") else 0
        model = ["1", "x", *(f"x^{k}" for k in range(2, degree + 1))] if degree else "linear"
        found = fit(study, data, "y", model)
        natural = found.equation()
        title = f"{name.capitalize()}, {len(data)} readings, {len(want['b'])} coefficients"
        least = COEFFICIENT_DIGITS.get(name, OTHER_DIGITS)
        out.append(in_digits(SUMS, f"{title}: coefficients", NIST, natural["estimate"], want["b"], least))
        spread = [*natural["std_error"], found.sigma]
        of = f"{title}: standard deviations of coefficients and residuals"
        out.append(
            in_digits(SUMS, of, NIST, spread, [*want["se"], want["rsd"]], 8 if not want["rsd"] else SPREAD_DIGITS)
        )
        anova = found.anova.set_index("source")
        whole = [found.r2, anova.loc["model", "ss"]]
        wanted = [want["r2"], want["ss_reg"]]
        if want["ss_res"]:
            whole += [anova.loc["residual", "ss"], anova.loc["model", "F"]]
            wanted += [want["ss_res"], want["F"]]
        out.append(in_digits(SUMS, f"{title}: R² and analysis of variance", NIST, whole, wanted, 9))
    return out


def split_plots(box: Mapping[str, Any] | None = None, mixed: Mapping[str, Any] | None = None) -> list[Finding]:
    """A published split plot by its strata, and two unbalanced ones by REML with Kenward & Roger.

    Parameters
    ----------
    box, mixed : mapping, optional
        Expected values; those that travel with the package if left out.
    """
    box, mixed = values("box_corrosion_splitplot") if box is None else box, values("mixed") if mixed is None else mixed
    data = table("box_corrosion_splitplot", "data.csv")
    data = data.rename(columns={"furnace_run": "whole_plot"}).drop(columns="replicate").astype({"temperature": str})
    study = Study(
        "corrosion",
        [
            Categorical("temperature", ("360", "370", "380"), hard_to_change=True),
            Categorical("coating", ("C1", "C2", "C3", "C4")),
        ],
        [Response("resistance")],
    )
    found = fit(study, data, "resistance", "interaction")
    anova = found.anova.set_index("source")
    out = []
    for term, key, error in (
        ("temperature", "temperature", "furnace_run_error"),
        ("coating", "coating", "subplot_error"),
        ("temperature:coating", "temperature_x_coating", "subplot_error"),
    ):
        want, df = box["anova"][key], box["anova"][error]["df"]
        row = anova.loc[term]
        holds = abs(row["F"] - want["F"]) <= box["F_tol"] and abs(row["den_df"] - df) < 1e-4 and row["df"] == want["df"]
        out.append(
            Finding(
                PUBLISHED,
                f"Split plot (corrosion of coated bars): F of {term.replace(':', ' × ')} in its own stratum",
                BOX,
                f"{row['F']:.3f} on {row['df']:g} and {row['den_df']:.4g} df",
                f"{want['F']:g} ± {box['F_tol']:g} on {want['df']} and {df} df",
                holds,
            )
        )
    parts, tolerance = box["variance_components"], box["variance_components"]["tol"]
    ours = [found.variance_components["whole plot"], found.variance_components["residual"]]
    out.append(
        Finding(
            PUBLISHED,
            "The same split plot: variances of furnace runs and of bars",
            BOX,
            f"{ours[0]:.1f} and {ours[1]:.2f}",
            f"{parts['whole_plot']:g} and {parts['subplot']:g}, ± {tolerance:g}",
            abs(ours[0] - parts["whole_plot"]) <= tolerance and abs(ours[1] - parts["subplot"]) <= tolerance,
        )
    )
    split = Study(
        "split",
        [Continuous("base", -1, 1, hard_to_change=True), Continuous("acid", -1, 1), Continuous("speed", -1, 1)],
        [Response("y")],
    )
    by = "lme4 1.1.31 and pbkrtest 0.5.2 on the same invented data"
    for file, case in mixed["cases"].items():
        mine = fit(split, table("mixed", file), "y", list(case["terms"]))
        theirs = pd.DataFrame(case["terms"]).T
        table_ = mine.coefficients.set_index("term").loc[theirs.index]
        title = "Unbalanced split plot" + (", in days" if "days" in file else "")
        for words, columns in (
            ("estimates and standard errors", ["estimate", "std_error"]),
            ("Kenward-Roger degrees of freedom", ["df"]),
        ):
            # those libraries stop their search at about 1e-8
            what = f"{title}: {words}"
            found_, want_ = table_[columns].to_numpy(dtype=float).ravel(), theirs[columns].to_numpy(dtype=float).ravel()
            out.append(in_digits(PUBLISHED, what, by, found_, want_, 6))
    return out


def neutralisations(worked: pd.DataFrame | None = None) -> list[Finding]:
    """Grams of base against values worked by hand, to half their last printed digit (a little more where millimoles were rounded).

    Parameters
    ----------
    worked : DataFrame, optional
        The worked values; those that travel with the package if left out.
    """
    worked = table("neutralisation", "worked.csv", comment="#") if worked is None else worked
    out = []
    for base, rows in worked.groupby("base", sort=False):
        differences, bad = [], 0
        for row in rows.to_dict(orient="records"):
            lists = [[float(v) for v in str(cell).split("+")] for cell in (row["polymer_grams"], row["acid_content"])]
            grams, content = (v[0] if len(v) == 1 else v for v in lists)
            degree, moisture, stock, already = (float(row[c]) for c in ("degree", "moisture", "stock", "already"))
            found = neutraliser(grams, degree, str(base), content, moisture, stock, already)
            difference = abs(float(found) - float(row["grams"]))
            differences.append(difference)
            bad += difference > float(row["tolerance"])
        out.append(
            Finding(
                PUBLISHED,
                f"Grams of {base} for a degree of neutralisation, {len(rows)} worked {'value' if len(rows) == 1 else 'values'}",
                WORKED,
                f"largest difference {number_text(max(differences), digits=2)} g",
                f"the last printed digit, {number_text(rows['tolerance'].min())} to {number_text(rows['tolerance'].max())} g"
                if rows["tolerance"].nunique() > 1
                else f"the last printed digit, {number_text(rows['tolerance'].max())} g",
                bad == 0,
            )
        )
    return out


def closed_forms() -> list[Finding]:
    """Power against the non-central F, and a factorial against what is known of it."""
    from scipy import stats

    study = Study("cube", [Continuous(n, 0, 1) for n in "abc"], [Response("y")])
    made = check(full_factorial(study, levels=2, replicates=2), study.model("interaction"))
    out = []
    sigma, change = 1.0, 1.2
    power = made.power(sigma, change).set_index("term")["power"]
    n, p = 16, 7
    # a coefficient is half the change, its variance sigma²/n in an orthogonal plan
    ncp = n * (change / 2) ** 2 / sigma**2
    exact = float(stats.ncf.sf(stats.f.isf(0.05, 1, n - p), 1, n - p, ncp))
    by = "non-central F distribution of SciPy"
    out.append(
        in_digits(
            PUBLISHED, "Power of every effect of a replicated 2³ factorial", by, power, np.full(len(power), exact), 8
        )
    )
    out.append(
        in_digits(
            PUBLISHED,
            "The same plan: D and A efficiency 100 %, variance inflation 1",
            "orthogonality, in closed form",
            [made.efficiency["D"], made.efficiency["A"], *made.vif.drop("1", errors="ignore")],
            [100.0, 100.0, *np.ones(p - 1)],
            9,
        )
    )
    return out


def joint_chances(fits: Fits, points: pd.DataFrame, draws: int, seed: int, inflate: float = 1.0) -> list[Finding]:
    """The chance of meeting every specification against SciPy's multivariate t, for fits that share their terms.

    Peterson (2004), Journal of Quality Technology 36, 139-153, equation 3.

    Parameters
    ----------
    fits : Fits
        With the same terms and runs.
    points : DataFrame
        Settings.
    draws, seed : int
        Of the window.
    inflate : float
        Of SciPy's scale: anything but 1 makes its answer wrong, to see that this is found.
    """
    from scipy import stats

    win = find_window(fits, draws=draws, seed=seed)
    all_fits = list(fits.values())
    first = all_fits[0]
    residuals = np.column_stack([f.y - f.X @ f.beta for f in all_fits])
    beta = np.column_stack([f.beta for f in all_fits])
    r, (n, p) = len(all_fits), first.X.shape
    df = n - p - r + 1
    limits = []
    for f in all_fits:
        with np.errstate(divide="ignore"):
            limits.append(
                [
                    -np.inf if f.response.low is None else float(f.response.forward(np.array([f.response.low]))[0]),
                    np.inf if f.response.high is None else float(f.response.forward(np.array([f.response.high]))[0]),
                ]
            )
    low, high = np.array(limits).T
    out = []
    told = win.probability(points)
    for i, (x, (_, row)) in enumerate(zip(first.model.matrix(points), told.iterrows(), strict=True)):
        scale = inflate * residuals.T @ residuals * (1 + x @ first.cov_unscaled @ x) / df
        law = stats.multivariate_t(x @ beta, scale, df)
        exact = float(law.cdf(high, lower_limit=low, maxpts=400_000, random_state=1))
        error = max(float(row["mc_error"]), 1 / draws)
        setting = ", ".join(f"{name} {points.iloc[i][name]:g}" for name in points.columns)
        out.append(
            Finding(
                PUBLISHED,
                f"Chance that one new batch meets all {r} specifications at {setting}",
                "Peterson (2004), eq. 3, by the multivariate t of SciPy, on the bundled invented trial",
                f"{row['probability']:.4f} (Monte-Carlo error {error:.4f})",
                f"{exact:.4f} ± {4.5 * error:.4f} (4.5 Monte-Carlo errors)",
                abs(row["probability"] - exact) <= 4.5 * error,
            )
        )
    return out
