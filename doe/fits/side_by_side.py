"""The fits of all responses, side by side."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import pandas as pd

from doe.fits.result import Fit, scale_words
from doe.study import Section, Shown, Study, StudyError
from doe.study.errors import nearest
from doe.study.shown import number_text, p_text


class Fits(Shown, Mapping[str, Fit]):
    """The fits of a study's responses: a mapping response -> Fit that prints itself side by side.

    Parameters
    ----------
    study : Study
    fits : mapping of response -> Fit
    unfitted : tuple of (response, reason)
        Responses that could not be fitted.

    Raises
    ------
    StudyError
        If there is no fit, or one belongs to another study.
    """

    def __init__(self, study: Study, fits: Mapping[str, Fit], unfitted: tuple[tuple[str, str], ...] = ()) -> None:
        if not fits:
            raise StudyError("fits", {}, "at least one fit", "fit a response first")
        for name, one in fits.items():
            check_one_occasion("fits", name, one)
            if one.study.fingerprint != study.fingerprint:
                raise StudyError(f"fits: {name!r}", one.study.name, f"a fit of study {study.name!r}", "fit it again")
        self._study = study
        self._fits = dict(fits)
        self.unfitted = unfitted

    @property
    def study(self) -> Study:
        """The study all fits belong to."""
        return self._study

    def __getitem__(self, response: str) -> Fit:
        if response not in self._fits:
            raise MissingFitError("fits", response, "a fitted response", nearest(str(response), self._fits))
        return self._fits[response]

    def __iter__(self) -> Iterator[str]:
        return iter(self._fits)

    def __len__(self) -> int:
        return len(self._fits)

    def reduced(self, by: str = "aicc", heredity: str = "strong", alpha: float | None = None) -> Fits:
        """Every fit with fewer terms: see `Fit.reduced`."""
        return Fits(self._study, {n: f.reduced(by, heredity, alpha) for n, f in self._fits.items()}, self.unfitted)

    def _sections(self) -> list[Section]:
        fits = list(self._fits.values())
        heads = [f.response.label for f in fits]
        terms = list(dict.fromkeys(t for f in fits for t in f.model.columns))
        coefficients: dict[str, list[str]] = {"term": ["intercept" if t == "1" else t for t in terms]}
        for head, f in zip(heads, fits, strict=True):
            c = f.coefficients
            cells = {t: number_text(b, e) for t, b, e in zip(c["term"], c["estimate"], c["std_error"], strict=True)}
            # a posterior has no p: its tests stand on the fit's own page
            ps = {t: p_text(p) for t, p in zip(c["term"], c["p"], strict=True)} if "p" in c.columns else {}
            coefficients[head] = [cells.get(t, "") for t in terms]
            coefficients[f"p {f.response.name}"] = [ps.get(t, "") for t in terms]
        sections = [
            Section(
                f"Study {self._study.name}: {len(fits)} fit{'s' * (len(fits) != 1)} in coded units",
                pd.DataFrame(coefficients),
            )
        ]
        sections.append(Section("How well", pd.DataFrame([_summary(f) for f in fits])))
        if self.unfitted:
            table = pd.DataFrame(list(self.unfitted), columns=["response", "reason"])
            sections.append(Section("Not fitted", table))
        wary = [f"{f.response.name}: {line}" for f in fits for line in f.cautions()]
        sections.append(Section("What to be wary of", None, "\n".join(wary) if wary else "Nothing stands out."))
        return sections


def check_one_occasion(where: str, name: str, fit: Fit) -> None:
    """Refuse a fit over several storage conditions where one is needed of each.

    Raises
    ------
    StudyError
        Naming the conditions.
    """
    if fit.conditions:
        raise StudyError(
            f"{where}: fit of {name!r}",
            f"over {', '.join(fit.conditions)} together",
            "of one occasion, since specifications are met or missed at each by itself",
            "fit all occasions one by one with doe.fit_all",
        )


class MissingFitError(StudyError, KeyError):
    """A response that was not fitted: also a KeyError, so that `in` and `get` work as in any mapping."""


def _summary(f: Fit) -> dict[str, str]:
    return {
        "response": f.response.label,
        "model": ("reduced " if f.choice is not None else "") + f.model.name,
        "fitted": "as measured" if f.response.transform is None else scale_words(f.response).removeprefix(" on the "),
        "runs": str(f.n),
        **f.summary_row(),
    }
