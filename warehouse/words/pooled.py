"""What a group's figures say, in sentences that can be said aloud."""

from collections.abc import Callable, Collection
from typing import TypeAlias

from warehouse.pooled.result import Figure, GroupPool, MeanPool, PracticeLine, SharePool
from warehouse.results import Caution
from warehouse.words.numbers import between, percent, signed, signed_range
from warehouse.words.sentences import caution_text, say

ORDER, WORSE_ALONE = say("pooled.order"), say("pooled.worse_alone")
_FEW = 10
_P = 0.05


def note_text(note: Caution | str) -> str:
    """What a note of a group's result says; a file may hold a caution that this version has no words for."""
    if isinstance(note, str):
        return note
    try:
        return caution_text(note)
    except (KeyError, ValueError, TypeError, AttributeError):
        return say("pooled.unknown_note")


def pooled_sentence(found: SharePool) -> str:
    """The pooled share, or why there is none."""
    if found.refused:
        return found.refused
    first = found.figures[0]
    if first.value is None or first.low is None or first.high is None:
        return say("pooled.no_share", practices=found.practices, why=" ".join(map(note_text, first.notes))).strip()
    n = sum(one.n for one in found.lines) or first.n
    interval = between(first.low, first.high)
    key = "pooled.share" if found.lines else "pooled.share_of_sums"
    return say(key, practices=found.practices, n=n, share=first.value, level=first.level, interval=interval)


def prediction_sentence(found: SharePool) -> str:
    """Where a new practice would be expected."""
    if found.prediction_low is None or found.prediction_high is None:
        return ""
    level = found.figures[0].level if found.figures else 0.95
    return say("pooled.new_practice", low=found.prediction_low, high=found.prediction_high, level=100 * level)


def spread_sentence(found: SharePool | MeanPool) -> str:
    """Whether practices differ beyond chance."""
    spread, practices = found.spread, found.practices
    if spread is None:
        return ""
    figures = say("pooled.heterogeneity", q=spread.q, df=spread.df, p=spread.p_value, i2=spread.i2)
    if spread.p_value < _P:
        return say("pooled.differ", figures=figures)
    said = say("pooled.differ_by_chance" if spread.q <= spread.df else "pooled.differ_somewhat", figures=figures)
    return f"{said} {say('pooled.easily_missed')}" if practices < _FEW else said


def line_sentence(line: PracticeLine) -> str:
    """One practice's own line, in the second person."""
    interval = between(line.low, line.high)
    counts = {"adverse": line.adverse, "counted": line.counted, "interval": interval}
    if line.share is None:
        return say("pooled.own_hidden", **counts)
    own = say("pooled.own", share=line.share, **counts)
    if line.pooled_share is None or line.pooled_low is None or line.pooled_high is None:
        return own
    pooled = between(line.pooled_low, line.pooled_high)
    return f"{own} {say('pooled.own_adjusted', share=line.pooled_share, interval=pooled)}"


def place_sentence(line: PracticeLine) -> str:
    """Where one's own practice lies in the funnel."""
    key = "pooled.place_same" if line.position == line.position_spread else "pooled.place"
    return say(key if line.position else "pooled.place_hidden", where=line.position, with_spread=line.position_spread)


def funnel_sentence(found: SharePool) -> str:
    """How many practices lie outside which limits; how many chance alone would put there."""
    drawn = [one for one in found.lines if one.position]
    if not drawn or found.target is None:
        return say("pooled.no_funnel")
    return say(
        "pooled.funnel",
        target=found.target,
        outside=_outside([one.position for one in drawn]),
        by_chance=0.05 * len(drawn),
        drawn=len(drawn),
        with_spread=_outside([one.position_spread for one in drawn]),
    )


def _outside(positions: list[str]) -> str:
    listed = [
        say("pooled.beyond", beyond=n, drawn=len(positions), limits=name)
        for name in ("95%", "99.8%")
        if (n := sum(name in one for one in positions))
    ]
    return " and ".join(listed) or say("pooled.none_outside")


def overdispersion_sentence(found: SharePool) -> str:
    """The funnel's over-dispersion factor in words."""
    phi = found.spread.phi if found.spread else None
    if phi is None:
        return ""
    return say("pooled.overdispersed" if phi > 1 else "pooled.not_overdispersed", phi=phi)


def hidden_sentence(found: SharePool) -> str:
    """What the hidden counts could do to the pooled share."""
    if found.if_lowest is None or found.if_highest is None:
        return ""
    return say("pooled.hidden_counts", lowest=found.if_lowest, highest=found.if_highest)


