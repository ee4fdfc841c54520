"""The findings of an audit, read from the snapshot, for the practice itself or to leave it."""

from dataclasses import replace

from dashboard.report.gathered import Gathered, counts_of_all, gather
from dashboard.report.shown import Audience, Beside, Comparison, Findings
from dashboard.report.shown_for import POLICY, shown_for
from warehouse.cases.case_page import case_in_file
from warehouse.disclosure import Policy
from warehouse.errors import RequestError, near_names
from warehouse.leaving.record import Coming, coming
from warehouse.marts.reader import Reader
from warehouse.pooled.this_warehouse import Here, practices_here
from warehouse.protected.counts import Published
from warehouse.protected.shares import OFFERED
from warehouse.questions.answer import COMPARISONS
from warehouse.questions.shares import GroupRow
from warehouse.selection import Selection

BY_PRACTICE = "practice"


def with_practices(found: Findings, reader: Reader, *, selection: Selection, named: bool) -> Findings:
    """The findings with the practices beside each other, ``named`` or not, where these may be shown."""
    is_headline = found.definition.id == reader.definition(None).id
    knows_total = found.overall.counted.value is not None and found.overall.adverse.value is not None
    if selection != Selection() or not is_headline or not (knows_total or found.policy.hides_nothing):
        return found
    left = found.coming
    here = practices_here(reader, left.scope, left.past.releases) if left else practices_here(reader)
    if here.pool.refused:
        return found
    if left:
        more = tuple(one for one in here.releases if one.name == BY_PRACTICE and one not in left.releases)
        here = here if BY_PRACTICE in left.means else replace(here, means=None, courses=None)
        found = replace(found, coming=replace(left, releases=(*left.releases, *more)))
    comparisons = found.comparisons
    if not found.policy.hides_nothing:
        comparisons = tuple(one for one in comparisons if one.by.name != BY_PRACTICE)
    return replace(
        found, comparisons=comparisons, beside=_labelled(here) if named else Beside(here.pool, here.means, here.courses)
    )


def _labelled(here: Here) -> Beside:
    """With the pseudonyms of the practices in place of their numbers."""
    names = {tag: practice for practice, tag in here.tags.items()}
    shares = replace(here.pool, lines=tuple(replace(one, label=names[one.tag]) for one in here.pool.lines))
    if here.means is None:
        return Beside(shares, None, None)
    lines = tuple(replace(one, label=names[one.tag]) for one in here.means.lines)
    courses = here.courses
    if courses is not None:
        named = (replace(one, name=line.label) for one, line in zip(courses.rows[1:], lines, strict=True))
        courses = replace(courses, rows=(courses.rows[0], *named))
    return Beside(shares, replace(here.means, lines=lines), courses)


NAMED_BY = ("practice", "clinician")  # groupings whose groups are people or practices


def findings(
    reader: Reader,
    *,
    audience: Audience,
    selection: Selection | None = None,
    definition: str | None = None,
    comparisons: tuple[str, ...] = COMPARISONS,
    name_practice: bool | None = None,
    practices: bool = True,
    case: str = "",
    agreed: bool = False,
    left: int = 0,
) -> Findings:
    """The results of the snapshot as they may be shown.

    The definition in force and consecutive treated cases where others are not named. For ``outside`` one practice may
    be selected and nothing else: tables about overlapping choices of cases could be subtracted from each other. By
    themselves practices are named to the practice alone; where ``practices`` asks for it and it may be shown they stand
    beside each other. ``case`` is the key of one to be drawn, ``agreed`` whether whom it shows agreed; ``left`` is how
    much had left, so that an answer from before is not given again. Raises RequestError: a definition or grouping does
    not exist, may not be asked for by this audience, or has to wait.
    """
    chosen = selection or Selection()
    if case:
        _refuse_case(audience, agreed=agreed)
    _refuse_unknown_practices(reader, chosen)
    if audience == "outside":
        _refuse_what_may_not_leave(chosen, comparisons)
    alone = len(chosen.filters.get("practice", ())) == 1  # practices are not compared within one practice
    asked = tuple(dict.fromkeys(name for name in comparisons if not (alone and name == "practice")))
    gathered = gather(reader, selection=chosen, definition=definition, comparisons=asked, beside=audience == "practice")
    cases = cases_told(gathered.counted.overall.selection)
    if audience == "practice":
        result = shown_for(Policy.nothing_hidden(), gathered, cases=cases)
    else:
        result = shown_for(POLICY, gathered, cases=cases, coming=_coming(reader, gathered, chosen, asked))
    if case:
        meant = gathered.counted.overall.definition
        result = replace(result, case=case_in_file(reader, selection=chosen, case=case, definition=meant))
    named = audience == "practice" if name_practice is None else name_practice
    if practices:
        result = with_practices(result, reader, selection=chosen, named=named)
    return result if named else without_names(result, chosen)


