"""What left before, and how a coming document about much the same cases meets it.

Documents made to leave and figures that viewers saw are kept in one record beside the store (``documents.jsonl``), with
their tables and a digest of every case as it then stood; contributions to groups have theirs (``contributions.jsonl``).
A coming document is checked against both, whoever read them, since readers can put together what they have. Where fewer
than ``FEWEST_NEW`` cases are new, changed or gone since one of them it waits; where more are, the engine of disclosure
control hides what would tell a small count of these. What was never sent can be struck.

All of it is looked back at, but for what the tables that left since tell anyway (``warehouse.pooled.history``).
"""

import hashlib
import secrets
from bisect import bisect_right
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, TypeVar

import polars as pl

from warehouse.disclosure import Guard, Policy, Release
from warehouse.disclosure.hierarchy import MISSING
from warehouse.errors import BusyError, RequestError
from warehouse.marts.grouping import NOT_KNOWN as NO_GROUP
from warehouse.marts.grouping import Grouping
from warehouse.marts.reader import Reader
from warehouse.outcomes.definition import Definition
from warehouse.plural import number_of
from warehouse.pooled.agreement import Agreement
from warehouse.pooled.cases import CASE_KEY, known_cases, result_column, versions_in
from warehouse.pooled.handing_over import told_by_another
from warehouse.pooled.history import (
    RECORD_FILE,
    ContributionChange,
    HandedOver,
    Past,
    contributions_of,
    past_of,
    smallest_difference,
)
from warehouse.pooled.tables import COUNTED, SCOPE, breakdown_name, result_variable, totals_name
from warehouse.pooled.this_warehouse import Here, practices_here
from warehouse.pooled.variables import ADVERSE, KNOWN_VARIABLES, NOT_ADVERSE, NOT_DUE, NOT_KNOWN
from warehouse.protected.counts import ALL_CASES, DUE, REACHED, RESULT, Published, in_classes_of
from warehouse.protected.shares import as_shown, published
from warehouse.questions.shares import Rates
from warehouse.questions.threshold import GRID, counted_changes
from warehouse.selection import Selection
from warehouse.store.access import LEFT
from warehouse.store.chain import canonical, held
from warehouse.store.record_chain import RecordChain
from warehouse.store.storage import utc_now

Seen = TypeVar("Seen", Published, Here)
FEWEST_NEW = 10
_BY_CASE = Grouping(name=CASE_KEY, column=CASE_KEY)


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftDocument:
    """One line of the record: a document, or figures on a page that others saw."""

    entry: Mapping[str, Any]  # As written: `number`, `at`, `read_by`, `build`, `about` (a practice, or nothing for all)
    struck: bool
    left: HandedOver


@dataclass(frozen=True, slots=True, kw_only=True)
class Coming:
    """A document before it leaves."""

    folder: Path
    read_by: str
    build: str
    about: str
    outcome: str
    versions: Mapping[str, str]  # Case key -> digest of the case and of what it ended in
    past: Past
    so_far: int  # Lines of the record when it was looked at
    means: frozenset[str]  # Groupings whose means tell of no few cases since an earlier document; "" for all cases
    before: Mapping[str, tuple[int, ...]]  # Name -> counts that stand by themselves as they left before
    alone: Mapping[str, int]
    releases: tuple[Release, ...] = ()
    id: str = ""
    again: bool = False  # Whether anything left of which the cases have changed since

    @property
    def scope(self) -> dict[str, tuple[str, ...]]:
        """Which cases its tables are about; nothing needs to be said where nothing left before."""
        return {SCOPE: self.past.scope} if self.past.places else {}

    def left(self, releases: Sequence[Release]) -> HandedOver:
        """What it would be in the history, with these tables."""
        about = {SCOPE: frozenset(self.past.scope)}
        named = []
        for one in releases:
            layout = replace(one.layout, scope={**one.layout.scope, SCOPE: self.past.scope})
            kept = tuple(
                Guard({**about, **own.whole}, None if own.less is None else {**about, **own.less}) for own in one.guards
            )
            named.append(replace(one, name=f"{self.outcome} {one.name}", layout=layout, guards=kept))
        places = {self.outcome: (*self.past.places, self.id)}
        return HandedOver(
            level="counts", versions={self.outcome: self.versions}, releases=tuple(named), id=self.id, places=places
        )


