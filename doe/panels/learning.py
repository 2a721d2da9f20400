"""What drives it: a model a response, its verdicts in words, pictures, and a map that follows sliders."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import ipywidgets as widgets

from doe import fits as learning
from doe.fits import Fit, Fits
from doe.panels.choosing import MODELS
from doe.panels.entry_fields import CheckField, ChoiceField, LongField, Page, as_html, folded, picture, said
from doe.panels.panel import Panel, row, section
from doe.panels.sliding import Drawing, SlidingMap, response_drawing
from doe.panels.working import Latest
from doe.plots.runs import observed
from doe.plots.slices import Slice
from doe.report.sentences import factor_table, strongest, terms_said
from doe.study import Section, Study, StudyError

AS_PLANNED = "as planned"
PICTURES = (
    ("how far each factor moves it", "factor_effects"),
    ("curves", "main_effects"),
    ("pairs that act together", "interactions"),
    ("residuals: can the fit be trusted?", "residuals"),
    ("the order of making", "making_order"),
    ("which factors account for its variation", "drivers"),
)
TRANSFORMS = (
    ("as the trial says", "keep"),
    ("as measured", None),
    ("by a factor (log)", "log"),
    ("square root", "sqrt"),
)


class DriversPanel(Panel):
    """What drives each response. `desk.fits` is the Fits."""

    key = "drivers"
    title = "What drives it"
    asks = "Which factors matter, how much, and how far is that to be trusted?"

    def build(self) -> list[Any]:
        """The widgets between title and message."""
        self.model = self.keep(
            "model",
            ChoiceField(
                "model", [("the one the plan was made for", AS_PLANNED), *MODELS], where=("model",), width="38em"
            ),
        )
        self.reduce = self.keep(
            "reduce",
            CheckField(
                "leave out terms that do not earn their place (by AICc; intervals then say less than they seem to)"
            ),
        )
        self.without = self.keep(
            "without",
            LongField(
                "batches left out",
                help="One a line, with the reason: 7: the beaker broke. The reason stands in every report.",
                where=("without",),
                rows=2,
            ),
        )
        go = self.action("Fit every response", self._fit, main=True)
        self.overview = widgets.HTML()
        self.response = self.keep("response", ChoiceField("response", []), self._show_one)
        self.picture_of = self.keep("picture", ChoiceField("picture", self._pictures(), width="36em"), self._show_one)
        self.transform = ChoiceField("fit it", TRANSFORMS, "Changes the trial and fits again.")
        change = self.action("Fit it so", self._transform)
        self.picture = widgets.HTML()
        self.detail = widgets.HTML()
        self._told: tuple[Fits, str] | None = None  # worked out once for every set of fits
        self.map = SlidingMap(self, self._compute)
        self.map.pointed = False
        self._showing = Latest(lambda fits, name, which: self.guard(lambda: self._drawn(fits, name, which)))
        self.follow("records", "study")(self._records_changed)
        self.follow("fits")(self._fits_changed)
        self._records_changed()
        self._fits_changed()
        if self.desk.fits is None and self.desk.records is not None and self.desk.recalled(self.key, "fitted", False):
            self.guard(self._fit)  # taken up again after a restart: the same readings give the same fits
        return [
            section("Fit", row(self.model), self.reduce, self.without, go, self.overview),
            section("One response", row(self.response, self.picture_of), self.picture, self.detail, row(self.transform, change)),
            section("Over two factors", self.map, help="Two factors run along the axes, the sliders hold the others."),
        ]  # fmt: skip

    @staticmethod
    def _pictures() -> list[tuple[str, str]]:
        from doe import plots

        return [(text, name) for text, name in PICTURES if hasattr(plots, name)]

    # ---- fitting

    def _records_changed(self) -> None:
        if self.desk.records is None:
            self.overview.value = said("No readings yet: fill them in under “Records”.", "note")
        elif self.desk.fits is None:
            self.overview.value = said(
                "Not fitted yet."
                + (
                    " The earlier fits were set aside: they belong to the trial as it was."
                    if self.desk.aside["fits"]
                    else ""
                ),
                "note",
            )
        elif "fits" in self.desk.stale:
            self.overview.value = said(
                "Readings changed since this was fitted: fit again.", "problem"
            ) + self._overview_of(self.desk.fits)

    def left_out(self) -> dict[int, str]:
        """Runs left out, with the reason for each."""
        out: dict[int, str] = {}
        for line in str(self.without.value).splitlines():
            if not line.strip():
                continue
            run, _, reason = line.partition(":")
            if not run.strip().isdigit() or not reason.strip():
                raise StudyError("batches left out", line, "a run, a colon and the reason", "write 7: the beaker broke")
            out[int(run)] = reason.strip()
        return out

    def _fit(self) -> None:
        study, records = self.need("study", "records")
        without = self.left_out() or None
        spec: Any = self.model.value
        if spec == AS_PLANNED:
            plan = records.plan
            spec = list(plan.model.terms) if plan.model is not None else "quadratic"
            if plan.model is not None and plan.model.name:
                spec = study.model(plan.model.name) if _is_preset(study, plan.model) else plan.model
        reduce = bool(self.reduce.value)

        def task(tell: Callable[..., None]) -> Fits:
            made = learning.fit_all(study, records, spec, without=without)
            if reduce:
                tell("Leaving out what does not earn its place")
                made = made.reduced()
            return made

        self.desk.remember(self.key, "fitted", True)
        self.work.start("Fitting", task, lambda made: setattr(self.desk, "fits", made))

    def _transform(self) -> None:
        study: Study = self.need("study")
        fit = self._one()
        if self.transform.value == "keep":
            raise StudyError("fit it", "as the trial says", "another scale", "choose one first")
        base = next(
            r for r in study.responses if r.name == fit.response.name or fit.response.name.startswith(f"{r.name}[")
        )
        changed = [replace(r, transform=self.transform.value) if r is base else r for r in study.responses]
        self.desk.study = replace_responses(study, changed)
        self._fit()

    # ---- showing

    def _fits_changed(self) -> None:
        fits: Fits | None = self.desk.fits
        with self.filling():
            self.response.offer(
                [] if fits is None else [(f.response.label, name) for name, f in fits.items()],
                self.desk.recalled(self.key, "response", None),
            )
        if fits is None:
            self.picture.value = self.detail.value = ""
            self.map.view.layout.display = "none"
            self._records_changed()
            return
        self.overview.value = self._overview_of(fits)
        self._show_one()

    def _overview_of(self, fits: Fits) -> str:
        """What matters of every response, in words and in natural units; what to be wary of; the coefficients folded away."""
        if self._told is None or self._told[0] is not fits:
            first = [
                part
                for fit in fits.values()
                for part in (Section(fit.response.label, None, strongest(fit)), Section("", factor_table(fit)))
            ]
            coefficients, how_well, *others = terms_said(fits._sections())
            html = as_html(Page([*first, *others])) + folded(
                "Coefficients of every term, and how well each fit does", as_html(Page([coefficients, how_well]))
            )
            self._told = fits, html
        return self._told[1]

    def _one(self) -> Fit:
        fits: Fits = self.need("fits")
        return fits[self.response.value]

    def _show_one(self) -> None:
        fits = self.desk.fits
        if fits is None or not self.response.value:
            return
        self._showing.ask(fits, self.response.value, self.picture_of.value)

    def _drawn(self, fits: Fits, name: str, which: str) -> None:
        from doe import plots

        fit = fits[name]
        order = self.desk.records.order if self.desk.records is not None else None
        draw = getattr(plots, which)
        try:
            drawn = picture(draw(fit, order=order) if which in ("residuals", "making_order") and order else draw(fit))
        except StudyError as problem:
            drawn = said(str(problem), "note")
        if (fits, name, which) != (self.desk.fits, self.response.value, self.picture_of.value):
            return
        self.picture.value = drawn
        self.detail.value = folded(f"Every figure of {fit.response.name}", as_html(Page(terms_said(fit._sections()))))
        try:
            self.map.show(fit.study, _middle(fit), None, observed(fit))
        except StudyError:
            return  # one factor alone has its curve

    def _compute(self, cut: Slice) -> Drawing:
        fit = self._one()
        values = fit.predict(cut.table[cut.near])["estimate"].to_numpy(dtype=float)
        return response_drawing(fit, cut.grid(values), cut)


def _middle(fit: Fit) -> dict[str, Any]:
    """Where a map holds what its sliders do not: the middle of the region."""
    from doe.plots import holding

    return dict(holding.held(fit.study, (), None).base)


def _is_preset(study: Study, model: Any) -> bool:
    try:
        return study.model(model.name).terms == model.terms
    except StudyError:
        return False


def replace_responses(study: Study, responses: Any) -> Study:
    """The study with other responses."""
    return Study(
        study.name,
        study.factors,
        responses,
        study.constraints,
        study.mixture_total,
        study.balance,
        study.notes,
        study.covariates,
    )
