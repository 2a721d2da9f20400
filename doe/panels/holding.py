"""What a desk holds: the study and what was made of it, kept in step with each other; whoever shows them is told of every change."""

from __future__ import annotations

import hashlib
import json
import threading
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from typing import Any

from doe.bench import Recipe, Records
from doe.bench.further import extends
from doe.designs import Plan
from doe.fits import Fit, Fits
from doe.study import Model, Study, StudyError
from doe.window import Verdict, Window

PARTS = ("study", "plan", "recipe", "records", "fits", "window", "confirmation")
_ABOVE = {  # what rests on what
    "records": ("fits", "window", "confirmation"),
    "fits": ("window", "confirmation"),
    "window": ("confirmation",),
}


def _kinds() -> dict[str, tuple[type, ...]]:
    from doe import window

    confirmation = getattr(window, "Confirmation", None)
    return {
        "study": (Study,),
        "plan": (Plan,),
        "recipe": (Recipe,),
        "records": (Records,),
        "fits": (Fits,),
        "window": (Window,),
        "confirmation": (confirmation,) if confirmation is not None else (),
    }


def _part(name: str, words: str) -> property:
    def get(self: Holding) -> Any:
        return self._held[name]

    def put(self: Holding, value: Any) -> None:
        self.put(**{name: value})

    return property(get, put, doc=words)


class Holding:
    """The objects behind a desk.

    Set any of them from code: whatever shows it follows. What does not belong to it any more is set aside, not thrown away (`aside`), and
    what was made from older readings is named in `stale` until it is made again.

    Attributes
    ----------
    typed : dict
        What stands in the fields, by panel and field, as it was typed.
    aside : dict of part to list
        What was set aside because it belongs to an earlier study or plan, the latest last.
    stale : set of str
        Parts that were made before what they rest on changed.
    error : BaseException or None
        The last failure inside the program itself, for those who want to look into it.
    """

    study = _part("study", "The Study, or None.")
    plan = _part("plan", "The Plan, or None.")
    recipe = _part("recipe", "The Recipe, or None.")
    records = _part("records", "The Records, or None.")
    fits = _part("fits", "The Fits, or None.")
    window = _part("window", "The Window, or None.")
    confirmation = _part("confirmation", "The Confirmation, or None.")

    def __init__(self) -> None:
        self._held: dict[str, Any] = dict.fromkeys(PARTS)
        self._watching: list[tuple[tuple[str, ...], Callable[[], None]]] = []
        self.lock = threading.RLock()
        self.typed: dict[str, Any] = {}
        self.aside: dict[str, list[Any]] = {name: [] for name in PARTS}
        self.stale: set[str] = set()
        self.error: BaseException | None = None
        self._verdict: Verdict | None = None

    @classmethod
    def of(cls, given: Any) -> Holding:
        """A holding itself, or a new one with the object given and all that it brings along."""
        if isinstance(given, Holding):
            return given
        new = cls()
        if given is None:
            return new
        if isinstance(given, Fit):
            given = Fits(given.study, {given.response.name: given})
        elif isinstance(given, Mapping) and not isinstance(given, Fits):
            fits = list(given.values())
            if fits and all(isinstance(f, Fit) for f in fits):
                given = Fits(fits[0].study, given)
        for name, kinds in _kinds().items():
            if isinstance(given, kinds):
                new.put(**{name: given})
                return new
        raise StudyError(
            "panel",
            type(given).__name__,
            "given a desk, a Study, a Plan, Records, Fits or a Window",
            "make one of these first, or leave it out",
        )

    @property
    def verdict(self) -> Verdict | None:
        """The Verdict on the confirmation that is held, or None; kept in memory alone, for its readings are typed fields."""
        judged = self._verdict
        return judged if judged is not None and judged.confirmation is self._held["confirmation"] else None

    @verdict.setter
    def verdict(self, value: Verdict | None) -> None:
        before, self._verdict = self._verdict, value
        if value is not before:
            self.tell({"verdict"})

    def watch(self, parts: Iterable[str], call: Callable[[], None]) -> None:
        """Call this whenever one of these parts changes."""
        self._watching.append((tuple(parts), call))

    def put(self, **parts: Any) -> None:
        """Set parts, together; the others are kept in step.

        Raises
        ------
        StudyError
            If a part is of the wrong kind.
        """
        with self.lock:
            kinds = _kinds()
            for name, value in parts.items():
                if value is not None and not isinstance(value, kinds[name]):
                    raise StudyError(
                        f"desk: {name}",
                        type(value).__name__,
                        f"a {name.capitalize()} or None",
                        f"make the {name} first",
                    )
            before = dict(self._held)
            for name in PARTS:
                if name in parts:
                    getattr(self, f"_put_{name}", self._put_plainly)(parts[name], name)
            changed = {name for name in PARTS if self._held[name] is not before[name]}
        self.tell(changed)

    def tell(self, changed: Iterable[str]) -> None:
        """Tell whoever watches one of these parts."""
        names = set(changed)
        if names:
            for parts, call in list(self._watching):
                if names & set(parts):
                    call()

    def remember(self, panel: str, field: str, value: Any) -> None:
        """Keep what was typed."""
        self.typed.setdefault(panel, {})[field] = value
        self.tell({"typed"})

    def recalled(self, panel: str, field: str, otherwise: Any = "") -> Any:
        """What was typed there before."""
        return self.typed.get(panel, {}).get(field, otherwise)

    # ---- in step

    def _put_plainly(self, value: Any, name: str) -> None:
        self._held[name] = value
        self.stale.discard(name)

    def _set_aside(self, *names: str) -> None:
        for name in names:
            if self._held[name] is not None:
                self.aside[name].append(self._held[name])
                self._held[name] = None
            self.stale.discard(name)

    def _outdated(self, name: str) -> None:
        self.stale |= {above for above in _ABOVE[name] if self._held[above] is not None}

    def _put_study(self, study: Study | None, _name: str) -> None:
        before = self._held["study"]
        if study is not None and before is not None and study.fingerprint == before.fingerprint:
            return
        self._held["study"] = study
        plan, records = self._held["plan"], self._held["records"]
        if plan is None and before is None:
            return
        carried = None if study is None or plan is None else carried_plan(plan, study)
        taken = None if carried is None or records is None else carried_records(records, carried)
        self._set_aside("fits", "window", "confirmation")
        if records is not None and taken is None:
            self._set_aside("records")
        if plan is not None and carried is None:
            self._set_aside("plan")
        if carried is not None:
            self._held["plan"] = carried
        if taken is not None:
            self._held["records"] = taken

    def _put_plan(self, plan: Plan | None, _name: str) -> None:
        if plan is not None:
            study, records = self._held["study"], self._held["records"]
            if study is None or study.fingerprint != plan.study.fingerprint:
                self._set_aside("records", "fits", "window", "confirmation")
                self._held["study"] = plan.study
            elif records is not None and records.plan.fingerprint != plan.fingerprint:
                if extends(plan, records.plan):  # the batches made are the same: nothing made of them changes
                    self._held["records"] = records.under(plan)
                else:
                    self._set_aside("records", "fits", "window", "confirmation")
        self._held["plan"] = plan

    def _put_records(self, records: Records | None, _name: str) -> None:
        if records is not None:
            plan = self._held["plan"]
            if plan is None or plan.fingerprint != records.plan.fingerprint:
                self._put_plan(records.plan, "plan")
        before = self._held["records"]
        self._held["records"] = records
        if before is None or records is None or digest(before) != digest(records):
            self._outdated("records")

    def _put_fits(self, fits: Fits | None, _name: str) -> None:
        if fits is not None:
            study = self._held["study"]
            if study is None or study.fingerprint != fits.study.fingerprint:
                self._put_study(fits.study, "study")
        self._held["fits"] = fits
        self.stale.discard("fits")
        self._outdated("fits")

    def _put_window(self, window: Window | None, _name: str) -> None:
        if window is not None:
            study = self._held["study"]
            if study is None or study.fingerprint != window.study.fingerprint:
                self._put_study(window.study, "study")
            if self._held["fits"] is None:
                self._held["fits"] = Fits(window.study, window.fits)
        self._held["window"] = window
        self.stale.discard("window")
        self._outdated("window")