def coming(
    reader: Reader,
    definition: Definition,
    selection: Selection,
    *,
    read_by: str,
    by: Sequence[str] = (),
    besides: Sequence[HandedOver] = (),
    waits: bool = True,
) -> Coming:
    """What a document about the cases selected, under a definition and by some groupings, has to be checked against.

    ``besides`` is taken to have left as well. ``waits``: Whether it is to leave itself.
    Raises RequestError: it has to wait, or would tell a small count together with a document under another definition.
    """
    folder, outcome, policy = reader.snapshot.path.parent, definition.id, Policy()
    others = contributions_of(RecordChain(folder / RECORD_FILE).read())
    entries = RecordChain(folder / LEFT).read()
    kept = [one for one in _documents(entries) if not one.struck]
    told_before = [replace(one, versions=_coarse(one)) for one in (*(each.left for each in kept), *others)]
    frame, elsewhere = _beside(reader, definition, selection, by, told_before)
    versions = _versions(reader, frame, definition, selection)
    history = _in_step(
        [one.left for one in kept if outcome in one.left.versions],
        [told_as_documents(one, outcome) for one in others if outcome in one.versions],
        versions,
    )
    if waits:
        _wait(smallest_difference(told_before, elsewhere), kept)
        _wait(smallest_difference(history, {outcome: versions}), kept)
    past = past_of([*history, *besides], outcome, versions, in_classes_of)
    plain = tuple(replace(one, name=one.name.partition(" ")[2]) for one in past.releases)
    about = ", ".join(selection.filters.get("practice", ()))
    before: dict[str, tuple[int, ...]] = {}
    for one in (each.entry for each in kept if each.entry["about"] == about):
        before |= {name: (*before.get(name, ()), n) for name, n in one["alone"].items()}
    return Coming(
        folder=folder,
        read_by=read_by,
        build=reader.snapshot.build_id,
        about=about,
        outcome=outcome,
        versions=versions,
        past=replace(past, releases=plain),
        so_far=len(entries),
        means=_means(frame, outcome, versions, history, policy),
        before=before,
        alone={},
        id=secrets.token_hex(4),
        again=any(one.versions[outcome] != versions for one in history),
    )


def check_beside(reader: Reader, agreement: Agreement, practice: str) -> None:
    """Refuse (RequestError) to contribute what tells of few cases with what left under definitions not agreed on."""
    folder, selection = reader.snapshot.path.parent, Selection(filters={"practice": (practice,)})
    kept = [one for one in documents(folder) if not one.struck]
    told = [replace(one, versions=_coarse(one)) for one in (each.left for each in kept)]
    for definition in map(agreement.definition, agreement.outcomes):
        _, elsewhere = _beside(reader, definition, selection, agreement.groupings, told, agreement.outcomes)
        _wait(smallest_difference(told, elsewhere), kept)


def _beside(
    reader: Reader,
    definition: Definition,
    selection: Selection,
    by: Sequence[str],
    told: Sequence[HandedOver],
    apart: Sequence[str] = (),
) -> tuple[pl.DataFrame, dict[str, dict[str, str]]]:
    """The cases selected, and their versions under each other definition that anything was told under, but for some.

    Raises RequestError: together with what was told, counts under this definition would tell a small one.
    """
    outcome, policy = definition.id, Policy()
    known = {one.id for one in reader.registry} - {outcome, *apart}
    others = {name for one in told for name in one.versions} & known
    frame = known_cases(reader, [outcome, *sorted(others)], selection)
    elsewhere = {other: versions_in(frame, other) for other in sorted(others)}
    frames = [(frame, [*elsewhere]), *_as_it_was(frame, elsewhere, told)]
    for way in ((), *((name,) for name in by if name in frame.columns)):
        for each, names in frames:
            if other := told_by_another(each, outcome, names, policy, way):
                found = f"together with what left under {other}, this would tell of fewer than {policy.minimum} cases"
                remedy = f"hand on what left under {other}: it holds the share under {outcome} as well, rounded"
                if apart:
                    remedy = (
                        f"agree on {other} in the group, or strike what was never sent (`menton report --never-sent`)"
                    )
                raise RequestError(found, where=", ".join((definition.name, *way)), remedy=remedy)
    return frame, elsewhere


