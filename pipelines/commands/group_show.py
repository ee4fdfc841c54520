"""Printing what a group gets to see."""

from collections.abc import Collection

from pipelines.commands.options import print_table, say, say_list
from warehouse.marts.grouping import GROUPINGS
from warehouse.plural import number_of
from warehouse.pooled.result import Figure, GroupPool, GroupResult, MeanPool, PracticeLine, SharePool
from warehouse.words.numbers import signed, signed_range
from warehouse.words.pooled import (
    hidden_sentence,
    mean_prediction_sentence,
    mean_words,
    note_text,
    overdispersion_sentence,
    prediction_sentence,
    spread_sentence,
)


def print_result(result: GroupResult, *, mine: Collection[str] = ()) -> None:
    """Print a result; lines whose tag is in ``mine`` are marked."""
    say(f"{result.name}: result number {result.number} of {result.made_on}, agreement version {result.version}")
    say(f"  growth: {result.growth}")
    for shares in result.shares:
        print_shares(shares, mine=mine)
    for means in result.means:
        print_means(means, mine=mine)
    for breakdown in result.breakdowns:
        print_groups(breakdown)
    say("")
    say_list(result.notes)


def print_shares(shares: SharePool, *, mine: Collection[str] = ()) -> None:
    say("")
    say(f"Share adverse over {number_of(shares.practices, 'practice')} — {shares.definition}")
    say(f"  adverse: {shares.sentence}")
    if shares.refused:
        say(f"  {shares.refused}")
    else:
        if shares.totals:
            say("  " + "; ".join(f"{name} {shown}" for name, shown in shares.totals))
        columns = ("practice", "counted", "adverse", "share", "interval", "adjusted for small numbers", "funnel")
        print_table("", columns, [_line(one, mine) for one in shares.lines], right=range(1, 6))
        print_table("", ("pooled share", "share", "interval"), [_figure(one) for one in shares.figures], right=(1, 2))
        _print_spread(shares)
    say_list(map(note_text, shares.notes))


def _line(line: PracticeLine, mine: Collection[str]) -> tuple[str, ...]:
    name = _named(line.label, line.tag, mine)
    interval = f"{line.low:.1%} to {line.high:.1%}"
    if line.share is None:
        return (name, line.counted, line.adverse, "hidden", f"from {interval}", "—", "—")
    drawn = "—" if line.pooled_share is None else f"{line.pooled_share:.1%}"
    return (name, line.counted, line.adverse, f"{line.share:.1%}", interval, drawn, line.position_spread)


def _named(label: str, tag: str, mine: Collection[str]) -> str:
    return f"{label}\n<- you" if tag in mine else label


def _figure(figure: Figure) -> tuple[str, ...]:
    if figure.value is None or figure.low is None or figure.high is None:
        return (figure.name, "none", "; ".join(map(note_text, figure.notes)) or "—")
    return (figure.name, f"{figure.value:.1%}", f"{figure.low:.1%} to {figure.high:.1%}")


def _print_spread(shares: SharePool) -> None:
    spread = shares.spread
    told = (
        prediction_sentence(shares),
        spread_sentence(shares),
        "" if spread is None else f"tau² {spread.tau2:.3f} ({spread.tau2_low:.3f} to {spread.tau2_high:.3f})",
        overdispersion_sentence(shares),
        hidden_sentence(shares),
    )
    say_list(filter(None, told))


def print_means(means: MeanPool, *, mine: Collection[str] = ()) -> None:
    say("")
    say(f"Mean change over {number_of(means.practices, 'practice')} — {means.outcome}")
    say(f"  {means.about}, in {means.unit}")
    if means.refused:
        say(f"  {means.refused}")
    else:
        rows = [
            (
                _named(one.label, one.tag, mine),
                f"{one.n:,}",
                signed(one.mean, digits=2),
                signed_range(one.low, one.high),
            )
            for one in means.lines
        ]
        print_table("", ("practice", "cases", "mean", "interval"), rows, right=range(1, 4))
        by_method = [(one.name, *mean_words(one)) for one in means.figures]
        print_table("", ("pooled mean", "mean", "interval"), by_method, right=(1, 2))
        say_list(filter(None, (mean_prediction_sentence(means), spread_sentence(means))))
    say_list(map(note_text, means.notes))


def print_groups(breakdown: GroupPool) -> None:
    say("")
    title = GROUPINGS[breakdown.by].title.lower() if breakdown.by in GROUPINGS else breakdown.by
    say(f"Share adverse by {title} — {breakdown.outcome}, {number_of(breakdown.practices, 'practice')}")
    if breakdown.refused:
        say(f"  {breakdown.refused}")
    else:
        against = f"against {breakdown.reference}"
        columns = ("group", "counted", "adverse", "share", "interval", f"risk ratio {against}", "adjusted odds ratio")
        rows = [
            (row.label, row.counted, row.adverse, *_figure(row.share)[1:], _ratio(row.ratio), _ratio(row.adjusted))
            for row in breakdown.rows
        ]
        print_table("", columns, rows, right=range(1, 7))
    if breakdown.adjusted_for:
        names = ", ".join(breakdown.adjusted_for).replace("_", " ")
        say(f"  adjusted for {names}, in {number_of(breakdown.adjusted_practices, 'practice')}")
    say_list(map(note_text, breakdown.notes))


def _ratio(figure: Figure | None) -> str:
    if figure is None or figure.value is None or figure.low is None or figure.high is None:
        return "—"
    return f"{figure.value:.2f} ({figure.low:.2f} to {figure.high:.2f})"