def _coming(reader: Reader, gathered: Gathered, chosen: Selection, by: tuple[str, ...]) -> Coming:
    """What the document has to be checked against.

    One about one practice among several is checked against one about all of them as if that had left, so that the two
    cannot be subtracted from each other.
    """
    definition, besides = gathered.counted.overall.definition, []
    if any(chosen.filters.values()):
        of_all = coming(reader, definition, Selection(), read_by="others", by=by, waits=False)
        around = Published(counts_of_all(reader, definition, by), POLICY, of_all.scope, of_all.past.releases)
        besides = [of_all.left(around.releases)]
    return coming(reader, definition, chosen, read_by="others", by=by, besides=besides)


def cases_told(selection: Selection, *, but: tuple[str, ...] = ("practice",)) -> str:
    """Which cases, leaving out what filters named in ``but`` say."""
    filters = {name: kept for name, kept in selection.filters.items() if name not in but}
    return replace(selection, filters=filters).sentence()


def without_names(found: Findings, selection: Selection) -> Findings:
    """The same with practices and clinicians called A, B, C in the order shown."""
    comparisons = tuple(
        replace(comparison, groups=_lettered(comparison), adjusted=None)
        if comparison.by.name in NAMED_BY
        else comparison
        for comparison in found.comparisons
    )
    return replace(found, practices=(), comparisons=comparisons, cases=cases_told(selection, but=NAMED_BY))


def _lettered(comparison: Comparison) -> tuple[GroupRow, ...]:
    return tuple(
        replace(group, group=_letter(place), label=f"{comparison.by.name} {_letter(place)}")
        for place, group in enumerate(comparison.groups)
    )


def _letter(place: int) -> str:
    """A, B … Z, AA, AB and so on."""
    head, last = divmod(place, 26)
    return (_letter(head - 1) if head else "") + chr(ord("A") + last)


def _refuse_case(audience: Audience, *, agreed: bool) -> None:
    if audience == "outside":
        found = "a single case does not go into a file that is made to leave the practice"
        raise RequestError(found, where="case", remedy="leave it out, or make the file for the practice itself")
    if not agreed:
        found = "it is not said that the person agreed"
        expected = "that whom the drawing shows, or who answers for a child, agreed to it being in a file"
        raise RequestError(found, where="case", expected=expected, remedy="ask, and say so; or leave the case out")


def _refuse_unknown_practices(reader: Reader, selection: Selection) -> None:
    for name in selection.filters.get("practice", ()):
        if name not in reader.practices:
            found = f"there is no practice {name!r} in this warehouse"
            raise RequestError(found, expected=", ".join(reader.practices), remedy=near_names(name, reader.practices))


def _refuse_what_may_not_leave(selection: Selection, comparisons: tuple[str, ...]) -> None:
    others = [name for name, kept in selection.filters.items() if kept and name != "practice"]
    plain = (selection.comparison, selection.selection) == ("treated", "consecutive")
    if others or len(selection.filters.get("practice", ())) > 1 or not plain:
        found = "a document that leaves the practice is about all its cases"
        remedy = "leave the filters out: tables about overlapping choices of cases could be subtracted from each other"
        raise RequestError(found, where=", ".join(others), remedy=remedy)
    strange = [name for name in comparisons if name not in OFFERED]
    if strange:
        found = f"a document that leaves the practice cannot compare by {', '.join(strange)}"
        raise RequestError(found, expected=", ".join(OFFERED), remedy="choose among these, or make it for the practice")
