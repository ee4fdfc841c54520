"""How many cases would settle it, in sentences."""

from math import ceil

from warehouse.analysis.planning import MonthsNeeded, SampleSize
from warehouse.questions.sample_size import DifferencePlan, PrecisionPlan
from warehouse.words.sentences import caution_text, say, share_words


def precision_sentences(plan: PrecisionPlan) -> list[str]:
    """What was planned for one share."""
    said = [say("planning.so_far", share=share_words(plan.present), n=plan.present.n)]
    if plan.needed is None:
        return [*said, say("planning.no_share")]
    needed = precision_sentence(plan.needed, plan.half_width)
    said.append(say("planning.with_share", share=plan.assumed, needed=needed))
    if plan.months is not None:
        said.append(say("planning.months_and_pace", months=months_sentence(plan.months), pace=plan.pace))
    return said


def precision_sentence(needed: SampleSize, half_width: float) -> str:
    """Cases for an interval of a wanted width."""
    if needed.n is None:
        return caution_text(needed.warnings[0])
    return say("planning.precision", cases=needed.n, half_width=100 * half_width)


def difference_sentences(plan: DifferencePlan) -> list[str]:
    """What was planned for the difference of two groups."""
    said = [
        say("planning.so_far_with", label=label, share=share_words(share), n=share.n)
        for label, share in zip(plan.labels, plan.present, strict=True)
    ]
    if plan.needed is None:
        return [*said, say("planning.no_shares")]
    first, second = plan.assumed
    said.append(
        say("planning.difference", cases=plan.needed.n, power=plan.power, first=first, second=second)
        if plan.needed.n is not None
        else caution_text(plan.needed.warnings[0])
    )
    if plan.power_now is not None:
        said.append(say("planning.power_now", power=plan.power_now))
    for label, months in zip(plan.labels, plan.months, strict=True):
        if months is not None:
            said.append(f"{label}: {months_sentence(months)}")
    return [*said, say("planning.few_cases_flatter")]


def months_sentence(found: MonthsNeeded) -> str:
    """How long it takes until there are enough cases."""
    if found.cases_missing is None:
        return say("planning.never_settled")
    if found.cases_missing == 0:
        return say("planning.there_already", target=found.target)
    if found.months is None:
        return say("planning.none_coming", n=found.cases_missing)
    return say("planning.months", n=found.cases_missing, months=ceil(found.months), pace=found.cases_per_month)
