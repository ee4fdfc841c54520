"""``menton plan``: audit plans on record; add one before results are looked at."""

import argparse

from pipelines.commands.options import published_again, reading, say, say_json, storing
from warehouse.marts.catalogues import in_force
from warehouse.plans.looks import LookRecord
from warehouse.plans.plan import RegisteredPlan, register_plan, registered_plans
from warehouse.plans.planned_or_explored import present_record
from warehouse.questions.methods import TITLES
from warehouse.questions.plan_file import EXAMPLE, load_plan
from warehouse.questions.shares import rates
from warehouse.words.numbers import and_list
from warehouse.words.sentences import say as say_text


def run(args: argparse.Namespace) -> None:
    if args.example:
        print(EXAMPLE)
        return
    if args.tried:
        _try(args)
        return
    if args.add:
        _add(args)
    with reading(args) as reader:
        plans, record = registered_plans(reader), present_record(reader)
    if args.json:
        _say_json(plans, record)
    else:
        _print(plans, record)


def _try(args: argparse.Namespace) -> None:
    """The cases counted of each group, and nothing of what became of them: that is no look at a result."""
    with reading(args) as reader:
        plan = load_plan(args.tried, definitions=reader.registry)
        found = rates(reader, definition=plan.outcomes[0], by=plan.by, selection=plan.cases)
        asked = {plan.first, plan.second} if plan.is_pair else {one.group for one in found.groups}
        listed = [f"{one.label} {one.counted.n:,}" for one in found.groups if one.group in asked]
        say(say_text("plan.tried", id=plan.id, groups="; ".join(listed), started=found.flow.stages[0].cases.n))


def _add(args: argparse.Namespace) -> None:
    with storing(args) as store:
        plan = load_plan(args.add, definitions=in_force(store).definitions)
        with store.transaction():
            is_new = register_plan(args.warehouse, store, plan)
        published_again(args, store)
    say(
        f"Plan {plan.id} is on record (digest {plan.sha256[:16]})."
        if is_new
        else f"Plan {plan.id} was on record already."
    )


def _say_json(plans: tuple[RegisteredPlan, ...], record: LookRecord) -> None:
    counts = {
        "comparisons": record.n_comparisons,
        "analyses": record.n_analyses,
        "looks": len(record.looks),
        "is_whole": record.is_whole,
    }
    say_json({"plans": plans, "record": counts})


def _print(plans: tuple[RegisteredPlan, ...], record: LookRecord) -> None:
    if not plans:
        say(
            "No audit plan is on record: no comparison was planned in advance."
            " `menton plan --example` shows a plan file."
        )
    for registered in plans:
        _print_plan(registered)
    n = record.n_comparisons
    say(f"{n:,} different comparison{'' if n == 1 else 's'} looked at so far, in {len(record.looks):,} looks.")
    if not record.is_whole:
        say("The record of looks was altered or shortened since it was begun.")


def _print_plan(registered: RegisteredPlan) -> None:
    plan = registered.plan
    who = (
        f"{plan.first} against {plan.second}"
        if plan.is_pair
        else f"every group against {plan.reference or 'the largest'}"
    )
    build = registered.build or "no build yet"
    say(f"{plan.id}  {plan.question}")
    say(f"    agreed {plan.date}; registered {registered.registered_at} at {build}; digest {registered.sha256[:16]}")
    say(f"    outcomes: {and_list(plan.outcomes)}; by {plan.by}: {who}")
    adjusted = f"; adjusted for {and_list(plan.adjust)}" if plan.adjust else ""
    say(f"    primary analysis: {TITLES[plan.primary]}{adjusted}")
    say(f"    cases: {plan.cases.sentence()}; subgroups: {and_list(plan.subgroups)}; corrected by {plan.correction}")
    before = registered.looks_before
    say(f"    looks made before it was registered: {before if before else 'none'}")
    say()
