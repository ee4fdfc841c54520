"""What a group's figures say, in sentences that can be said aloud."""

from __future__ import annotations

from typing import TYPE_CHECKING

from warehouse.words.shares import cases, percent, signed

if TYPE_CHECKING:
    from warehouse.pooled.result import Figure, MeanLine, MeanPool, PracticeLine, SharePool, Spread

ORDER = "Practices stand in order of size, the largest first, and not by result: this is no ranking."
_FEW = 10
_P = 0.05


def span(low: float, high: float) -> str:
    """Two ends of a range of shares."""
    return f"{percent(low)} to {percent(high)}"


def pooled_sentence(found: SharePool) -> str:
    """The pooled share, or why there is none."""
    if found.refused:
        return found.refused
    first = found.figures[0]
    n = sum(one.n for one in found.lines)
    if first.value is None or first.low is None or first.high is None:
        return f"The {found.practices} practices give no common share. {' '.join(first.notes)}".strip()
    return (
        f"Over {found.practices} practices with {cases(n)} counted, {percent(first.value)} went adverse on average"
        f" ({100 * first.level:g}% interval {span(first.low, first.high)})."
    )


def prediction_sentence(found: SharePool) -> str:
    """Where a further practice would be expected."""
    if found.prediction_low is None or found.prediction_high is None:
        return ""
    level = found.figures[0].level if found.figures else 0.95
    return (
        "In a further practice like these a share between"
        f" {percent(found.prediction_low)} and {percent(found.prediction_high)} is to be expected"
        f" ({100 * level:g}% prediction interval, t on k − 1)."
    )


def spread_sentence(found: SharePool) -> str:
    """Whether practices differ beyond chance."""
    return _spread(found.spread, found.practices)


def mean_spread_sentence(found: MeanPool) -> str:
    """Whether the means of practices differ beyond chance."""
    return _spread(found.spread, found.practices)


def _spread(spread: Spread | None, practices: int) -> str:
    if spread is None:
        return ""
    figures = f"(Q {spread.q:.1f} on {spread.df} df, p {_p(spread.p_value)}; I² {100 * spread.i2:.0f}%)"
    if spread.p_value < _P:
        return f"The practices differ more than chance explains {figures}. Why, these figures cannot say."
    few = " With so few practices real differences are easily missed." if practices < _FEW else ""
    if spread.q <= spread.df:
        return f"The practices differ no more than chance alone would make them {figures}.{few}"
    return f"The practices differ somewhat, and chance could explain it {figures}.{few}"


def _p(value: float) -> str:
    return "below 0.001" if value < 0.001 else f"{value:.3f}"


def line_sentence(line: PracticeLine) -> str:
    """One practice's own line, in the second person."""
    if line.share is None:
        return (
            f"Your practice: {line.adverse} of {line.counted} counted cases went adverse. Nobody is shown more;"
            f" the share lies from {span(line.low, line.high)}."
        )
    own = (
        f"Your practice: {line.adverse} of {line.counted} counted cases went adverse, {percent(line.share)}"
        f" ({span(line.low, line.high)})."
    )
    if line.pooled_share is None or line.pooled_low is None or line.pooled_high is None:
        return own
    return (
        f"{own} Drawn towards what the practices have in common, as far as its size leaves room:"
        f" {percent(line.pooled_share)} ({span(line.pooled_low, line.pooled_high)})."
    )


def place_sentence(line: PracticeLine) -> str:
    """Where one's own practice lies in the funnel."""
    if not line.position:
        return "Your practice is not in this picture, because its count is hidden."
    if line.position == line.position_spread:
        return f"Your practice lies {line.position}, with and without allowing for the spread between practices."
    return (
        f"Your practice lies {line.position} for chance alone; allowing for the spread between practices,"
        f" {line.position_spread}."
    )


def funnel_sentence(found: SharePool) -> str:
    """How many practices lie outside which limits; how many chance alone would put there."""
    drawn = [one for one in found.lines if one.position]
    if not drawn or found.target is None:
        return (
            "No funnel can be drawn: no practice shows both of its counts, or there is no share to hold them against."
        )
    n, by_chance = len(drawn), 0.05 * len(drawn)
    return (
        f"Held against {percent(found.target)}, {_outside([one.position for one in drawn])} of chance alone; chance"
        f" itself would put about {by_chance:.1f} of {n} beyond the 95% limits. Allowing for the spread between"
        f" practices, {_outside([one.position_spread for one in drawn])}."
    )


def _outside(positions: list[str]) -> str:
    listed = [
        f"{n} of {len(positions)} beyond the {name} limits"
        for name in ("95%", "99.8%")
        if (n := sum(name in one for one in positions))
    ]
    return " and ".join(listed) or "none lies outside the limits"


def overdispersion_sentence(found: SharePool) -> str:
    """The funnel's over-dispersion factor in words."""
    phi = found.spread.phi if found.spread else None
    if phi is None:
        return ""
    if phi <= 1:
        return "The practices vary no more than chance alone would make them (over-dispersion factor up to 1)."
    return f"The practices vary {phi:.1f} times as much as chance alone would make them (over-dispersion factor)."


def hidden_sentence(found: SharePool) -> str:
    """What the hidden counts could do to the pooled share."""
    if found.if_lowest is None or found.if_highest is None:
        return ""
    return (
        "Counts that are hidden enter at what is expected of them. With all of them at their least the pooled share"
        f" would be {percent(found.if_lowest)}, at their most {percent(found.if_highest)}."
    )


def figure_words(figure: Figure) -> str:
    """A share with its interval."""
    if figure.value is None or figure.low is None or figure.high is None:
        return "; ".join(figure.notes) or "none"
    return f"{percent(figure.value)} ({span(figure.low, figure.high)})"


def signed_range(low: float, high: float) -> str:
    """Two ends of a range of changes."""
    return f"{signed(low, digits=2)} to {signed(high, digits=2)}"


def mean_words(figure: Figure) -> tuple[str, str]:
    """A mean change and its interval."""
    if figure.value is None or figure.low is None or figure.high is None:
        return "none", "; ".join(figure.notes) or "no interval"
    return signed(figure.value, digits=2), signed_range(figure.low, figure.high)


def mean_of_line(line: MeanLine) -> tuple[str, str]:
    """The mean change of one practice and its interval."""
    return signed(line.mean, digits=2), signed_range(line.low, line.high)


def mean_sentence(found: MeanPool) -> str:
    """The pooled mean change, or why there is none."""
    if found.refused:
        return found.refused
    first = found.figures[0]
    value, interval = mean_words(first)
    if first.value is None:
        return f"The {found.practices} practices give no common mean. {interval}"
    return (
        f"Over {found.practices} practices the mean change is {value} {found.unit}"
        f" ({100 * first.level:g}% interval {interval})."
    )


def mean_prediction_sentence(found: MeanPool) -> str:
    """Where the mean of a further practice would be expected."""
    if found.prediction_low is None or found.prediction_high is None:
        return ""
    level = found.figures[0].level if found.figures else 0.95
    return (
        "In a further practice like these a mean of"
        f" {signed_range(found.prediction_low, found.prediction_high)} {found.unit} is to be expected"
        f" ({100 * level:g}% prediction interval, t on k − 1)."
    )
