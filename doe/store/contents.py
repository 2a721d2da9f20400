"""What can be kept beside records, as JSON: studies, plans, recipes whole; results of fits and windows as they were shown, with their ground."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from doe.bench.recipe import Recipe
from doe.bench.records import Records
from doe.designs import Plan
from doe.fits.result import Fit
from doe.study import Section, Shown, Study, StudyError

DESCRIBED = {"study": Study, "plan": Plan, "recipe": Recipe, "records": Records}
ALLOWED = "a study, plan, recipe, records, or a result such as a fit, a window or a confirmation"


@dataclass(frozen=True, repr=False, eq=False)
class Kept(Shown):
    """A result as it was when it was saved.

    Attributes
    ----------
    content : mapping
        of (the kind of result), study and its fingerprint, text (how it printed itself), sections; of a fit besides: response, model,
        terms, method, why, coefficients, sigma, and readings: the runs and the values that it was fitted to, and those left out.
    """

    content: Mapping[str, Any]

    def _sections(self) -> list[Section]:
        out = []
        for s in self.content["sections"]:
            table = None if s["columns"] is None else pd.DataFrame(s["rows"], columns=s["columns"], dtype=object)
            out.append(Section(s["title"], table, s["note"]))
        return out


def kind_of(thing: object) -> str:
    """The kind under which a thing is kept."""
    for kind, cls in DESCRIBED.items():
        if isinstance(thing, cls):
            return kind
    if isinstance(thing, Fit):
        return "fit"
    if isinstance(thing, Shown):
        return type(thing).__name__.lower()
    raise StudyError("store: thing to save", type(thing).__name__, ALLOWED, "give one of these")


def study_of(thing: object) -> Study | None:
    """The study that a thing belongs to, where it says so."""
    if isinstance(thing, Study):
        return thing
    study = getattr(thing, "study", None)
    return study if isinstance(study, Study) else None


def name_of(thing: object, kind: str, given: object) -> str:
    """The name under which a thing is kept: the one given, else its study's."""
    if given is not None:
        if not isinstance(given, str) or not given.strip():
            raise StudyError("store: name", given, "a text", "name it, or leave the name out to take the study's")
        return text_or_refuse("store: name", given.strip())
    study = study_of(thing)
    if study is None:
        raise StudyError(
            "store: name",
            None,
            f"given, since a {kind} does not say which study it belongs to",
            'write store.save(thing, "its name")',
        )
    return f"{study.name}: {thing.response.name}" if isinstance(thing, Fit) else study.name


def text_or_refuse(where: str, text: str) -> str:
    """A text that every database and file can keep: no NUL, no half of a surrogate pair."""
    if "\x00" in text or any("\ud800" <= c <= "\udfff" for c in text):
        raise StudyError(where, text, "a text without NUL and broken characters", "leave those characters out")
    return text


def content_of(thing: object, kind: str) -> dict[str, Any]:
    """A thing as plain values."""
    if isinstance(thing, Study | Plan | Recipe):
        return thing.content()
    assert isinstance(thing, Shown)
    study = study_of(thing)
    sections = [
        {
            "title": s.title,
            "columns": None if s.table is None else [str(c) for c in s.table.columns],
            "rows": []
            if s.table is None
            else [[str(v) for v in row] for row in s.table.itertuples(index=False, name=None)],
            "note": s.note,
        }
        for s in thing._sections()
    ]
    content: dict[str, Any] = {
        "kind": "result",
        "schema": 1,
        "of": type(thing).__name__,
        "study": None if study is None else {"name": study.name, "fingerprint": study.fingerprint},
        "text": repr(thing),
        "sections": sections,
    }
    return content | (_fit_content(thing) if isinstance(thing, Fit) else {})


def _fit_content(fit: Fit) -> dict[str, Any]:
    names = [str(c) for c in fit.model.columns]
    ground = [[str(run), float(y)] for run, y in zip(fit.runs, fit.y, strict=True)]
    return {
        "response": fit.response.name,
        "model": fit.model.name,
        "terms": list(fit.model.terms),
        "method": fit.method,
        "why": fit.why,
        "coefficients": {name: float(b) for name, b in zip(names, fit.beta, strict=True)},
        "sigma": float(fit.sigma) if fit.sigma == fit.sigma else None,
        "readings": {
            "fitted": ground,
            "left out": [[str(r), str(w)] for r, w in fit.unused.itertuples(index=False, name=None)],
            "fingerprint": hashlib.sha256(json.dumps(ground).encode()).hexdigest()[:12],
        },
    }


def made_of(kind: str, text: str, where: str) -> Any:
    """The thing that a kept JSON describes."""
    try:
        content = json.loads(text)
    except (ValueError, RecursionError) as problem:
        raise StudyError(where, "broken", "whole JSON", "take up the last good export") from problem
    if not isinstance(content, dict):
        raise StudyError(where, type(content).__name__, "an object", "take up the last good export")
    if kind == "study":
        return Study.from_content(content, where)
    if kind == "plan":
        return Plan.from_content(content, where)
    if kind == "recipe":
        return Recipe.from_content(content, where)
    sections = content.get("sections")
    whole = isinstance(sections, list) and all(
        isinstance(s, dict)
        and isinstance(s.get("title"), str)
        and isinstance(s.get("note"), str)
        and isinstance(s.get("rows"), list)
        and (s.get("columns") is None or isinstance(s["columns"], list))
        and all(isinstance(r, list) and len(r) == len(s["columns"] or ()) for r in s["rows"])
        for s in sections
    )
    if not whole:
        raise StudyError(
            f"{where}: sections", "not whole", "a list of title, columns, rows and note", "take up the last good export"
        )
    return Kept(content)
