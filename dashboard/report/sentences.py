"""What a report says in sentences; the words are those of the screens, save where a count is hidden."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dashboard.report.document import DIGITS
from warehouse.plural import number_of
from warehouse.words.numbers import cases, level_name, signed
from warehouse.words.sentences import caution_text, say
from warehouse.words.shares import frame_sentence, missing_sentence, share_sentence

if TYPE_CHECKING:
    from dashboard.report.findings import Change, Comparison, Findings, Group
    from warehouse.disclosure import Count, Policy
    from warehouse.results import Estimate

CRUDE = say("report.crude")
NOT_HELD_ALIKE = say("report.not_adjusted")
NO_THRESHOLD = say("report.no_threshold")


def answer(group: Group) -> str:
    """The share in a sentence, as far as it may be told."""
    if group.rate.value is not None and group.adverse.value is not None:
        return share_sentence(group.adverse.value, group.rate)
    if group.counted.value == 0:
        return share_sentence(0, group.rate)
    if group.counted.value is not None and group.adverse.state == "small":
        few = group.adverse.shown.capitalize()
        return say("share.few_adverse", few=few, n=group.counted.value)
    return say("share.hidden")


def frame(found: Findings) -> str:
    """The denominator in a sentence."""
    return frame_sentence(
        started=found.overall.started.value if found.overall.started else None,
        counted=found.overall.counted.value,
        turned_away=_cases_in(found.turned_away),
        selected=_cases_in(found.selected),
        not_due=_cases_in(found.not_due),
    )


def _cases_in(cell: Count) -> str:
    if cell.value is not None:
        return cases(cell.value) if cell.value else ""
    return f"{cell.shown} cases" if cell.state == "small" else "a number of cases that is not shown"


def missing(group: Group) -> str:
    """What the missing could do."""
    if group.missing is None or group.missing.value is None or group.if_none is None or group.if_all is None:
        return say("share.missing_hidden")
    return missing_sentence(group.missing.value, group.if_none, group.if_all)


def difference(comparison: Comparison) -> str:
    """The difference of two groups in a sentence; empty where it is not given."""
    found = comparison.difference
    if found is None or found.value is None or found.interval is None:
        return ""
    first, second = comparison.groups
    return say(
        "report.difference",
        first=first.label,
        second=second.label,
        difference=found.value,
        level=found.interval.level,
        interval=found.interval,
    )


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
    if found.policy is None:
        return say("report.for_the_practice")
    return say("report.to_leave", legend=legend(found.policy))


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


def _missing_limit(group: Group) -> str:
    if group.missing is None or not group.missing.value or group.if_none is None or group.if_all is None:
        return "" if group.missing and group.missing.value == 0 else missing(group)
    return say("limit.missing", n=group.missing.value, none=group.if_none.value, all=group.if_all.value)


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
