"""How it was done, in paragraphs for a paper or a talk, with references."""

from importlib.metadata import version

from dashboard.report.adjusted import AdjustedShown
from dashboard.report.shown import Findings
from warehouse.words.numbers import and_list
from warehouse.words.sentences import say

REFERENCES = tuple(say("methods.references").splitlines())  # cited by number; wherever they are printed that is said
CHECK_REFERENCES = say("methods.check_references")
_OF_ADJUSTED = 4  # the last of the references, cited where groups are compared adjusted for what was recorded


def references(found: Findings) -> tuple[str, ...]:
    """The references that the paragraphs cite."""
    return REFERENCES if _held_alike(found) else REFERENCES[:-_OF_ADJUSTED]


def methods(found: Findings) -> tuple[str, ...]:
    """The paragraphs, with the references cited by number in square brackets."""
    meant, policy, held = found.definition, found.policy, _held_alike(found)
    sentence = f"{meant.sentence[:1].lower()}{meant.sentence[1:]}".rstrip(".")
    alike = "; ".join(dict.fromkeys(and_list(one.adjusted_for) for one in held))
    hidden = "" if policy.hides_nothing else say("methods.disclosure", most=policy.minimum - 1, policy=policy)
    statistics = say(
        "methods.statistics",
        found=found,
        comparisons=say("methods.held_alike", alike=alike) if held else say("methods.as_found"),
        practices="" if found.beside is None else say("methods.practices"),
        version=version("menton"),
        published=found.published_at[:10],
    )
    error = f" {found.change.error}" if found.change else ""
    outcome = say("methods.outcome", found=found, meant=meant, sentence=sentence, error=error)
    whose = "one practice" if found.n_practices == 1 else f"{found.n_practices} practices"
    design = say("methods.design", found=found, whose=whose)
    return tuple(text for text in (design, outcome, statistics, hidden) if text)


def _held_alike(found: Findings) -> list[AdjustedShown]:
    return [comparison.adjusted for comparison in found.comparisons if comparison.adjusted is not None]
