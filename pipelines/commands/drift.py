"""``menton drift``: is the share adverse drifting in one practice?"""

import argparse
from functools import partial

from pipelines.commands.options import print_table, question_from, reading, say_answer, say_end, say_head, say_list
from warehouse.analysis.control_charts import ChartPoint
from warehouse.analysis.drift import CusumPath, Review
from warehouse.questions.drift import DriftAsked, DriftPicture, drift_picture
from warehouse.words.drift import drift_sentences, latest_reviews


def run(args: argparse.Namespace) -> None:
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
    with reading(args) as reader:
        found = drift_picture(reader, question_from(args), asked=asked, seed=args.seed)
    said = drift_sentences(found)
    say_answer(args, found, partial(_print, said), sentences=said)


def _print(said: list[str], found: DriftPicture) -> None:
    say_head(f"Drift in {found.practice or 'no practice'}", found)
    say_list(said)
    if found.path is not None:
        columns = ("review after", "adverse", "expected", "sum", "limit", "signals since the last review")
        reviews, which = latest_reviews(found)
        print_table("Planned reviews", columns, [_review(one, found.path) for one in reviews], right=range(5))
        say_list([which] if which else [])
    if found.periods.points:
        rows = [_period(point) for point in found.periods.points]
        print_table(found.periods.method, ("started", "counted", "share", "limits", ""), rows, right=range(1, 4))
    say_end(cautions=found.cautions)


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
