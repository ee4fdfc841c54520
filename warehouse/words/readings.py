"""What repeated readings and single cases' changes say."""

from warehouse.cases.case_dots import CaseDots
from warehouse.repeats.repeats import Repeats
from warehouse.words.sentences import say


def agreement_alt(repeats: Repeats) -> str:
    """What the picture of two readings of each record shows, in words."""
    found = repeats.agreement
    bias, lower, upper = found.bias.value, found.lower.value, found.upper.value
    if bias is None:
        return say("readings.none_twice", label=repeats.label)
    if lower is None or upper is None:
        return say("readings.one_twice", label=repeats.label, gap=abs(bias), unit=repeats.unit)
    numbers = {"bias": bias, "lower": lower, "upper": upper, "unit": repeats.unit, "records": found.n}
    return say("readings.agreement", label=repeats.label, **numbers)


def agreement_sentence(repeats: Repeats) -> str:
    """The one thing to remember of it."""
    found = repeats.agreement
    if found.lower.value is None or found.upper.value is None:
        return agreement_alt(repeats)
    furthest = max(abs(found.lower.value), abs(found.upper.value))
    return say("readings.within", furthest=furthest, unit=repeats.unit)


def line_sentence(dots: CaseDots) -> str:
    """What the line and the band about it mean."""
    is_expected = dots.part.basis == "growth_adjusted" and dots.expected is not None
    what = say("dots.line_expected" if is_expected else "dots.line_no_change", expected=dots.expected, unit=dots.unit)
    key = "dots.error_not_known" if dots.band.mdc95 is None else "dots.error_band"
    return say(key, what=what, mdc95=dots.band.mdc95, unit=dots.unit)
