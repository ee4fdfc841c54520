"""The page a practice reads before anything leaves: what goes, what stays, what was made coarser, what risk is left."""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.resources import files

from pipelines.group.rounds import RoundSheet
from warehouse.disclosure import Release
from warehouse.pooled.agreement import Agreement, fingerprint_of
from warehouse.pooled.cases import GroupCases, columns_of, result_column
from warehouse.pooled.handing_over import HandingOver
from warehouse.pooled.history import HandedOver
from warehouse.pooled.sums import length_of
from warehouse.pooled.tables import SCOPE
from warehouse.words.sentences import say

SAMPLE = 5


def agreement_document(agreement: Agreement) -> bytes:
    """The agreement as PDF (PDF/UA-1): the flow of data, who can see what, the rules, and a place to sign."""
    import typst

    told = agreement.to_dict() | {
        "fingerprint": agreement.fingerprint,
        "variables_known": [one.name for one in agreement.variables],
        "outcomes_in_words": [(one.name, one.sentence) for one in map(agreement.definition, agreement.outcomes)],
        "coordinators_in_words": [(one.name, fingerprint_of(one.public)) for one in agreement.coordinators],
    }
    made: bytes = typst.compile(
        files("pipelines.group").joinpath("agreement.typ").read_bytes(),
        format="pdf",
        font_paths=typst.Fonts(include_system_fonts=False),
        sys_inputs={"agreement": json.dumps(told)},
        pdf_standards="ua-1",
        timestamp=datetime.fromisoformat(agreement.made_on).replace(tzinfo=UTC),
    )
    return made


@dataclass(frozen=True, slots=True)
class AgreementSection:
    """A heading, sentences, and a table that may be empty."""

    heading: str
    lines: tuple[str, ...]
    columns: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()


def page(
    made: HandingOver, agreement: Agreement, *, practice: str, build: str, history: Sequence[HandedOver]
) -> tuple[AgreementSection, ...]:
    """The page of a contribution."""
    return (
        _whom(made, agreement, practice, build),
        *_cases_leave(made, agreement),
        *(AgreementSection(f"What leaves: {_spoken(one.name)}", (), *_as_table(one)) for one in made.tables),
        *_means_leave(made),
        AgreementSection("What never leaves", _listed(say("handing.never"))),
        AgreementSection("What was made coarser", _listed(*map(_spoken, made.changes)) or ("Nothing.",)),
        AgreementSection("What is held back", _listed(*map(_spoken, made.held_back)) or ("Nothing that was agreed.",)),
        AgreementSection("The risk that is left", _risk(made, agreement, history)),
    )


def sums_page(
    cases: GroupCases, agreement: Agreement, sheet: RoundSheet | None, *, practice: str
) -> tuple[AgreementSection, ...]:
    """The page of a practice that joins a group that pools by sums, or answers a round."""
    told = f"agreement version {agreement.version}, fingerprint {agreement.fingerprint}"
    adds = "; and x², xn and n² of its x adverse among n counted cases" if agreement.spread else ""
    what = f"Cases by every combination of {', '.join(map(_spoken, agreement.groupings)) or 'none'} and result{adds}."
    if sheet is None:
        leaves = AgreementSection("What leaves", ("A public key for masks, and nothing about any case.",))
        return (AgreementSection(f"{practice} joins {agreement.name}", (told,)), leaves)
    found = {one: cases.frame[result_column(one)].value_counts(sort=True) for one in agreement.outcomes}
    rows = tuple((one, str(result), f"{count:,}") for one, each in found.items() for result, count in each.iter_rows())
    return (
        AgreementSection(f"What {practice} would add to round {sheet.number} of {agreement.name}", (told, what)),
        AgreementSection("Its totals, which nobody else sees", (), ("definition", "result", "n"), rows),
        AgreementSection("What leaves", (say("handing.masked", n=length_of(agreement)),)),
        AgreementSection("Who is in the round", tuple(f"- {one}" for one in sorted(sheet.names))),
        AgreementSection("What never leaves", _listed(say("handing.never"))),
        AgreementSection("The risk that is left", _listed(say("handing.risk_of_sums"), say("handing.risk_of_any"))),
    )


