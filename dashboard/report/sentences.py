"""What a report says in sentences; the words are those of the screens, save where a count is hidden."""

from dashboard.report.document import DIGITS
from dashboard.report.shown import Change, Comparison, Findings
from warehouse.disclosure import Policy
from warehouse.plural import number_of
from warehouse.questions.shares import GroupRow
from warehouse.results import Estimate
from warehouse.words.numbers import level_name, signed
from warehouse.words.sentences import caution_text, say
from warehouse.words.shares import bounds_sentence

CRUDE = say("report.crude")
NOT_HELD_ALIKE = say("report.not_adjusted")
NO_THRESHOLD = say("report.no_threshold")


def difference(comparison: Comparison) -> str:
    """The difference of two groups in a sentence; empty where it is not given."""
    found = comparison.difference
    if found is None or found.value is None or found.interval is None:
        return ""
    first, second = comparison.groups
    return say("report.difference", first=first, second=second, difference=found)


def changes(change: Change) -> str:
    """How far the cases moved."""
    lower, median, upper = change.quartiles
    said = mean(change.summary)
    return say("report.changes", lower=lower, median=median, upper=upper, unit=change.unit, mean=said)


def mean(estimate: Estimate) -> str:
    """A mean change with its interval."""
    if estimate.value is None:
        return "not known"
    value = signed(estimate.value, digits=DIGITS)
    if estimate.interval is None:
        return value
    low, high = (signed(end, digits=DIGITS) for end in (estimate.interval.low, estimate.interval.high))
    return f"{value} ({level_name(estimate.interval.level)} {low} to {high})"


def made_for(found: Findings) -> str:
    """Whom the report is for, and what that means for its counts."""
    if found.policy.hides_nothing:
        return say("report.for_the_practice")
    before = found.coming is not None and found.coming.past.places
    legends = [legend(found.policy), *([say("report.checked_before")] if before else [])]
    return say("report.to_leave", legend=" ".join(legends))


def legend(policy: Policy) -> str:
    """What the words in place of counts mean."""
    most = policy.minimum - 1
    return say("report.legend", small=policy.small_label, most=most, mean_minimum=policy.mean_minimum)


def practices(found: Findings) -> str:
    """The practices, by name where they may be named."""
    number = number_of(found.n_practices, "practice")
    return f"{number}: {', '.join(found.practices)}" if found.practices else f"{number}, not named"


def other_definitions(found: Findings) -> str:
    """The range of shares under the definitions of the headline's family."""
    groups = [found.overall, *(group for _, group in found.family)]
    shares = [group.rate.value for group in groups if group.rate.value is not None]
    if len(shares) < 2:
        return ""
    family, low, high = found.definition.family, min(shares), max(shares)
    return say("report.other_definitions", definitions=len(shares), family=family, low=low, high=high)


def limits(found: Findings) -> list[str]:
    """What the figures cannot tell, in short sentences, the weightiest first."""
    n_groups = sum(len(comparison.groups) for comparison in found.comparisons)
    listed = [
        _alike_limit(found),
        _missing_limit(found.overall),
        say("limit.threshold", others=other_definitions(found)).strip(),
        say("limit.growth", growth=found.growth_reference),
        found.change.error if found.change else "",
        "" if found.untreated else say("limit.no_untreated"),
        say("limit.groups", groups=n_groups) if n_groups else "",
        say("limit.few_cases"),
    ]
    return [text for text in listed if text]


def _alike_limit(found: Findings) -> str:
    if any(comparison.adjusted for comparison in found.comparisons):
        return say("limit.adjusted")
    return say("limit.crude")


def _missing_limit(group: GroupRow) -> str:
    if group.unknown == 0:
        return ""
    if group.unknown is None or group.if_none.value is None:
        return bounds_sentence(group)
    return say("limit.missing", n=group.unknown, none=group.if_none.value, all=group.if_all.value)


def cautions(found: Findings) -> list[str]:
    """Cautions that go with single figures, each once."""
    texts = [caution_text(caution) for caution in found.overall.rate.warnings if caution.kind != "withheld"]
    for comparison in found.comparisons:
        texts += [
            f"{group.label}: {caution_text(caution)}"
            for group in comparison.groups
            for caution in group.rate.warnings
            if caution.kind != "withheld"
        ]
    return list(dict.fromkeys(texts))
