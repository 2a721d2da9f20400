"""Whether anything is lost on the way: run sheets filled in and read back, files saved and loaded, stores exported and imported."""

from __future__ import annotations

import csv
import io
import struct
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd

from doe.bench import Records, read_sheet, read_table, write_sheet
from doe.calibration.findings import LOSSES, Finding
from doe.designs import Plan, central_composite
from doe.store import Store
from doe.study import Response, Study
from doe.study.files import write_bytes
from doe.virtual import AfterSunGel

KEY = ["run", "batch", "replicate", "time", "condition", "response"]
BITS = "bit for bit"
Damage = Callable[[pd.DataFrame], pd.DataFrame]


def bits(value: object) -> bytes:
    """The eight bytes of a number."""
    return struct.pack("<d", float(str(value)) if isinstance(value, str) else float(value))  # type: ignore[arg-type]


def different(before: pd.DataFrame, after: pd.DataFrame) -> int:
    """How many readings are missing, new, or not the same to the last bit."""
    sides = [{tuple(map(str, r[:-3])): tuple(map(bits, r[-3:])) for r in t[[*KEY, "value", "lower", "upper"]].itertuples(index=False, name=None)}
             for t in (before, after)]  # fmt: skip
    keys = set(sides[0]) | set(sides[1])
    return sum(sides[0].get(k) != sides[1].get(k) for k in keys)


def batches_read(seed: int, plan: Plan | None = None) -> tuple[Plan, Records]:
    """A plan of the virtual bench, randomised, and its batches with readings of many digits, some of them bounds."""
    bench = AfterSunGel()
    plan = (central_composite(bench.study, axial="face") if plan is None else plan).randomised(seed)
    made = bench.make(plan, seed=seed)
    rng = np.random.default_rng([seed, 3])
    data = made.data.copy()
    # not rounded as a laboratory would: the last digits are what this is about; a workbook holds 15 of them
    noise = rng.uniform(0.999, 1.001, len(data))
    for column in ("value", "lower", "upper"):
        data[column] = [float(f"{v * k:.15g}") for v, k in zip(data[column], noise, strict=True)]
    top = data["response"].eq("stability") & (data["value"] > 10)
    data.loc[top, ["value", "lower", "upper"]] = 10.0
    for i, (lower, upper) in zip(
        data.index[data["response"].eq("viscosity")][:3],
        ((100000.0, np.inf), (-np.inf, 500.0), (2000.0, 2500.5)),
        strict=True,
    ):
        data.loc[i, ["value", "lower", "upper"]] = [np.nan, lower, upper]
    return plan, Records(plan, data, order=made.order)


def typed(row: pd.Series) -> object:
    """A reading as a person types it."""
    if not np.isnan(row["value"]):
        return float(row["value"])
    if np.isinf(row["upper"]):
        return f">{row['lower']:.15g}"
    return f"<{row['upper']:.15g}" if np.isinf(row["lower"]) else f"{row['lower']:.15g}..{row['upper']:.15g}"


def filled_workbook(path: Path, plan: Plan, records: Records) -> Path:
    """A written workbook with every reading typed into its cell."""
    import openpyxl

    book = openpyxl.load_workbook(write_sheet(plan, AfterSunGel().recipe, path, seed=None))
    page = book["Measurements"]
    header = next(r for r in range(1, page.max_row + 1) if page.cell(r, 1).value == "order")
    heads = {str(c.value): c.column for c in page[header]}
    lines = {page.cell(r, heads["run"]).value: r for r in range(header + 1, page.max_row + 1)}
    for _, row in records.data.iterrows():
        page.cell(lines[row["run"]], heads[_label(plan.study, row["response"])]).value = typed(row)
    out = io.BytesIO()
    book.save(out)
    return write_bytes(path, out.getvalue())


def filled_table(path: Path, plan: Plan, records: Records) -> Path:
    """The same as a .csv sheet."""
    lines = list(csv.reader(io.StringIO(write_sheet(plan, None, path, seed=None).read_text(encoding="utf-8-sig"))))
    header = next(i for i, line in enumerate(lines) if "run" in line)
    heads = lines[header]
    rows = {line[heads.index("run")]: line for line in lines[header + 1 :]}
    for _, row in records.data.iterrows():
        value = typed(row)
        own = rows[str(row["run"])]
        own[heads.index(_label(plan.study, row["response"]))] = repr(value) if isinstance(value, float) else str(value)
    out = io.StringIO()
    csv.writer(out).writerows(lines)
    return write_bytes(path, out.getvalue().encode("utf-8"))


def _label(study: Study, name: str) -> str:
    response: Response = study.response(name)
    return response.label


def round_trips(folder: Path, seed: int, damage: Damage | None = None, plan: Plan | None = None) -> list[Finding]:
    """Everything that is written, read back.

    Parameters
    ----------
    folder : Path
        Where files may be written.
    seed : int
    damage : callable, optional
        What happens to readings on their way back, to see that a loss is found.
    plan : Plan, optional
        Of the virtual bench; a composite plan of 28 batches if left out.
    """
    plan, records = batches_read(seed, plan)
    n = len(records.data)
    spoil = damage or (lambda table: table)
    out = []

    def readings(what: str, came: Records, problems: int = 0) -> None:
        lost = different(records.data, spoil(came.data.copy()))
        others = f", {problems} cells in doubt" if problems else ""
        out.append(
            Finding(LOSSES, what, BITS, f"{lost} of {n} readings differ{others}", "0 differ", not lost and not problems)
        )

    def same(what: str, holds: bool) -> None:
        out.append(
            Finding(LOSSES, what, "what was written", "the same" if holds else "not the same", "the same", holds)
        )

    workbook = read_sheet(filled_workbook(folder / "sheet.xlsx", plan, records), plan)
    readings(
        "Run sheet as a workbook: written, filled in, read", workbook, len(workbook.problems) + len(workbook.questions)
    )
    page = read_sheet(filled_table(folder / "sheet.csv", plan, records), plan)
    readings("Run sheet as .csv: written, filled in, read", page, len(page.problems) + len(page.questions))
    saved = records.save(folder / "records.csv")
    readings("Records: saved as .csv, read with their plan", read_sheet(saved, plan))
    readings("Records: saved as .csv, read with their study alone", read_table(saved, plan.study))
    plan.study.save(folder / "study.json")
    study = Study.load(folder / "study.json")
    same("Study: saved, loaded", study.fingerprint == plan.study.fingerprint and study == plan.study)
    plan.save(folder / "plan.json")
    again = Plan.load(folder / "plan.json")
    whole = again.fingerprint == plan.fingerprint and again.runs.equals(plan.runs) and again.coded.equals(plan.coded)
    same("Plan: saved, loaded, in the order of making", whole and list(again.runs.index) == list(plan.runs.index))
    recipe = AfterSunGel().recipe
    recipe.save(folder / "recipe.json")
    same("Recipe: saved, loaded", type(recipe).load(folder / "recipe.json").content() == recipe.content())
    with Store(folder / "trials.db", who="self-test") as store:
        store.save(plan.study)
        store.save(plan)
        store.save(records)
        name = plan.study.name
        readings("Store: records kept, loaded", store.load("records", name))
        store.export(folder / "trial.zip")
        kept = store.load("plan", name)
    with Store(folder / "others.db", who="self-test") as other:
        other.import_(folder / "trial.zip")
        readings("Store: exported as a zip, imported by another store", other.load("records", name))
        taken = other.load("plan", name)
        ours = kept.fingerprint == taken.fingerprint == plan.fingerprint
        same("Store: study and plan after export and import", ours and other.load("study", name) == plan.study)
    return out