def digest(part: Any) -> str:
    """A few digits that tell whether a part is still the one that was meant."""
    if part is None:
        return ""
    if isinstance(part, Study | Plan):
        return part.fingerprint
    if isinstance(part, Records):
        text = repr(part.data.drop(columns="cell").to_numpy().tolist()) + repr(
            (part.failed, part.remarks.to_numpy().tolist())
        )
        return hashlib.sha256(text.encode()).hexdigest()[:12]
    return hashlib.sha256(json.dumps(part.content(), sort_keys=True, default=str).encode()).hexdigest()[:12]


def carried_plan(plan: Plan, study: Study) -> Plan | None:
    """The same batches in a study whose factors and region are the same; None where they are not."""
    old = plan.study
    same = all(
        getattr(old, part) == getattr(study, part)
        for part in ("factors", "constraints", "mixture_total", "balance", "covariates")
    )
    if not same:
        return None
    model = plan.model and Model(study, plan.model.name, plan.model.parsed, plan.model.added)
    return replace(plan, study=study, model=model)


def carried_records(records: Records, plan: Plan) -> Records | None:
    """The same readings under a study whose responses still bear their names and occasions; None where they do not."""
    old, new = records.study.readings, plan.study.readings
    if [(r.name, r.unit, r.scale) for r in old] != [(r.name, r.unit, r.scale) for r in new]:
        return None
    return replace(records, plan=plan)