def _as_it_was(
    frame: pl.DataFrame, now: Mapping[str, Mapping[str, str]], told: Sequence[HandedOver]
) -> list[tuple[pl.DataFrame, list[str]]]:
    """The cases with the results under an outcome as they were when something was told of it; what changed has none."""
    found = {
        (outcome, tuple(one.versions[outcome].get(key) == digest for key, digest in now[outcome].items())): [outcome]
        for one in told
        for outcome in now.keys() & one.versions.keys()
    }
    columns = {name: result_column(name) for name in now}
    return [
        (
            frame.with_columns(
                pl.when(pl.Series(stands)).then(columns[name]).otherwise(pl.lit("")).alias(columns[name])
            ),
            names,
        )
        for (name, stands), names in found.items()
    ]


def _wait(fewest: ContributionChange | None, kept: Sequence[LeftDocument]) -> None:
    """Refuse (RequestError) what would tell of few cases."""
    if fewest is None or fewest.total >= FEWEST_NEW:
        return
    last = f" (document {kept[-1].entry['number']} of {kept[-1].entry['at'][:10]})" if kept else ""
    found = f"only {number_of(fewest.total, 'case is', 'cases are')} new, changed or gone since what left last{last}"
    raise RequestError(
        f"{found}: together they would tell of these few",
        expected=f"at least {FEWEST_NEW}, or none",
        remedy=f"it can leave when there are {FEWEST_NEW}; until then hand on what left, or make it for the practice"
        " itself; a document that was never sent can be struck with `menton report --never-sent NUMBER`",
    )


def _versions(reader: Reader, frame: pl.DataFrame, definition: Definition, selection: Selection) -> dict[str, str]:
    """Case key -> digest as contributions have it, a point, and a digest of the class of the chain it is in."""
    changes = counted_changes(reader, definition, selection, way=_BY_CASE)
    ended = dict(zip(frame[CASE_KEY], frame[f"step_{definition.id}"], strict=True))
    columns = ("grouped", "value", "is_adverse", "is_favourable")
    for key, value, *became in changes.select(columns).iter_rows():
        ended[key] = f"{bisect_right(GRID, value)} {became}"
    classes = {one: hashlib.sha256(str(one).encode()).hexdigest()[:6] for one in set(ended.values())}
    return {key: f"{digest}.{classes[ended[key]]}" for key, digest in versions_in(frame, definition.id).items()}


def _in_step(
    left: Sequence[HandedOver], contributions: Sequence[HandedOver], now: Mapping[str, str]
) -> list[HandedOver]:
    """Both as documents tell versions apart, so that a case in both is one."""
    finer: dict[tuple[str, str], str] = {}
    for versions in (now, *(each for one in reversed(left) for each in one.versions.values())):
        for key, digest in versions.items():
            finer.setdefault((key, digest.partition(".")[0]), digest)
    alike = [
        replace(
            one,
            versions={
                outcome: {key: finer.get((key, digest), digest) for key, digest in each.items()}
                for outcome, each in one.versions.items()
            },
        )
        for one in contributions
    ]
    return [*alike, *left]


