"""The page a practice reads before anything leaves: what goes, what stays, what was made coarser, what risk is left."""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.resources import files

from pipelines.group.rounds import RoundSheet
from warehouse.disclosure import Release
from warehouse.plural import number_of
from warehouse.pooled.agreement import Agreement, fingerprint_of
from warehouse.pooled.cases import GroupCases, columns_of, result_column
from warehouse.pooled.handing_over import HandingOver
from warehouse.pooled.history import HandedOver
from warehouse.pooled.sums import length_of
from warehouse.pooled.tables import SCOPE

NEVER = (
    "names, dates, case numbers and the keyed hashes that stand for them",
    "the pseudonyms of the practice, its clinicians and its examiners",
    "readings, landmarks, photographs, months, quarters and exact ages",
    "cases observed without treatment, and hand-picked cases rather than those taken in order",
)
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
    if made.level == "cases":
        leaves = _cases_leave(made, agreement)
    else:
        leaves = tuple(
            AgreementSection(f"What leaves: {_spoken(one.name)}", (), *_as_table(one)) for one in made.tables
        )
    return (
        _whom(made, agreement, practice, build),
        *leaves,
        *_means_leave(made),
        AgreementSection("What never leaves", tuple(f"- {one}" for one in NEVER)),
        AgreementSection("What was made coarser", tuple(f"- {_spoken(one)}" for one in made.changes) or ("Nothing.",)),
        AgreementSection(
            "What is held back", tuple(f"- {_spoken(one)}" for one in made.held_back) or ("Nothing that was agreed.",)
        ),
        AgreementSection("The risk that is left", _risk(made, agreement, history)),
    )


def sums_page(
    cases: GroupCases, agreement: Agreement, sheet: RoundSheet | None, *, practice: str
) -> tuple[AgreementSection, ...]:
    """The page of a practice that joins a group that pools by sums, or answers a round."""
    n, told = length_of(agreement), f"agreement version {agreement.version}, fingerprint {agreement.fingerprint}"
    adds = "; and x², xn and n² of its x adverse among n counted cases" if agreement.spread else ""
    what = (
        f"Cases by every combination of {', '.join(map(_spoken, agreement.groupings)) or 'nothing'} and result{adds}."
    )
    if sheet is None:
        leaves = AgreementSection("What leaves", ("A public key for masks, and nothing about any case.",))
        return (AgreementSection(f"{practice} joins {agreement.name}", (told,)), leaves)
    found = {one: cases.frame[result_column(one)].value_counts(sort=True) for one in agreement.outcomes}
    rows = tuple((one, str(result), f"{count:,}") for one, each in found.items() for result, count in each.iter_rows())
    return (
        AgreementSection(f"What {practice} would add to round {sheet.number} of {agreement.name}", (told, what)),
        AgreementSection("Its totals, which nobody else sees", (), ("definition", "result", "n"), rows),
        AgreementSection(
            "What leaves",
            (f"{n:,} numbers under masks: to anyone without the others' secrets each is as likely as any other.",),
        ),
        AgreementSection("Who is in the round", tuple(f"- {one}" for one in sorted(sheet.names))),
        AgreementSection("What never leaves", tuple(f"- {one}" for one in NEVER)),
        AgreementSection("The risk that is left", tuple(f"- {one}" for one in RISKS_OF_SUMS)),
    )


RISKS_OF_SUMS = (
    "The coordinator reads the sum over the practices of the round exactly; what is shown to others hides small sums.",
    "All the other practices and the coordinator together could take their tables from the sum and have yours.",
    "Practices that the coordinator made up would be among the others: compare the list of the round with them.",
    "A wrong table, sent by mistake or on purpose, spoils the sum and cannot be seen.",
    "What was pooled and shown before you withdraw cannot be called back.",
    "This lowers the risk; it does not decide whether you may share. That is for local law and ethics rules.",
)


def _whom(made: HandingOver, agreement: Agreement, practice: str, build: str) -> AgreementSection:
    what = "single cases, made coarser" if made.level == "cases" else "counts only; no single case"
    n = "a hidden number of" if made.n_cases is None else f"{made.n_cases:,}"
    return AgreementSection(
        f"What {practice} would hand over to {agreement.name}",
        (
            f"{what}; {n} consecutive treated cases of build {build}",
            f"agreement version {agreement.version} of {agreement.made_on}, fingerprint {agreement.fingerprint}",
            "Compare the fingerprint with the coordinator's by telephone the first time: whoever can put another"
            " agreement in its place could read what you send.",
        ),
    )