def _listed(*texts: str) -> tuple[str, ...]:
    """The lines of texts, as a list has them."""
    return tuple(f"- {one}" for text in texts for one in text.splitlines())


def _whom(made: HandingOver, agreement: Agreement, practice: str, build: str) -> AgreementSection:
    what = "single cases, made coarser" if made.level == "cases" else "counts only; no single case"
    n = "a hidden number of" if made.n_cases is None else f"{made.n_cases:,}"
    version = {"version": agreement.version, "made_on": agreement.made_on, "fingerprint": agreement.fingerprint}
    told = say("handing.whom", what=what, n=n, build=build, **version)
    return AgreementSection(f"What {practice} would hand over to {agreement.name}", tuple(told.splitlines()))


def _cases_leave(made: HandingOver, agreement: Agreement) -> tuple[AgreementSection, ...]:
    if made.cases is None:
        return ()
    columns = columns_of(agreement)
    spoken = {one: sorted(_spoken(str(value)) for value in made.cases[one].unique().to_list()) for one in columns}
    values = tuple((_spoken(one), ", ".join(said)) for one, said in spoken.items())
    kinds = made.cases.group_by(list(columns)).len(name="cases")
    first = kinds.sort(["cases", *columns], descending=[True, *[False] * len(columns)]).head(SAMPLE)
    sample = tuple(tuple(_spoken(str(cell)) for cell in row) for row in first.iter_rows())
    heading, names = f"The commonest kinds of case, of {kinds.height} in the file", (*map(_spoken, columns), "cases")
    return (
        AgreementSection("What leaves: for every case", (say("handing.values"),), ("variable", "values"), values),
        AgreementSection(heading, (say("handing.kinds"),), names, sample),
    )


def _means_leave(made: HandingOver) -> tuple[AgreementSection, ...]:
    columns = ("definition", "cases", "mean", "standard deviation")
    rows = tuple(
        (outcome, f"{one.n:,}", f"{one.mean:.2f}", f"{one.variance**0.5:.2f}") for outcome, one in made.means.items()
    )
    return (AgreementSection("What leaves: the mean change", (say("handing.means"),), columns, rows),) if rows else ()


def _as_table(release: Release) -> tuple[tuple[str, ...], tuple[tuple[str, ...], ...]]:
    first, *rest = release.layout.dimensions
    if not rest:
        return ("cases", "n"), tuple((key, release.cells[key,].shown) for key in first.members)
    second = rest[0]
    rows = tuple(
        (_spoken(category), *(release.cells[category, column].shown for column in second.members))
        for category in first.members
    )
    return (_spoken(first.name) if first.name != SCOPE else "practice", *second.members), rows


def _spoken(name: str) -> str:
    """A column or code as it is said: "age band" for ``age_band``."""
    return name.replace("_", " ")


def _risk(made: HandingOver, agreement: Agreement, history: Sequence[HandedOver]) -> tuple[str, ...]:
    after, told = made.made.after if made.made else None, [_risk_of_repeating(made, history)] if history else []
    if made.means:
        told.insert(0, say("handing.risk_of_means"))
    if made.level == "counts":
        told.insert(0, say("handing.risk_of_counts", most=agreement.minimum - 1))
    elif after is not None and after.k is not None:
        told.insert(0, say("handing.risk_of_cases", classes=after.classes, k=after.k, l=agreement.l))
    return _listed(*told, say("handing.risk_of_file"), say("handing.risk_of_any"))


def _risk_of_repeating(made: HandingOver, history: Sequence[HandedOver]) -> str:
    found = made.difference
    if found is None:
        return say("handing.same_cases")
    text = say("handing.repeated", n=found.added, gone=found.gone)
    if made.level == "counts":
        return f"{text} {say('handing.repeated_counts')}"
    last = next((one for one in reversed(history) if one.level == "cases"), None)
    if last is None or made.alike_among_new is None:
        return text
    text = f"{text} {say('handing.alike_among_new', k=made.alike_among_new)}"
    return text if dict(last.levels) == dict(made.levels) else f"{text} {say('handing.coarser_otherwise')}"