def _means(
    frame: pl.DataFrame, outcome: str, now: Mapping[str, str], history: Sequence[HandedOver], policy: Policy
) -> frozenset[str]:
    """Groupings in all of whose groups none or enough of the counted cases are new since each earlier document."""
    counted = frame.filter(pl.col(result_column(outcome)).is_in([ADVERSE, NOT_ADVERSE]))
    may = {"", "practice", *frame.columns} if not history else {"", *frame.columns}
    for versions in (one.versions[outcome] for one in history):
        gone = sum(now.get(key) != digest for key, digest in versions.items())
        new = counted.filter(pl.Series([versions.get(key) != now[key] for key in counted[CASE_KEY]], dtype=pl.Boolean))
        sizes = {name: new[name].value_counts()["count"].to_list() for name in may if name}
        told = {"": [new.height], **sizes}
        may = {name for name in may if all(n == 0 or n >= policy.mean_minimum for n in (gone, *told[name]))}
    return frozenset(may)


def told_as_documents(one: HandedOver, outcome: str) -> HandedOver:
    """A contribution of counts with its tables under the names that documents have for them."""
    found = []
    for release in one.releases:
        if release.name == totals_name(outcome):
            found.append(replace(release.told_as(result_variable(outcome), RESULT), name=f"{outcome} all cases"))
        elif release.name.startswith(f"{outcome} by "):
            by = release.layout.dimensions[0].name
            named = {value: NO_GROUP if value == MISSING else value for value in release.layout.dimensions[0].base}
            told = release.told_as(by, by, {value: (group,) for value, group in named.items()})
            found.append(replace(told.told_as(result_variable(outcome), RESULT), name=f"{outcome} {by}"))
    return replace(one, releases=tuple(found))


def documents_as_contributions(folder: Path) -> tuple[HandedOver, ...]:
    """Documents that left, with their tables under the names that contributions have for them."""
    return tuple(_as_contribution(one.left) for one in documents(folder) if not one.struck)


def _as_contribution(left: HandedOver) -> HandedOver:
    found: list[Release] = []
    (outcome,) = left.versions
    for release in left.releases:
        name, dimension = release.name.partition(" ")[2], release.layout.dimensions[-1]
        if dimension.name != REACHED:
            continue  # complete cases: contributions have none
        if name == ALL_CASES:
            results = _results_of(dimension.members)
        told = release.told_as(REACHED, result_variable(outcome), {one: (value,) for one, value in results.items()})
        if name == ALL_CASES:
            found.append(replace(told, name=totals_name(outcome)))
        elif name in KNOWN_VARIABLES:
            groups = release.layout.dimensions[0].base
            base = {group: (MISSING if group == NO_GROUP else group,) for group in groups}
            found.append(replace(told.told_as(name, name, base), name=breakdown_name(outcome, name)))
    return replace(left, releases=tuple(found), versions=_coarse(left))


def _coarse(left: HandedOver) -> dict[str, dict[str, str]]:
    """Its versions as contributions tell them apart."""
    return {
        outcome: {key: digest.partition(".")[0] for key, digest in each.items()}
        for outcome, each in left.versions.items()
    }


def _results_of(members: Mapping[str, tuple[str, ...]]) -> dict[str, str]:
    """Class of the chain -> the result a case in it has."""
    found = {one: NOT_DUE for atoms in members.values() for one in atoms}
    for name, result in ((DUE, NOT_KNOWN), (COUNTED, NOT_ADVERSE), (ADVERSE, ADVERSE)):
        found |= dict.fromkeys(members.get(name, ()), result)
    return found


def documents(folder: Path) -> list[LeftDocument]:
    """Everything on record that others read, oldest first, struck ones too."""
    return _documents(RecordChain(folder / LEFT).read())


def lines_left(folder: Path) -> int:
    """Lines of the record: one for each document, and one for each that was struck."""
    return len(RecordChain(folder / LEFT).read())


