"""What was planned, and how much was looked at, in sentences."""

from warehouse.plans.planned_or_explored import PlansAndLooks
from warehouse.words.sentences import say


def plans_sentence(found: PlansAndLooks) -> str:
    """How many plans came before the looking."""
    n = len(found.plans)
    if not n:
        return say("plans.none")
    first = sum(not one.seen_before for one in found.plans)
    key = "plans.all_before" if first == n else "plans.some_before" if first else "plans.none_before"
    return say(key, n=n, first=first)


def looks_sentences(found: PlansAndLooks) -> list[str]:
    """How much was looked at, and what follows."""
    n = found.n_comparisons
    if not n:
        said = [say("looks.none")]
    else:
        first, last = found.first_look[:10], found.last_look[:10]
        said = [say("looks.so_far", n=n, looks=found.n_looks, first=first, last=last)]
    if found.n_analyses > n:
        said.append(say("looks.analyses", analyses=found.n_analyses))
    if found.n_unplanned:
        said.append(
            say("looks.it_is_unplanned" if found.n_unplanned == n == 1 else "looks.unplanned", n=found.n_unplanned)
        )
    if n > 1:
        said.append(say("standing.by_chance"))
    if not found.is_whole:
        said.append(say("looks.altered"))
    return said
