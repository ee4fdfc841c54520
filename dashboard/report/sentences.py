"""What a report says in sentences; the words are those of the screens, save where a count is hidden."""

from __future__ import annotations

from dashboard.report.document import DIGITS
from dashboard.report.shown import Change, Comparison, Findings
from warehouse.disclosure import Policy
from warehouse.outcomes.definition import FAMILIES
from warehouse.plural import number_of
from warehouse.questions.shares import GroupRow
from warehouse.results import Estimate
from warehouse.words.shares import bounds_sentence, cases, level_name, percent, signed

CRUDE = (
    "As found: the groups were not alike at the start, and nothing evens that out here. A difference between them is"
    " an association, not the effect of an appliance, an age or an extraction."
)
NOT_HELD_ALIKE = "The comparison with what was recorded held alike is not shown."
NO_THRESHOLD = (
    "There is no agreed threshold in the literature. The share against the threshold and under other definitions"
    " shows how much the answer hangs on the one chosen."
)


def difference(comparison: Comparison) -> str:
    """The difference of two groups in a sentence; empty where it is not given."""
    found = comparison.difference
    if found is None or found.value is None or found.interval is None:
        return ""
    first, second = comparison.groups
    low, high = (signed(100 * end, digits=DIGITS) for end in (found.interval.low, found.interval.high))
    return (
        f"Crude difference, {second.label} less {first.label}: {signed(100 * found.value, digits=DIGITS)} percentage"
        f" points ({level_name(found.interval.level)} {low} to {high})."
    )


def changes(change: Change) -> str:
    """How far the cases moved."""
    lower, median, upper = (signed(one, digits=DIGITS) for one in change.quartiles)
    return (
        f"The middle case moved by {median} {change.unit} and half of the cases lie between {lower} and {upper}; the"
        f" mean is {mean(change.summary)}. Plus is worse."
    )


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
        return (
            "Made for the practice itself: every count is whole. Small counts can point to a person, so do not hand"
            " this on; a report made to leave the practice hides them."
        )
    return f"Made to leave the practice. {legend(found.policy)}"


def legend(policy: Policy) -> str:
    """What the words in place of counts mean."""
    return (
        f"“{policy.small_label}”: from 1 to {policy.minimum - 1} cases. “withheld”: hidden so that none of these can"
        " be worked out. 0: no case. A share is shown where both of its counts are, a mean where it rests on"
        f" {policy.mean_minimum} cases or more."
    )


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
    family = FAMILIES[found.definition.family]
    return (
        f"Under the {len(shares)} definitions of {family} that can be shown the share lies between"
        f" {percent(min(shares), digits=DIGITS)} and {percent(max(shares), digits=DIGITS)}."
    )


def limits(found: Findings) -> list[str]:
    """What the figures cannot tell, in short sentences, the weightiest first."""
    n_groups = sum(len(comparison.groups) for comparison in found.comparisons)
    listed = [
        _alike_limit(found),
        _missing_limit(found.overall),
        f"There is no agreed threshold. {other_definitions(found)}".strip(),
        f"Ordinary growth is allowed for by {found.growth_reference}; another reference moves the share.",
        found.change.error if found.change else "",
        "" if found.untreated else "There are no untreated children here to compare with.",
        f"{n_groups} groups are shown with an interval each, not corrected for their number." if n_groups else "",
        "Few cases make wide intervals: read the interval, not the point.",
    ]
    return [text for text in listed if text]


def _alike_limit(found: Findings) -> str:
    if any(comparison.adjusted for comparison in found.comparisons):
        return "Adjusting evens out only what was recorded: a difference that is left may have other reasons."
    return "The comparisons are crude: groups differed at the start, and a difference is not an effect."


def _missing_limit(group: GroupRow) -> str:
    if group.missing.value == 0:
        return ""
    if group.missing.value is None or group.if_none.value is None:
        return bounds_sentence(group)
    low, high = (percent(one.value, digits=DIGITS) for one in (group.if_none, group.if_all))
    return f"{cases(group.missing.value)} due are not known: they alone could make the share {low} or {high}."


def cautions(found: Findings) -> list[str]:
    """Cautions that go with single figures, each once."""
    texts = [caution.text for caution in found.overall.rate.warnings if caution.kind != "withheld"]
    for comparison in found.comparisons:
        texts += [
            f"{group.label}: {caution.text}"
            for group in comparison.groups
            for caution in group.rate.warnings
            if caution.kind != "withheld"
        ]
    return list(dict.fromkeys(texts))