Rows: TypeAlias = tuple[tuple[str, ...], list[tuple[str, ...]]]  # columns of a table, and its rows
NONE = "—"


def _named(label: str, tag: str, mine: Collection[str]) -> str:
    return f"{label}, yours" if tag in mine else label


def practice_rows(found: SharePool, mine: Collection[str]) -> Rows:
    """A row a practice, those whose tags are in ``mine`` marked."""
    columns = ("practice", "adverse of counted", "share (95% interval)", "adjusted for small numbers")
    rows: list[tuple[str, ...]] = []
    for line in found.lines:
        counts, ends = f"{line.adverse} of {line.counted}", between(line.low, line.high)
        drawn, place = NONE, line.position_spread or NONE
        if line.pooled_share is not None and line.pooled_low is not None and line.pooled_high is not None:
            drawn = f"{percent(line.pooled_share)} ({between(line.pooled_low, line.pooled_high)})"
        share = f"hidden, {ends}" if line.share is None else f"{percent(line.share)} ({ends})"
        expected = say("pooled.no_case_mix") if line.expected is None else percent(line.expected, digits=0)
        weight = percent(line.weight, digits=0)
        rows.append((_named(line.label, line.tag, mine), counts, share, drawn, expected, weight, place))
    return (*columns, "expected of its case mix", "weight in the mean", "funnel"), rows


def mean_rows(found: MeanPool, mine: Collection[str]) -> Rows:
    """A row a practice with its mean change."""
    columns = ("practice", "cases", f"mean change, {found.unit}", "95% interval")
    return columns, [
        (_named(one.label, one.tag, mine), f"{one.n:,}", signed(one.mean, digits=2), signed_range(one.low, one.high))
        for one in found.lines
    ]


def group_rows(found: GroupPool) -> Rows:
    """A row a group of a variable."""
    columns = ("group", "adverse of counted", "share (95% interval)", "risk ratio", "adjusted odds ratio")
    return columns, [
        (one.label, f"{one.adverse} of {one.counted}", figure_words(one.share), _ratio(one.ratio), _ratio(one.adjusted))
        for one in found.rows
    ]


def _ratio(figure: Figure | None) -> str:
    return NONE if figure is None else figure_words(figure, "{:.2f}".format, "{:.2f} to {:.2f}".format)


def trend_sentence(found: GroupPool) -> str:
    """How the share changed from year to year, over all practices."""
    trend = found.trend
    if trend is None or trend.value is None or trend.low is None or trend.high is None:
        return " ".join(map(note_text, trend.notes)) if trend else ""
    ends = signed_range(100 * trend.low, 100 * trend.high)
    return say("pooled.trend", change=signed(100 * trend.value, digits=2), ends=ends, n=trend.n)


def figure_words(
    figure: Figure, said: Callable[[float], str] = percent, ends: Callable[[float, float], str] = between
) -> str:
    """A share with its interval, or the least and the most that hidden counts allow; or why there is none.

    ``said`` and ``ends`` put another figure's value, and two ends, in words.
    """
    if figure.low is not None and figure.high is not None:
        reach = ends(figure.low, figure.high)
        if figure.value is not None:
            return f"{said(figure.value)} ({reach})"
        for one in figure.notes:
            match one:
                case Caution(code="hidden_counts_allow", numbers={"least": float(least), "most": float(most)}):
                    return f"{ends(least, most)} ({reach})"
    return "; ".join(map(note_text, figure.notes)) or "none"


def mean_words(figure: Figure) -> tuple[str, str]:
    """A mean change and its interval."""
    if figure.value is None or figure.low is None or figure.high is None:
        return "none", "; ".join(map(note_text, figure.notes)) or "no interval"
    return signed(figure.value, digits=2), signed_range(figure.low, figure.high)


def mean_sentence(found: MeanPool) -> str:
    """The pooled mean change, or why there is none."""
    if found.refused:
        return found.refused
    first = found.figures[0]
    value, interval = mean_words(first)
    key = "pooled.no_mean" if first.value is None else "pooled.mean"
    return say(key, practices=found.practices, value=value, unit=found.unit, level=first.level, interval=interval)


def mean_prediction_sentence(found: MeanPool) -> str:
    """Where the mean of a new practice would be expected."""
    if found.prediction_low is None or found.prediction_high is None:
        return ""
    level = found.figures[0].level if found.figures else 0.95
    interval = signed_range(found.prediction_low, found.prediction_high)
    return say("pooled.new_mean", interval=interval, unit=found.unit, level=100 * level)
