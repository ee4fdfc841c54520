"""``menton repeats``: how exact the readings are, and which records to read again."""

import argparse
import secrets
import sys

import numpy as np

from pipelines.commands.options import print_table, reading, say, say_json
from pipelines.ingest.own_numbers import own_numbers
from pipelines.template.tables_out import write_table
from warehouse.analysis.method_error import HELD_WITH_HEAVY_TAILS
from warehouse.marts.reader import Reader
from warehouse.repeats.repeat_plan import ADVISED, RepeatPlan, plan_repeats
from warehouse.repeats.repeats import Repeatability, Repeated, repeatability, repeatability_as_data
from warehouse.results import Estimate
from warehouse.words.sentences import caution_text
from warehouse.words.sentences import say as say_text

_SHOWN_FORM = "ICC(2,1)"


def run(args: argparse.Namespace) -> int:
    return _plan(args) if args.plan is not None else _compare(args)


def _compare(args: argparse.Namespace) -> int:
    with reading(args) as reader:
        reader.refuse_unknown({"practice": (args.practice,)} if args.practice else {})
        found = repeatability(reader, practice=args.practice, measure=args.measure, level=args.level)
    if args.json:
        say_json(repeatability_as_data(found))
    else:
        _print(found, detailed=args.measure is not None, examiners=args.examiners or args.measure is not None)
    return 0


def _print(found: Repeatability, *, detailed: bool, examiners: bool) -> None:
    if not (found.within or found.taken_again or found.between):
        say("No records were read twice, so nothing is known of the error of the readings.")
        say("Draw some to read again: menton repeats --plan 25")
        return
    shown, taken = (
        [one for one in rows if examiners or one.examiner == "all"] for rows in (found.within, found.taken_again)
    )
    _print_rows("The same examiner twice: first less second reading", shown)
    if taken:
        _print_rows("Another film or photograph of the same time (repeat_no 21): first less second", taken)
        say("  What taking another record adds is in this error, so it is the one in use from 10 records on.")
    if examiners:
        _print_rows("Two examiners: the first named less the second", list(found.between))
    for what, classed in (("vertical type: weighted", found.types), ("adverse, yes or no:", found.adverse)):
        for practice, examiner, agreed in classed:
            if examiners or examiner == "all":
                say(f"  as read twice, {practice}, {examiner}, {what} kappa {_told(agreed)}, {agreed.n} records")
    if detailed:
        for one in (*shown, *found.between):
            _print_forms(one)
    few = sorted({one.error.dahlberg.n for one in shown if one.n < ADVISED})
    if few:
        say(f"  Some rest on fewer than {ADVISED} records, which says little: see `menton repeats --plan`.")
    say("  error: Dahlberg's error of one reading. bias: mean difference (its paired t test: --measure CODE).")
    say(f"  {_SHOWN_FORM}: for single readings of any examiner; all six forms with --measure CODE or --json.")
    say("  limits: of agreement, where 95% of differences lie. MDC95: least change beyond error, 2.77 x error.")
    say("  Lengths of films are compared as on the film.")
    say(f"  {say_text('error.heavy_tails', held=HELD_WITH_HEAVY_TAILS)}")


def _print_rows(title: str, rows: list[Repeated]) -> None:
    if not rows:
        say(f"{title}: no records.")
        return
    columns = ["practice", "measure", "examiner", "n", "error", "bias", _SHOWN_FORM, "limits", "MDC95"]
    cells = [
        [
            one.practice,
            one.measure,
            one.examiner,
            str(one.n),
            _number(one.error.dahlberg.value),
            _number(one.error.bias.value, signed=True),
            _number(one.correlation.forms[_SHOWN_FORM].value),
            f"{_number(one.agreement.lower.value, signed=True)} to {_number(one.agreement.upper.value, signed=True)}",
            _number(one.error.mdc),
        ]
        for one in rows
    ]
    print_table(title, columns, cells, right=range(3, 9))


def _print_forms(one: Repeated) -> None:
    say(f"{one.practice}, {one.label} ({one.unit}), {one.examiner}: {one.n} records")
    for name, estimate in (
        ("error of one reading (Dahlberg)", one.error.dahlberg),
        ("error free of bias", one.error.random),
        ("bias", one.error.bias),
        ("lower limit of agreement", one.agreement.lower),
        ("upper limit of agreement", one.agreement.upper),
        *one.correlation.forms.items(),
    ):
        say(f"  {name:34} {_told(estimate)}")


def _told(estimate: Estimate) -> str:
    if estimate.value is None:
        return "; ".join(caution_text(caution) for caution in estimate.warnings) or "not known"
    interval = estimate.interval
    if interval is None:
        return f"{estimate.value:.3f}, no interval"
    return f"{estimate.value:.3f} ({100 * interval.level:g}% interval {interval.low:.3f} to {interval.high:.3f})"


def _number(value: float | None, *, signed: bool = False) -> str:
    if value is None:
        return "not known"
    return f"{value:+.2f}" if signed else f"{value:.2f}"


def _plan(args: argparse.Namespace) -> int:
    seed = args.seed if args.seed is not None else secrets.randbelow(2**32)
    rng = np.random.default_rng(seed)
    with reading(args) as reader:
        plan = plan_repeats(reader, n=args.plan, rng=rng, practice=args.practice, weeks=args.weeks)
        _write_plan(plan, args, reader)
    where = f" and written to {args.out}" if args.out else ""
    _tell(f"{plan.frame.height} of {plan.n_eligible} records drawn{where} (seed {seed}).", args)
    for remark in plan.remarks:
        _tell(remark, args)
    _tell(
        f"Read them in this order, {plan.weeks:g} weeks or more after the first reading, without sight of the first"
        " values; hand the values over with repeat_no 2 under the examiner who read them first.",
        args,
    )
    return 0


def _write_plan(plan: RepeatPlan, args: argparse.Namespace, reader: Reader) -> None:
    frame = plan.frame
    if args.cases:
        practice = str(frame["practice"][0]) if frame.height else ""
        numbers = own_numbers(args.cases, warehouse=args.warehouse, reader=reader, mapping=args.mapping,
                              key_file=args.key_file, practice=practice)  # fmt: skip
        frame = frame.join(numbers, on="case_key", how="left", maintain_order="left")
    if args.out:
        write_table(frame, args.out)
    else:
        say(frame.write_csv().rstrip("\n"))


def _tell(line: str, args: argparse.Namespace) -> None:
    """Beside a list on standard output, words go to standard error."""
    say(line, to=sys.stdout if args.out else sys.stderr)