def _documents(entries: Sequence[Mapping[str, Any]]) -> list[LeftDocument]:
    struck = {entry["number"] for entry in entries if entry["what"] == "struck"}
    cases: dict[str, dict[str, str]] = {}
    found = []
    for entry in (one for one in entries if one["what"] == "document"):
        for outcome, changed in entry["versions"].items():
            versions = {**cases.get(outcome, {}), **changed}
            cases[outcome] = {key: digest for key, digest in versions.items() if digest}
        left = HandedOver(
            level="counts",
            versions={outcome: cases[outcome] for outcome in entry["versions"]},
            releases=tuple(map(Release.from_dict, entry["releases"])),
            id=entry["id"],
            places={outcome: tuple(places) for outcome, places in entry["places"].items()},
        )
        found.append(LeftDocument(entry=entry, struck=entry["number"] in struck, left=left))
    return found


def seen_by_others(reader: Reader, *, by: str | None = None) -> Rates:
    """The protected share over all or by a grouping, for a page that others look at; each build is written down.

    Raises RequestError: too few cases changed since others last saw it.
    """
    ways = (by,) if by else ()
    _, tables = _seen(reader, lambda found: published(reader, by, found.scope, found.past.releases), ways)
    return as_shown(tables)


def practices_seen(reader: Reader) -> Here:
    """The practices beside each other, likewise; without means once anything left before."""
    found, here = _seen(reader, lambda found: practices_here(reader, found.scope, found.past.releases))
    return here if "practice" in found.means else replace(here, means=None, courses=None)


def _seen(reader: Reader, made: Callable[[Coming], Seen], by: Sequence[str] = ()) -> tuple[Coming, Seen]:
    """What others are about to see, written down; made again where somebody else looked meanwhile."""
    while True:
        found = coming(reader, reader.definition(None), Selection(), read_by="viewers", by=by)
        shown = made(found)
        try:
            write_down(replace(found, releases=tuple(shown.releases)), "")
        except BusyError:
            continue
        return found, shown


def write_down(coming: Coming, digest: str) -> None:
    """Write down what is about to leave (``digest`` of its bytes); the same figures once.

    Raises BusyError: something else left since it was made. RequestError: it cannot be written down.
    """
    path = coming.folder / LEFT
    said = {name: getattr(coming, name) for name in ("read_by", "build", "about")}
    left = coming.left(coming.releases)
    releases = [one.to_dict() for one in left.releases]
    shown = [{**one, "scope": {}, "guards": []} for one in releases]
    figures = hashlib.sha256(canonical([said, shown, coming.alone])).hexdigest()
    try:
        with held(path):
            chain = RecordChain(path)
            entries = chain.read()
            kept = _documents(entries)
            if any(one.entry["figures"] == figures and not one.struck for one in kept):
                return
            if len(entries) != coming.so_far:
                found = "something else left since this was made"
                raise BusyError(found, remedy="make it again, so that it is checked against that too")
            last = next((one.left.versions for one in reversed(kept) if coming.outcome in one.left.versions), {})
            earlier = last.get(coming.outcome, {})
            changed = {key: one for key, one in coming.versions.items() if earlier.get(key) != one}
            changed |= dict.fromkeys(earlier.keys() - coming.versions.keys(), "")
            chain.add(
                {
                    "what": "document",
                    "number": len(kept) + 1,
                    "at": utc_now().isoformat() + "Z",
                    "id": coming.id,
                    **said,
                    "file": digest,
                    "figures": figures,
                    "alone": dict(coming.alone),
                    "places": left.places,
                    "versions": {coming.outcome: changed},
                    "releases": releases,
                }
            )
    except OSError as error:
        found = f"what leaves cannot be written down: {error.strerror or type(error).__name__}"
        raise RequestError(found, where=LEFT, remedy="check the warehouse folder; nothing left") from error


def strike(folder: Path, number: int) -> None:
    """Note that a document was never sent, so that it counts no longer; RequestError where there is none."""
    if not any(one.entry["number"] == number and not one.struck for one in documents(folder)):
        raise RequestError(f"there is no document {number} on record that counts", remedy="see `menton report --left`")
    RecordChain(folder / LEFT).add({"what": "struck", "number": number, "at": utc_now().isoformat() + "Z"})
