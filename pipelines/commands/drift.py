"""``menton drift``: is the share adverse drifting in one practice?"""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipelines.commands.options import encryption_key, print_table, say
from pipelines.commands.options_compare import add_asked, say_head, say_json, say_list
from warehouse.words.sentences import caution_text
from warehouse.words.sentences import say as say_text

if TYPE_CHECKING:
    import argparse

    from warehouse.analysis.control_charts import ChartPoint
    from warehouse.analysis.drift import CusumPath, Review
    from warehouse.questions.drift import DriftPicture


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = subparsers.add_parser("drift", help="is the share adverse drifting in one practice?")
    add_asked(parser)
    parser.add_argument("--practice", metavar="PSEUDONYM", help="which practice, where the warehouse holds several")
    parser.add_argument(
        "--usual", type=float, metavar="SHARE", help="share taken as usual, such as 0.08, fixed beforehand"
    )
    parser.add_argument(
        "--notice", type=float, metavar="SHARE", help="share that should be noticed (default: odds doubled)"
    )
    parser.add_argument(
        "--false-alarm",
        type=float,
        default=500.0,
        metavar="N",
        help="cases until a false alarm, on average (default 500)",
    )
    parser.add_argument(
        "--baseline", type=int, default=40, metavar="N", help="first cases to take the usual share from"
    )
    parser.add_argument("--review-every", type=int, default=25, metavar="N", help="cases between planned reviews")
    parser.add_argument("--period", choices=("quarter", "year"), help="period of start of the p-chart")
    parser.add_argument("--seed", type=int, default=1, help="seed of the simulated run lengths (default 1)")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Print the charts."""
    import numpy as np

    from pipelines.commands.rate import selection_from
    from warehouse.marts.reader import Reader
    from warehouse.questions.drift import DriftAsked, drift_picture

    if args.practice:
        args.only = [*args.only, f"practice={args.practice}"]
    asked = DriftAsked(
        in_control=args.usual,
        out_of_control=args.notice,
        false_alarm=args.false_alarm,
        baseline=args.baseline,
        review_every=args.review_every,
        period=args.period,
    )
    with Reader.open(args.warehouse, key=encryption_key(args)) as reader:
        found = drift_picture(
            reader,
            rng=np.random.default_rng(args.seed),
            selection=selection_from(args),
            definition=args.definition,
            asked=asked,
        )
    if args.json:
        say_json(found, sentences=sentences(found))
    else:
        _print(found)
    return 0


def sentences(found: DriftPicture) -> list[str]:
    """What the charts say, in words."""
    from warehouse.words.drift import drift_sentences

    return drift_sentences(found)


def _print(found: DriftPicture) -> None:
    say_head(
        f"Drift in {found.practice or 'no practice'}",
        found.definition,
        growth=found.growth_reference,
        selection=found.selection,
        build=found.build,
    )
    say_list(sentences(found))
    if found.path is not None:
        columns = ("review after", "adverse", "expected", "sum", "limit", "signals since the last review")
        rows = [_review(one, found.path) for one in found.reviews]
        print_table("Planned reviews", columns, rows, right=range(5))
    if found.periods.points:
        rows = [_period(point) for point in found.periods.points]
        print_table(found.periods.method, ("started", "counted", "share", "limits", ""), rows, right=range(1, 4))
    say_list([caution_text(caution) for caution in found.cautions])
    say(f"  {say_text('audit.short')}")


def _review(review: Review, path: CusumPath) -> tuple[str, ...]:
    if review.adverse is None or review.expected is None or review.value is None:
        return (f"{review.case_number} cases", "—", "—", "—", f"{path.plan.limit:.2f}", "still ahead")
    signals = ", ".join(f"case {number}" for number in review.signals) or "none"
    expected, value = f"{review.expected:.1f}", f"{review.value:.2f}"
    return (f"{review.case_number} cases", str(review.adverse), expected, value, f"{path.plan.limit:.2f}", signals)


def _period(point: ChartPoint) -> tuple[str, ...]:
    share = "none counted" if point.value is None else f"{point.value:.1%}"
    return (
        point.label,
        str(point.n),
        share,
        f"{point.low:.1%} to {point.high:.1%}",
        "outside" if point.outside else "",
    )
