"""Which batches: what is to be learned, how few will do, what a plan buys, and two plans beside each other."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import ipywidgets as widgets

from doe import designs, quality
from doe.designs import Plan
from doe.panels.entry_fields import ChoiceField, TextField, as_html, picture, said
from doe.panels.panel import Panel, row, section
from doe.panels.working import Latest
from doe.study import Response, Study, StudyError
from doe.study.shown import number_text

OPTIMAL = "optimal"
QUESTIONS = (
    ("the best use of the batches I can make, on exactly this region", OPTIMAL),
    ("which of many factors matter at all", "plackett_burman"),
    ("the same, with curvature seen and main effects kept clear of it", "definitive_screening"),
    ("which of two to five factors matter, and how they act together", "full_factorial"),
    ("the same with half the batches or fewer", "fractional_factorial"),
    ("where the optimum lies, the range being all there is", "central_composite"),
    ("the same, never all factors at their extremes at once", "box_behnken"),
    ("how the parts of a blend trade against each other", "extreme_vertices"),
    ("a wide region without a model in mind", "space_filling"),
)
WHY = {
    OPTIMAL: "Chosen for your factors, limits and model, from the number of coefficients on; the only kind here that takes hard-to-change factors, blends beside settings, and any number of batches.",
    "plackett_burman": "About one batch a factor. Interactions are mixed into the main effects: take it to sort out what matters, not to tune.",
    "definitive_screening": "About two batches a factor; main effects stay clear of interactions and bends.",
    "full_factorial": "Every combination of low and high, and three batches at the centre that show noise and bend.",
    "fractional_factorial": "A fraction of the full factorial; the plan says which effects cannot be told apart.",
    "central_composite": "Low, high and centre of every factor, faces of the region, batches at the centre repeated: enough for bends.",
    "box_behnken": "Three levels a factor, no corner where all are extreme; kind to a gel that may be too thick at the far corner.",
    "extreme_vertices": "The corners of the region and its centre; for blends with limits.",
    "space_filling": "Batches spread evenly; for a first look where no model is trusted.",
}
PICTURES = (
    ("where the batches lie", "where"),
    ("how precise, and where", "precise"),
    ("which terms cannot be told apart", "apart"),
)
MODELS = (
    ("each factor by itself (linear)", "linear"),
    ("and every pair (interaction)", "interaction"),
    ("and a bend for each (quadratic)", "quadratic"),
    ("cubic", "cubic"),
    ("parts of a blend: special cubic", "special cubic"),
    ("blend crossed with settings", "crossed"),
)


class BatchesPanel(Panel):
    """Which batches to make. `desk.plan` is the plan in use; `made` keeps every plan tried here, by its name."""

    key = "batches"
    title = "Which batches"
    asks = "How few will do, and what do they buy?"

    def build(self) -> list[Any]:
        """The widgets between title and message."""
        self.made: dict[str, Plan] = {}
        self.smallest: Any = None
        self.question = self.keep(
            "question", ChoiceField("what do you need to know next?", QUESTIONS, width="52em"), self._advise
        )
        self.why = widgets.HTML()
        self.model = self.keep(
            "model", ChoiceField("what may the effects look like?", MODELS, where=("model",), width="38em")
        )
        self.model.value = self.desk.recalled(self.key, "model", "quadratic")
        self.runs = self.keep(
            "runs",
            TextField(
                "batches",
                "",
                help="In all. Blank: as few as the model needs, and four to check it with.",
                where=("runs",),
                width="22em",
            ),
        )
        self.plots = self.keep(
            "plots",
            TextField(
                "settings of what is hard to change",
                "",
                help="How many groups of batches share one setting. Blank: as many as the model needs, and three more.",
                where=("whole_plots",),
                width="22em",
            ),
        )
        self.centre = self.keep(
            "centre",
            TextField(
                "of these at the centre",
                "3",
                help="Made again from weighing on: they show the batch-to-batch noise.",
                where=("centre",),
                width="22em",
            ),
        )
        self.seed = self.keep(
            "seed",
            TextField(
                "seed",
                "1",
                help="The same seed gives the same plan and the same order of making.",
                where=("seed",),
                width="22em",
            ),
        )
        make = self.action("Choose the batches", self._make, main=True)
        self.response = self.keep(
            "response", ChoiceField("response for this", [], "Whose noise and change are given below."), self._words
        )
        self.noise = self.keep("noise", TextField("batch-to-batch noise", "", where=("sigma",), width="28em"))
        self.change = self.keep("change", TextField("change worth seeing", "", where=("change", "ratio"), width="28em"))
        self.power = self.keep(
            "power", TextField("chance to see it", "80", "%", "If it is really there.", ("power",), "28em")
        )
        few = self.action("How few batches will do?", self._fewest)
        self.found = widgets.HTML()
        self.shown = widgets.HTML()
        self.picture_of = self.keep("picture", ChoiceField("picture", PICTURES, width="34em"), self._draw)
        self.picture = widgets.HTML()
        self.first, self.second = (
            ChoiceField("one plan", [], width="38em"),
            ChoiceField("and another", [], width="38em"),
        )
        both = self.action("Compare the two", self._compare)
        take = self.action("Use the first of them", self._use)
        self.compared = widgets.HTML()
        self._drawing = Latest(lambda plan, which: self.guard(lambda: self._drawn(plan, which)))
        self._checking = Latest(lambda plan: self.guard(lambda: self._checked(plan)))
        self.follow("study")(self._study_changed)
        self.follow("plan")(self._plan_changed)
        self._advise()
        self._study_changed()
        self._plan_changed()
        return [
            section("What do you need to know next?", self.question, self.why, row(self.model), row(self.runs, self.centre), row(self.plots, self.seed), make),
            section("How few?", row(self.response), row(self.noise, self.change), row(self.power), few, self.found,
                    help="The least number of batches that would show a change of this size against this noise."),
            section("What does it buy?", self.shown, row(self.picture_of), self.picture),
            section("Two plans beside each other", row(self.first, self.second), row(both, take), self.compared),
        ]  # fmt: skip

    # ---- choosing

    def _advise(self) -> None:
        kind = self.question.value
        self.why.value = said(WHY[kind], "help")
        optimal = kind == OPTIMAL
        for field in (self.model, self.plots):
            field.control.disabled = not optimal
        self.runs.control.disabled = kind not in (OPTIMAL, "space_filling")
        self.centre.control.disabled = kind not in (
            OPTIMAL,
            "full_factorial",
            "fractional_factorial",
            "box_behnken",
            "central_composite",
        )
        self._show_plots()

    def _show_plots(self) -> None:
        study = self.desk.study
        self.plots.view.layout.display = "" if study is not None and study.hard_to_change else "none"

    def _make(self) -> None:
        study: Study = self.need("study")
        kind, seed = self.question.value, self.seed.whole(1)
        task = self._task(study, kind, seed)
        designs_words = "Looking for the best plan" if kind == OPTIMAL else "Making the plan"
        self.work.start(designs_words, task, lambda plan: self._take_plan(plan.randomised(seed)))

    def _task(self, study: Study, kind: str, seed: int) -> Callable[[Callable[..., None]], Plan]:
        centre = self.centre.whole(3)
        if kind == OPTIMAL:
            model = study.planned_model(self.model.value)
            runs = self.runs.whole(model.p + 4)
            whole_plots = self.plots.whole() if study.hard_to_change and str(self.plots.value).strip() else None

            def optimal(tell: Callable[..., None]) -> Plan:
                return designs.optimal(
                    study, model, runs, centre=min(centre, max(runs - model.p, 0)), whole_plots=whole_plots, seed=seed,
                    progress=lambda number, value: tell(f"Looking for the best plan: round {number}, {number_text(value)} so far"),
                )  # fmt: skip

            return optimal
        plain: dict[str, Callable[[], Plan]] = {
            "plackett_burman": lambda: designs.plackett_burman(study),
            "definitive_screening": lambda: designs.definitive_screening(study),
            "full_factorial": lambda: designs.full_factorial(study, centre=centre),
            "fractional_factorial": lambda: designs.fractional_factorial(study, resolution=4, centre=centre),
            "central_composite": lambda: designs.central_composite(study, axial="face", centre=centre),
            "box_behnken": lambda: designs.box_behnken(study, centre=centre),
            "extreme_vertices": lambda: designs.extreme_vertices(study),
        }
        if kind == "space_filling":
            runs = self.runs.whole(10 * len(study.factors))
            return lambda _tell: designs.space_filling(study, runs, seed=seed)
        return lambda _tell: plain[kind]()

    def _take_plan(self, plan: Plan) -> None:
        self._name(plan)
        self.desk.plan = plan
        self.say(f"{len(plan.runs)} batches, in an order of making drawn by lot. They are in use now.", "good")

    def _name(self, plan: Plan) -> None:
        if any(p is plan for p in self.made.values()):
            return
        name = f"{len(self.made) + 1}: {len(plan.runs)} batches, {str(plan.provenance.get('function', 'your own')).replace('_', ' ')}"
        self.made[name] = plan
        names = [(n, n) for n in self.made]
        self.first.offer(names)
        self.second.offer(names, name)
        self.second.value = name
        self._keep_apart()

    def _keep_apart(self) -> None:
        """Not the same plan twice beside each other, where there is another."""
        others = [n for n in self.made if n != self.first.value]
        if self.second.value == self.first.value and others:
            self.second.value = others[-1]

    # ---- how few

    def _study_changed(self) -> None:
        study = self.desk.study
        self._show_plots()
        with self.filling():
            names = [(r.label, r.name) for r in study.readings] if study is not None else []
            self.response.offer(names, self.desk.recalled(self.key, "response", None))
        self._words()

    def _chosen(self) -> Response:
        study: Study = self.need("study")
        if not self.response.value:
            raise StudyError("response", "none", "a response of the trial", "list one in “The trial”")
        return study.response(self.response.value)

    def _words(self) -> None:
        if self.desk.study is None or not self.response.value:
            return
        r = self._chosen()
        log = r.transform == "log"
        unit = "%" if log else (r.unit if r.transform is None else f"on the scale of {r.fitted_label}")
        for field, word in ((self.noise, "batch-to-batch noise"), (self.change, "change worth seeing")):
            own = (
                ("CV, %" if word.startswith("batch") else "×, such as 1.3")
                if log
                else f"SD, {unit}"
                if word.startswith("batch")
                else unit
            )
            field.control.description = f"{word} ({own})" if own.strip(", SD") else word
            field.label = word

    def _fewest(self) -> None:
        study, r = self.need("study"), self._chosen()
        model = study.planned_model(self.model.value)
        noise, change, power = self.noise.number(), self.change.number(), self.power.share()
        seed = self.seed.whole(1)
        log = r.transform == "log"
        sizes: dict[str, Any] = {"ratio": change} if log else {"change": change}
        sigma = noise / 100.0 if log else noise

        def task(_tell: Callable[..., None]) -> Any:
            return quality.smallest_plan(study, model, sigma, power=power, seed=seed, **sizes)

        self.work.start("Trying plan after plan", task, self._found)

    def _found(self, smallest: Any) -> None:
        from doe.plots import power_by_batches

        self.smallest = smallest
        self.found.value = as_html(smallest) + picture(power_by_batches(smallest))
        self._name(smallest.plan)
        self.say("The plan found is among those to compare below; “Use the first of them” takes it.", "good")
        self.first.value = next(name for name, p in self.made.items() if p is smallest.plan)
        self._keep_apart()

    # ---- what it buys

    def _plan_changed(self) -> None:
        plan = self.desk.plan
        if plan is None:
            self.shown.value, self.picture.value = said("No plan yet.", "note"), ""
            return
        self._name(plan)
        self.shown.value = said(plan._heading(), "note")
        self._checking.ask(plan)
        self._draw()

    def _checked(self, plan: Plan) -> None:
        text = as_html(plan)
        if plan.model is not None:
            try:
                text = as_html(quality.check(plan)) + f"<details><summary>The batches</summary>{text}</details>"
            except StudyError as problem:
                text += said(str(problem), "problem")
        if plan is self.desk.plan:
            self.shown.value = text

    def _draw(self) -> None:
        if self.desk.plan is not None:
            self._drawing.ask(self.desk.plan, self.picture_of.value)

    def _drawn(self, plan: Plan, which: str) -> None:
        from doe import plots

        if which != "where" and plan.model is None:
            self.picture.value = said(
                "This plan was made for no model: only where its batches lie can be drawn.", "note"
            )
            return
        if which == "where":
            drawn = (
                plots.ternary(plan)
                if len(plan.study.components) == 3 == len(plan.study.factors)
                else plots.plan_pairs(plan)
            )
        elif which == "precise":
            drawn = plots.precision_over_region(quality.check(plan))
        else:
            drawn = plots.term_correlations(quality.check(plan))
        self.picture.value = picture(drawn)

    # ---- two of them

    def _two(self) -> tuple[Plan, Plan]:
        if len(self.made) < 2:
            raise StudyError("plans made here", len(self.made), "at least 2", "choose the batches in two ways first")
        return self.made[self.first.value], self.made[self.second.value]

    def _compare(self) -> None:
        one, other = self._two()
        names = {self.first.value: one, self.second.value: other}
        if len(names) < 2:
            raise StudyError("and another", self.second.value, "another plan than the first", "choose a different one")
        model = one.study.planned_model(self.model.value)  # both for what is asked now, whatever they were made for
        self.work.start(
            "Comparing",
            lambda _tell: quality.compare(names, model),
            lambda c: setattr(self.compared, "value", as_html(c)),
        )

    def _use(self) -> None:
        if not self.first.value:
            raise StudyError("one plan", "none", "a plan made here", "choose the batches first")
        plan = self.made[self.first.value]
        ordered = plan if "order_seed" in plan.provenance else plan.randomised(self.seed.whole(1))
        self.made[self.first.value] = ordered
        self.desk.plan = ordered
        self.say(f"In use: {self.first.value}.", "good")
