"""What a practice has handed over before, and how a further table or mean about much the same cases meets it.

A case as it stands (its variables and results) is one version; a corrected case is another. Every version carries a
mark that says which contributions it was part of: "101" was in the first and the third. Tables of contribution i are
about the versions with a 1 in place i. So the engine of disclosure control sees exactly by which versions two
contributions differ. A reader is taken to know which marks no version has, such as that no case was taken out.

Of the changes of the cases nothing leaves but their number, mean and variance, whichever way a practice contributes;
these are all that pooling needs. A single change beside generalised variables would be a mark to find a child by.
"""

import hashlib
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Any, TypeAlias

import numpy as np

from warehouse.disclosure import Guard, Layout, Release
from warehouse.plural import number_of
from warehouse.pooled.agreement import Agreement
from warehouse.pooled.tables import SCOPE, is_about
from warehouse.store.chain import canonical

RECORD_FILE = "contributions.jsonl"
"""Name of the file in the warehouse folder where a practice keeps it (``pipelines/group/practice_record.py``)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HandedOver:
    """One earlier contribution, as its owner keeps it."""

    level: str  # `cases` or `counts`
    versions: Mapping[str, Mapping[str, str]]  # Outcome -> case key -> digest of the case as it then stood
    # The tables handed over; their scope names the versions by marks as long as the history then was
    releases: tuple[Release, ...] = ()
    # Variable -> level of a case-level contribution
    levels: Mapping[str, int] = field(default_factory=lambda: MappingProxyType({}))
    # Outcome -> case key -> digest of the change, for the changes whose mean was handed over
    values: Mapping[str, Mapping[str, str]] = field(default_factory=lambda: MappingProxyType({}))
    id: str = ""
    # Outcome -> ids of what had left before and of itself: what each place of its marks stands for. Without an entry
    # these are the first of the history.
    places: Mapping[str, tuple[str, ...]] = field(default_factory=lambda: MappingProxyType({}))


def handed_over(entry: Mapping[str, Any], so_far: dict[tuple[str, str], tuple[str, ...]]) -> HandedOver:
    """A contribution from its entry in the record; ``so_far`` goes from one to the next (practice, outcome -> ids)."""
    named = [entry[name] for name in ("group", "sequence", "made_on", "releases")]
    own, places = hashlib.sha256(canonical(named)).hexdigest()[:12], {}
    for outcome in entry["versions"]:
        at = entry["practice"], outcome
        so_far[at] = (*so_far.get(at, ()), own)
        before = entry.get("places", {}).get(outcome, so_far[at][:-1])
        places[outcome] = (*before, own)
    return HandedOver(
        level=entry["level"],
        versions=entry["versions"],
        releases=tuple(Release.from_dict(one) for one in entry["releases"]),
        levels=entry["levels"],
        values=entry.get("values", {}),
        id=own,
        places=places,
    )


def contributions_of(entries: Iterable[Mapping[str, Any]]) -> list[HandedOver]:
    """What was handed over, by entries of the record, but for what was never sent; what was taken back may be kept."""
    so_far: dict[tuple[str, str], tuple[str, ...]] = {}
    found: dict[tuple[str, str, int], HandedOver] = {}
    for entry in entries:
        number = entry["practice"], entry["group"], entry["sequence"]
        if entry["what"] == "handed over":
            found[number] = handed_over(entry, so_far)
        elif entry["what"] == "struck":
            found.pop(number, None)
    return list(found.values())


@dataclass(frozen=True, slots=True)
class ContributionChange:
    """By how many cases two contributions differ: new or changed, and taken out or changed."""

    added: int
    gone: int

    @property
    def total(self) -> int:
        """The larger of the two, as a changed case is in both."""
        return max(self.added, self.gone)


def smallest_difference(
    history: Sequence[HandedOver], now: Mapping[str, Mapping[str, str]]
) -> ContributionChange | None:
    """Of all earlier contributions, the fewest cases by which one differs from now at all; None where none differs."""
    found = [
        ContributionChange(len(versions.items() - before.items()), len(before.items() - versions.items()))
        for outcome, versions in now.items()
        for before in (one.versions[outcome] for one in history if outcome in one.versions)
    ]
    return min((one for one in found if one.total), key=lambda one: one.total, default=None)


@dataclass(frozen=True, slots=True)
class Past:
    """What has been handed over about one outcome, told in the marks of now."""

    scope: tuple[str, ...]  # Marks of the versions that the coming contribution is made of
    releases: tuple[Release, ...]  # Tables handed over before
    places: tuple[str, ...] = ()  # Ids of what was handed over before, in the order of the marks


Alike: TypeAlias = Callable[[Release, Release], Release]


def past_of(history: Sequence[HandedOver], outcome: str, now: Mapping[str, str], alike: Alike | None = None) -> Past:
    """What a coming table of an outcome has to be checked against (case key -> digest, as the cases stand now).

    ``alike``: Tells an earlier table in the classes of another of the same name; without it no table is left out.
    """
    every = [one for one in history if outcome in one.versions]
    before = every if alike is None else _needed(every, outcome, now, alike)
    known = _marks([*(one.versions[outcome] for one in before), now])
    at = {one.id: place for place, one in enumerate(before)}
    releases = []
    for one in before:
        named = one.places.get(outcome)
        places = range(len(before)) if named is None else [at.get(name) for name in named]
        releases += [_remarked(release, known, places) for release in one.releases if is_about(release, outcome)]
    scope = tuple(mark for mark in known if mark.endswith("1")) or ("nothing",)
    return Past(scope, tuple(releases), tuple(one.id for one in before))


def _needed(before: Sequence[HandedOver], outcome: str, now: Mapping[str, str], alike: Alike) -> Sequence[HandedOver]:
    """All since the last thing that left of which every count is known, and that tells whatever was told before it.

    If the versions that something before it shares with something after it are all in it, then, its counts given, any
    cases that fit what was before go with any that fit what is after (decomposable tables, as in
    ``warehouse.disclosure.space``): neither can narrow a count of the other.
    """
    each = [frozenset(one.versions[outcome].items()) for one in before]
    for k in range(len(before) - 1, 0, -1):
        of_same = (one for one, versions in zip(before[k:], each[k:], strict=True) if versions == each[k])
        exact = {release.name: release for one in of_same for release in one.releases}
        tables = [release for one in before[:k] for release in one.releases if is_about(release, outcome)]
        is_told = all(one.name in exact and _tells(exact[one.name], alike(one, exact[one.name])) for one in tables)
        if is_told and frozenset().union(*each[:k]) & frozenset(now.items()).union(*each[k:]) <= each[k]:
            return before[k:]
    return before


def _tells(exact: Release, other: Release) -> bool:
    """Whether a table shows all its counts, and every cell of another is a sum of its cells."""
    finer = {one.name: [*map(one.values, one.members)] for one in exact.layout.dimensions}
    return (
        exact.policy.round_to is None
        and all(cell.state == "shown" for cell in exact.cells.values())
        and finer.keys() == {one.name for one in other.layout.dimensions}
        and all(
            values == frozenset().union(*(own for own in finer[one.name] if own <= values))
            for one in other.layout.dimensions
            for values in map(one.values, one.members)
        )
    )


def _marks(everyone: Sequence[Mapping[str, str]]) -> tuple[str, ...]:
    """Every mark that some version has, sorted."""
    versions = {(key, digest) for each in everyone for key, digest in each.items()}
    return tuple(sorted({"".join("01"[each.get(key) == digest] for each in everyone) for key, digest in versions}))


def _remarked(release: Release, known: Sequence[str], places: Sequence[int | None]) -> Release:
    def sets(named: Mapping[str, frozenset[str]]) -> Mapping[str, frozenset[str]]:
        return {name: frozenset(_grown(own, known, places)) if name == SCOPE else own for name, own in named.items()}

    layout = release.layout
    scope = {name: tuple(_grown(kept, known, places)) if name == SCOPE else kept for name, kept in layout.scope.items()}
    guards = tuple(Guard(sets(one.whole), None if one.less is None else sets(one.less)) for one in release.guards)
    return replace(release, layout=Layout(layout.dimensions, MappingProxyType(scope)), guards=guards)


def _grown(values: Sequence[str] | frozenset[str], known: Sequence[str], places: Sequence[int | None]) -> list[str]:
    """The marks of now that say of each place what one of these says of it; what was struck says nothing."""

    def is_one(mark: str, value: str) -> bool:
        return all(place is None or mark[place] == sign for place, sign in zip(places, value, strict=False))

    return [mark for mark in known if any(is_one(mark, value) for value in values)] or sorted(values)


_MOST_CHANGE = 1_000.0  # no change of a face is larger, in degrees, millimetres or points


@dataclass(frozen=True, slots=True)
class Moments:
    """Number of changes, their mean and their variance (divisor n - 1)."""

    n: int
    mean: float
    variance: float

    def to_list(self) -> list[float]:
        """As written in a manifest."""
        return [self.n, self.mean, self.variance]


def moments_of(values: Sequence[float]) -> Moments | None:
    """Moments of changes; None of fewer than two."""
    if len(values) < 2:
        return None
    array = np.asarray(sorted(values), dtype=np.float64)
    return Moments(array.size, float(array.mean()), float(array.var(ddof=1)))


def moments_from(data: object) -> Moments | None:
    """Moments as written in a manifest; None where they are out of shape or out of range."""
    if not isinstance(data, list) or len(data) != 3 or type(data[0]) is not int:
        return None
    n, mean, variance = data
    if not all(type(one) in {int, float} and math.isfinite(one) for one in (mean, variance)):
        return None
    is_possible = n >= 2 and abs(mean) <= _MOST_CHANGE and 0 <= variance <= _MOST_CHANGE**2
    return Moments(n, float(mean), float(variance)) if is_possible else None


def marks_of(values: Mapping[str, float]) -> dict[str, str]:
    """Case key -> digest of its change, by which later contributions tell which changes are new."""
    return {
        key: hashlib.sha256(f"{key}\x1f{value + 0.0:.6f}".encode()).hexdigest()[:12] for key, value in values.items()
    }


def why_no_mean(
    values: Mapping[str, float], counted: int | None, outcome: str, agreement: Agreement, history: Sequence[HandedOver]
) -> str:
    """Why the mean of an outcome may not leave, or empty: two means of nearly the same cases give the few away.

    ``values``: Case key -> change, of the cases counted. ``counted``: Cases as they leave; None where hidden.
    """
    if counted is None:
        return "the number of cases counted is hidden"
    if len(values) < agreement.mean_minimum:
        return f"a mean needs {agreement.mean_minimum} cases; there are {len(values)}"
    if len(values) != counted:
        without = number_of(counted - len(values), "counted case has", "counted cases have")
        return f"{without} no change, and the difference would tell so"
    now = set(marks_of(values).items())
    for one in history:
        before = set(one.values.get(outcome, {}).items())
        fewest = max(len(now - before), len(before - now))
        if before and 0 < fewest < agreement.mean_minimum:
            return f"compared with an earlier mean it would tell about {number_of(fewest, 'case')}"
    return ""
