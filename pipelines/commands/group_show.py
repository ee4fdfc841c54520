"""Printing what a group gets to see."""

from collections.abc import Collection

from pipelines.commands.options import print_table, say, say_list
from warehouse.marts.grouping import GROUPINGS
from warehouse.plural import number_of
from warehouse.pooled.result import GroupPool, GroupResult, MeanPool, SharePool
from warehouse.words.pooled import (
    figure_words,
    group_rows,
    hidden_sentence,
    mean_prediction_sentence,
    mean_rows,
    mean_words,
    note_text,
    overdispersion_sentence,
    practice_rows,
    prediction_sentence,
    spread_sentence,
    trend_sentence,
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
        if shares.lines:
            print_table("", *practice_rows(shares, mine))
        print_table(
            "", ("pooled share", "share (95% interval)"), [(one.name, figure_words(one)) for one in shares.figures]
        )
        _print_spread(shares)
    say_list(map(note_text, shares.notes))


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
        print_table("", *mean_rows(means, mine), right=range(1, 4))
        rows = [(one.name, *mean_words(one)) for one in means.figures]
        print_table("", ("pooled mean", "mean", "interval"), rows, right=(1, 2))
        say_list(filter(None, (mean_prediction_sentence(means), spread_sentence(means))))
    say_list(map(note_text, means.notes))


def print_groups(breakdown: GroupPool) -> None:
    say("")
    title = GROUPINGS[breakdown.by].title.lower() if breakdown.by in GROUPINGS else breakdown.by
    say(f"Share adverse by {title} — {breakdown.outcome}, {number_of(breakdown.practices, 'practice')}")
    if breakdown.refused:
        say(f"  {breakdown.refused}")
    else:
        print_table("", *group_rows(breakdown))
        say(f"  ratios: against {breakdown.reference}")
    say_list(filter(None, [trend_sentence(breakdown)]))
    if breakdown.adjusted_for:
        names = ", ".join(breakdown.adjusted_for).replace("_", " ")
        say(f"  adjusted for {names}, in {number_of(breakdown.adjusted_practices, 'practice')}")
    say_list(map(note_text, breakdown.notes))