def _cases_leave(made: HandingOver, agreement: Agreement) -> tuple[AgreementSection, ...]:
    if made.cases is None:
        return ()
    columns = columns_of(agreement)
    values = [
        (_spoken(name), ", ".join(sorted(_spoken(str(value)) for value in made.cases[name].unique().to_list())))
        for name in columns
    ]
    counted = (
        made.cases.group_by(list(columns))
        .len(name="cases")
        .sort(["cases", *columns], descending=[True, *[False] * len(columns)])
    )
    sample = tuple(tuple(_spoken(str(cell)) for cell in row) for row in counted.head(SAMPLE).iter_rows())
    return (
        AgreementSection(
            "What leaves: for every case",
            ("Of each variable no more than these values:",),
            ("variable", "values"),
            tuple(values),
        ),
        AgreementSection(
            f"The commonest kinds of case, of {counted.height} in the file",
            ("Cases of a kind cannot be told apart.",),
            (*(_spoken(name) for name in columns), "cases"),
            sample,
        ),
    )


def _means_leave(made: HandingOver) -> tuple[AgreementSection, ...]:
    if not made.means:
        return ()
    rows = tuple(
        (outcome, f"{one.n:,}", f"{one.mean:.2f}", f"{one.variance**0.5:.2f}") for outcome, one in made.means.items()
    )
    return (
        AgreementSection(
            "What leaves: the mean change",
            ("Of the changes themselves no more than this; more is worse. Other practices see it without your name.",),
            ("definition", "cases", "mean", "standard deviation"),
            rows,
        ),
    )


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
    lines = _risk_of_cases(made, agreement) if made.level == "cases" else _risk_of_counts(agreement)
    if made.means:
        lines.append("Mean and spread of the changes say how your cases moved on the whole, and of no one how it did.")
    if history:
        lines.append(_risk_of_repeating(made, history))
    return tuple(
        f"- {one}"
        for one in (
            *lines,
            "What was pooled and shown before you withdraw cannot be called back.",
            "The way the file travels may name you: an e-mail has a sender. The file itself does not.",
            "This lowers the risk; it does not decide whether you may share. That is for local law and ethics rules.",
        )
    )


def _risk_of_cases(made: HandingOver, agreement: Agreement) -> list[str]:
    after = made.made.after if made.made else None
    if after is None or after.k is None:
        return []
    return [
        f"The cases fall into {after.classes} groups; the smallest has {after.k} cases alike. Someone who knows that a"
        f" child is in this file, and all that it says of it, still has at best one chance in {after.k} to pick it.",
        f"In every group there are at least {agreement.l} different outcomes, so belonging to a group does not settle"
        " the outcome. It can still make one likelier.",
        "The coordinator can read these cases; the other practices see pooled figures only.",
    ]


def _risk_of_counts(agreement: Agreement) -> list[str]:
    return [
        f"No count from 1 to {agreement.minimum - 1} is shown or can be worked out from these tables. A shown 0 tells"
        " something of everybody in its row.",
        "That a table is coarse or missing says that a finer one would have had small counts.",
        "The coordinator can read these tables; the other practices see your totals without your name.",
    ]


def _risk_of_repeating(made: HandingOver, history: Sequence[HandedOver]) -> str:
    found = made.difference
    if found is None:
        return "You handed these very cases over before; nothing about them is new."
    text = (
        "Compared with what you handed over before, at least"
        f" {number_of(found.added, 'case is', 'cases are')} new or changed and {found.gone} taken out or"
        " changed; whoever kept the earlier file can look at these apart."
    )
    if made.level == "counts":
        return f"{text} The counts were checked against earlier counts: no small one comes out of comparing them."
    last = next((one for one in reversed(history) if one.level == "cases"), None)
    if last is None or made.alike_among_new is None:
        return text
    text = f"{text} Among themselves the new ones fall into groups of {made.alike_among_new} alike or more."
    if dict(last.levels) != dict(made.levels):
        return f"{text} The cases were made coarser in another way than last time: the two files together say more."
    return text
