"""``menton results``: teeth, face type and relapse of the cases, beside the face outcomes of ``menton rate``."""

import argparse

import polars as pl

from pipelines.commands.options import print_table, reading, say, say_end, say_json, selection_from
from warehouse.cases.case_results import case_results
from warehouse.cases.occlusal_results import OcclusalResults, occlusal_results
from warehouse.cases.relapse import Relapse, relapse
from warehouse.measures.published_bands import FACIAL_INDEX_CLASSES, LITTLE_ABOVE, LITTLE_BANDS, NOSE_TIP_SOURCE
from warehouse.results import Estimate

_CLASSES = (
    ("Facial index at start, scale for the sex", "facial_index_class_start"),
    ("Facial index at finish, scale for the sex", "facial_index_class_finish"),
    ("Lower front crowding at start (Little)", "irregularity_class_start"),
    ("Lower front crowding at finish (Little)", "irregularity_class_finish"),
    ("Lower front crowding at follow-up (Little)", "irregularity_class_follow_up"),
    ("Treatment need by overjet at start", "iotn_overjet_grade_start"),
    ("Nose tip to upper incisor at finish, against its limit", "nose_tip_unfavourable_by_rule_of_thumb_finish"),
)


def run(args: argparse.Namespace) -> None:
    selection = selection_from(args)
    with reading(args) as reader:
        teeth = occlusal_results(reader, selection=selection, level=args.level)
        after = relapse(reader, selection=selection, level=args.level)
        condition, values = selection.where()
        cases = reader.connection.frame(f"select case_no from mart_cases where {condition}", values)
        classes = _classes(case_results(reader).join(cases, on="case_no", how="semi"))
        build = reader.snapshot.build_id
    if args.json:
        say_json({"build": build, "cases": selection, "teeth": teeth, "classes": classes, "relapse": after})
    else:
        say(f"  cases: {selection.sentence()}; build {build}")
        _print(teeth, classes, after)


def _classes(frame: pl.DataFrame) -> dict[str, dict[str, int]]:
    """Column -> class -> cases, classes from mild to marked, others by name."""
    order = [*FACIAL_INDEX_CLASSES, *(name for _, name in LITTLE_BANDS), LITTLE_ABOVE]
    found = {}
    for _, column in _CLASSES:
        counts = dict(frame[column].drop_nulls().cast(str).value_counts().iter_rows())
        ranked = sorted(counts, key=lambda one: (order.index(one) if one in order else 0, one))
        found[column] = {one: counts[one] for one in ranked}
    return found


def _print(teeth: OcclusalResults, classes: dict[str, dict[str, int]], after: tuple[Relapse, ...]) -> None:
    rows = [[name, str(teeth.counts[name]), _share(estimate)] for name, estimate in teeth.shares.items()]
    print_table("Teeth: improvement by the weighted PAR score (UK weights)", ["", "cases", "share"], rows, right=[1, 2])
    say(f"  mean reduction: {_mean(teeth.reduction, ' %')} of the start; {teeth.points.n} cases scored at both times")
    say("  improved: a fall of 30 % or more; greatly improved: of 22 points or more as well.")
    for title, column in _CLASSES:
        if classes[column]:
            named = {"true": "above", "false": "not above"}
            listed = ", ".join(f"{named.get(one, one)}: {n}" for one, n in classes[column].items())
            say(f"  {title} — {listed}")
    say(f"  The nose-tip distance is {NOSE_TIP_SOURCE}: 42 mm, of children as far above the guide of their age.")
    columns = ["measure", "cases", "months", "start to finish", "finish to follow-up", "less ordinary growth"]
    rows = [
        [
            one.label,
            str(one.change.n),
            "—" if one.months is None else f"{one.months:.0f}",
            _mean(one.gained, f" {one.unit}", signed=True),
            _mean(one.change, "", signed=True),
            _mean(one.adjusted, "", signed=True) if one.adjusted.n else "no expectation",
        ]
        for one in after
    ]
    if rows:
        print_table("Relapse: mean change after the finish, with interval", columns, rows, right=[1, 2, 3, 4, 5])
        say("  Cases with follow-up records only: who comes back may differ from who does not.")
    else:
        say("  Relapse: no case has a measure at finish and at follow-up.")
    say_end()


def _share(estimate: Estimate) -> str:
    if estimate.value is None or estimate.interval is None:
        return "none scored"
    return f"{estimate.value:.1%} ({estimate.interval.low:.1%} to {estimate.interval.high:.1%})"


def _mean(estimate: Estimate, unit: str, *, signed: bool = False) -> str:
    if estimate.value is None:
        return "not known"
    value = f"{estimate.value:+.2f}" if signed else f"{estimate.value:.1f}"
    if estimate.interval is None:
        return f"{value}{unit}"
    low, high = estimate.interval.low, estimate.interval.high
    return f"{value}{unit} ({low:+.2f} to {high:+.2f})" if signed else f"{value}{unit} ({low:.1f} to {high:.1f})"
