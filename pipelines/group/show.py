"""Printing what a group gets to see."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipelines.commands.options import print_table, say
from warehouse.grouping import GROUPINGS

if TYPE_CHECKING:
    from collections.abc import Collection

    from warehouse.pooled.result import Figure, GroupPool, GroupResult, Line, SharePool


def print_result(result: GroupResult, *, mine: Collection[str] = ()) -> None:
    """Print a result; lines whose tag is in ``mine`` are marked."""
    say(f"{result.name}: result number {result.number} of {result.made_on}, agreement version {result.version}")
    say(f"  growth: {result.growth}")
    for shares in result.shares:
        print_shares(shares, mine=mine)
    for breakdown in result.breakdowns:
        print_groups(breakdown)
    say("")
    for note in result.notes:
        say(f"  {note}")


def print_shares(shares: SharePool, *, mine: Collection[str] = ()) -> None:
    """Print the share adverse over the practices."""
    say("")
    say(f"Share adverse over {shares.practices} practices — {shares.definition}")
    say(f"  adverse: {shares.sentence}")
    if shares.refused:
        say(f"  {shares.refused}")
    else:
        if shares.totals:
            say("  " + "; ".join(f"{name} {shown}" for name, shown in shares.totals))
        columns = ("practice", "counted", "adverse", "share", "interval", "drawn to the others", "funnel")
        print_table("", columns, [_line(one, mine) for one in shares.lines], right=range(1, 6))
        print_table("", ("pooled share", "share", "interval"), [_figure(one) for one in shares.figures], right=(1, 2))
        _print_spread(shares)
    for note in shares.notes:
        say(f"  {note}")


def _line(line: Line, mine: Collection[str]) -> tuple[str, ...]:
    name = f"{line.label}  <- you" if line.tag in mine else line.label
    interval = f"{line.low:.1%} to {line.high:.1%}"
    if line.share is None:
        return (name, line.counted, line.adverse, "hidden", f"from {interval}", "—", "—")
    drawn = "—" if line.pooled_share is None else f"{line.pooled_share:.1%}"
    return (name, line.counted, line.adverse, f"{line.share:.1%}", interval, drawn, line.position_spread)


def _figure(figure: Figure) -> tuple[str, ...]:
    if figure.value is None or figure.low is None or figure.high is None:
        return (figure.name, "none", "; ".join(figure.notes) or "—")
    return (figure.name, f"{figure.value:.1%}", f"{figure.low:.1%} to {figure.high:.1%}")


def _print_spread(shares: SharePool) -> None:
    if shares.prediction_low is not None and shares.prediction_high is not None:
        say(f"  a further practice would lie between {shares.prediction_low:.1%} and {shares.prediction_high:.1%}")
    spread = shares.spread
    if spread is not None:
        say(
            f"  heterogeneity: Q {spread.q:.2f} on {spread.df} df, p {spread.p_value:.3f}; I² {spread.i2:.0%};"
            f" tau² {spread.tau2:.3f} ({spread.tau2_low:.3f} to {spread.tau2_high:.3f})"
        )
    if shares.if_lowest is not None and shares.if_highest is not None:
        say(f"  with hidden counts at their least {shares.if_lowest:.1%}, at their most {shares.if_highest:.1%}")


def print_groups(breakdown: GroupPool) -> None:
    """Print the shares by a variable."""
    say("")
    title = GROUPINGS[breakdown.by].title.lower() if breakdown.by in GROUPINGS else breakdown.by
    say(f"Share adverse by {title} — {breakdown.outcome}, {breakdown.practices} practices")
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
        say(f"  adjusted for {', '.join(breakdown.adjusted_for)}, in {breakdown.adjusted_practices} practices")
    for note in breakdown.notes:
        say(f"  {note}")


def _ratio(figure: Figure | None) -> str:
    if figure is None or figure.value is None or figure.low is None or figure.high is None:
        return "—"
    return f"{figure.value:.2f} ({figure.low:.2f} to {figure.high:.2f})"
