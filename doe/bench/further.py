"""Records of a plan that was made longer: readings taken along, and those of later batches beside them."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pandas as pd

from doe.designs import Plan
from doe.study import StudyError

if TYPE_CHECKING:
    from doe.bench.records import Records


def extends(plan: Plan, earlier: Plan) -> bool:
    """Whether a plan holds every batch of an earlier one, with the same number and settings, of the same study."""
    if plan.study.fingerprint != earlier.study.fingerprint or not earlier.runs.index.isin(plan.runs.index).all():
        return False
    names = earlier.study.names
    return plan.runs.loc[earlier.runs.index, names].equals(earlier.runs[names])


def under(records: Records, plan: Plan) -> Records:
    """The work of `Records.under`."""
    if not isinstance(plan, Plan):
        raise StudyError("records: plan", type(plan).__name__, "a Plan", "give what doe.next_batches made")
    if not extends(plan, records.plan):
        raise StudyError(
            "records: plan",
            plan.fingerprint,
            f"one that holds every run of plan {records.plan.fingerprint} with its number and settings",
            "make it from that plan with doe.next_batches or doe.designs.extend",
        )
    made = records.as_made
    if made is not None:
        made = made.combine_first(plan.runs[list(made.columns)]).loc[sorted(plan.runs.index), made.columns]
    return replace(records, plan=plan, as_made=made)


def with_later(earlier: Records, later: Records) -> Records:
    """The work of `Records.with_later`."""
    from doe.bench.records import Records

    if not isinstance(later, Records):
        raise StudyError(
            "with_later: later", type(later).__name__, "Records", "give what read_sheet made of the later sheet"
        )
    first = under(earlier, later.plan)
    reading = ["run", "response", "time", "condition"]
    said = set(later.data[reading].itertuples(index=False, name=None))
    kept = [row not in said for row in first.data[reading].itertuples(index=False, name=None)]
    read = set(later.data["run"])
    made = first.as_made
    if later.as_made is not None:
        made = later.as_made if made is None else made.copy()
        made.loc[sorted(read)] = later.as_made.loc[sorted(read)]
    remarks = pd.concat([first.remarks, later.remarks], ignore_index=True).drop_duplicates(ignore_index=True)
    failed = tuple(sorted({*later.failed, *(run for run in first.failed if run not in read)}))
    return replace(
        later,
        data=pd.concat([first.data[kept], later.data], ignore_index=True)
        .sort_values("run", kind="stable")
        .reset_index(drop=True),
        problems=pd.concat([first.problems, later.problems], ignore_index=True),
        questions=pd.concat([first.questions, later.questions], ignore_index=True),
        answers={**first.answers, **later.answers},
        remarks=remarks,
        failed=failed,
        failed_reasons={r: w for r, w in {**first.failed_reasons, **later.failed_reasons}.items() if r in failed},
        order={**first.order, **later.order},
        as_made=made,
        covariates=later.covariates.combine_first(first.covariates),
        made_at={**first.made_at, **later.made_at},
        constants={**first.constants, **later.constants},
        weighed=pd.concat([first.weighed, later.weighed], ignore_index=True).drop_duplicates(ignore_index=True),
        entries=pd.concat([first.entries, later.entries], ignore_index=True).drop_duplicates(ignore_index=True),
    )
