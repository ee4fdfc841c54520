"""What stands beside every share: how many would have passed without treatment, and how many without reading error.

Both are about a definition made of one change; for others only the untreated cases of the warehouse can tell what is
expected. The error of one reading is that of the practice's own repeats where there are enough, else the catalogue's,
which counts as known from as few pairs as an own one must have.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from math import inf, sqrt
from typing import Any, TypeAlias

import numpy as np

from warehouse.analysis.method_error import MINIMUM_PAIRS, least_change
from warehouse.analysis.misclassification import (
    CORRECTED,
    ErrorVariance,
    Untreated,
    corrected_share,
    mixed_error,
    share_untreated,
)
from warehouse.analysis.proportion import proportion
from warehouse.marts.grouping import Grouping, group_expression, membership_join
from warehouse.marts.outcome_sql import COUNTED, outcomes_of
from warehouse.marts.reader import Reader
from warehouse.measures.catalogue import CATALOGUE
from warehouse.outcomes.definition import ChangePart, Definition
from warehouse.results import Caution, Estimate, no_estimate
from warehouse.selection import Selection
from warehouse.store.quoting import SETTLED_DIGITS, name, number, statement, text

ENOUGH_UNTREATED = 30  # untreated cases counted from which they tell what is expected; common practice, no source
UNTREATED = "share adverse without treatment"
ALL = "all cases"
"""The group of all cases together."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectedShare:
    """The share expected without treatment."""

    share: Estimate
    source: Caution  # Where it is from


@dataclass(frozen=True, slots=True, kw_only=True)
class CorrectedShare:
    """The share once reading error is allowed for."""

    share: Estimate
    pairs: int  # Records read or taken twice that the error rests on
    taken_again: int  # Of these, taken twice: the error of taking another film or photograph is in it
    stand_in: int  # Cases whose error is the catalogue's
    sem: float | None  # Error of one reading, in the measure's unit; None where it is known for no case
    threshold: float  # What the change is held against

    @property
    def cautions(self) -> tuple[Caution, ...]:
        """What to keep in mind."""
        found = list(self.share.warnings)
        if self.share.interval is not None:
            found.append(Caution("approximation", "corrected_by_trials", {"held": CORRECTED_HELD_WITH_HEAVY_TAILS}))
        if self.stand_in and self.share.value is not None:
            found.append(Caution("approximation", "stand_in_error", {"n": self.stand_in, "pairs": MINIMUM_PAIRS}))
        mdc95 = least_change(self.sem or 0.0)
        if mdc95 > self.threshold:
            found.append(within_error(self.threshold, mdc95))
        return tuple(found)


def within_error(threshold: float, mdc95: float) -> Caution:
    """That a threshold lies below the measuring error of what it is held against."""
    return Caution("approximation", "threshold_within_error", {"threshold": threshold, "mdc95": mdc95})


@dataclass(frozen=True, slots=True, kw_only=True)
class Counterparts:
    """What stands beside the share of one group."""

    expected: ExpectedShare | None = None  # None among untreated cases where the reference says nothing
    corrected: CorrectedShare | None = None  # None where the definition is not one change
    all_started: Estimate | None = None  # With those whose treatment stopped early; None where it adds nobody


HELD_WITH_HEAVY_TAILS, CORRECTED_HELD_WITH_HEAVY_TAILS = 0.865, 0.9279
"""Part of the proof's trial runs in which the 95% interval of the share expected by the reference, and of the corrected
one, held at its least, where changes and errors have tails as heavy as Student's t with 5 degrees of freedom."""

NOTHING_BESIDE = Counterparts()

Fact: TypeAlias = tuple[Any, ...]  # what cases agree in, and last how many they are


def from_untreated(n_adverse: int, n: int, *, level: float) -> ExpectedShare | None:
    """What the untreated cases of the warehouse say, where there are enough."""
    if n < ENOUGH_UNTREATED:
        return None
    share = proportion(n_adverse, n, level=level, estimand=UNTREATED)
    source = Caution("approximation", "from_untreated", {"n": n, "n_adverse": n_adverse})
    return ExpectedShare(share=share, source=source)


@dataclass(slots=False)
class BesideShares:
    """Works out what stands beside the shares of one definition and selection."""

    reader: Reader
    definition: Definition
    selection: Selection
    level: float

    def by(self, ways: Sequence[Grouping | None]) -> list[dict[str, Counterparts]]:
        """For each grouping (None: all cases together), by group; nothing for a definition of several parts."""
        part = self.definition.single_change
        if part is None:
            return [{} for _ in ways]
        found: list[dict[str, Counterparts]] = [{} for _ in ways]
        once = [place for place, way in enumerate(ways) if way is None or way.column is not None]
        for places in ([once] if once else []) + [[place] for place in range(len(ways)) if place not in once]:
            for (place, group), (values, facts) in self._facts(part, [ways[place] for place in places]).items():
                found[places[place]][group] = Counterparts(
                    expected=self._expected(part, facts), corrected=self._corrected(part, facts, values)
                )
        return found

    def _facts(
        self, part: ChangePart, ways: Sequence[Grouping | None]
    ) -> dict[tuple[int, str], tuple[list[Fact], list[Fact]]]:
        """Place of a grouping and group -> its counted cases by value, and by what the value was read from."""
        condition, parameters = self.selection.where()
        practices = ", ".join(map(text, sorted({practice for practice, _ in self._own})))
        own = f"mart_cases.practice in ({practices})" if practices else "false"
        read = change_columns(self.reader, part)
        read |= {name: f"round({read[name]}, 2)" for name in ("value", "growth_sd", "growth")}
        read["practice"] = f"case when {own} then cast(mart_cases.practice as varchar) end"
        groups = [f"grouped_{place}" for place in range(len(ways))]
        named = [group_expression(way) if way else text(ALL) for way in ways]
        query = statement(
            __package__,
            "beside.sql",
            groups=", ".join(groups),
            named=", ".join(f"{one} as {group}" for one, group in zip(named, groups, strict=True)),
            columns=",\n        ".join(f"{column} as {named}" for named, column in read.items()),
            outcomes=outcomes_of(self.definition),
            span=text(part.span),
            counted=str(COUNTED),
            memberships=membership_join(ways[0]) if ways[0] else "",
            condition=condition,
            sets=", ".join(f"({group}, value), ({group}, practice, measure, growth_sd, growth)" for group in groups),
        )
        found: dict[tuple[int, str], tuple[list[Fact], list[Fact]]] = {}
        for row in self.reader.connection.rows(query, parameters):
            ((place, group),) = ((place, mark) for place, mark in enumerate(row[: len(ways)]) if mark is not None)
            value, *facts, n = row[len(ways) :]
            values, read_from = found.setdefault((place, group), ([], []))
            values.append((value, n)) if value is not None else read_from.append((*facts, n))
        return found

    def _expected(self, part: ChangePart, facts: Sequence[Fact]) -> ExpectedShare:
        known = [fact for fact in facts if fact[1] is not None]
        errors = [self.error(practice, measure) for practice, measure, *_ in known]
        told = all(one is not None for one in errors) and len(known) == len(facts)
        nothing = float("nan")
        sd = np.array([nothing if fact[2] is None else fact[2] for fact in known])
        found = Untreated(
            weight=np.array([float(fact[4]) for fact in known]),
            threshold=np.array([self._threshold(part, fact[0], fact[1]) for fact in known]),
            mean=np.array([nothing if fact[3] is None or not told else fact[3] for fact in known]),
            mean_se=sd * np.array([self._growth.get(fact[1], (0.0, None))[0] for fact in known]),
            growth_sd=sd,
            error=tuple(one or ErrorVariance(0.0, 1.0) for one in errors),
        )
        children = [self._growth.get(fact[1], (0.0, None))[1] for fact in known]
        fewest = min((n for n in children if n is not None), default=None) if None not in children else None
        share = share_untreated(found, children=fewest, level=self.level)
        return ExpectedShare(share=share, source=_source(share, fewest))

    def _corrected(self, part: ChangePart, read: Sequence[Fact], values: Sequence[Fact]) -> CorrectedShare:
        sizes: Counter[tuple[str, str]] = Counter()
        for practice, measure, _, _, n in read:
            sizes[practice, measure] += n
        weighted = [(n, self.error(*key)) for key, n in sizes.items()]
        known = [(float(n), one) for n, one in weighted if one is not None]
        own = {key: self._own[key][1:] for key in sizes if key in self._own}
        n = sizes.total()
        error = mixed_error(known) if known else ErrorVariance(0.0, inf)
        if len(known) < len(weighted):
            reason = Caution("no_data", "reading_error_not_known")
            share = no_estimate(estimand=CORRECTED, method="none", n=n, reason=reason)
        else:
            changes, weights = np.array(sorted(values), dtype=np.float64).T  # sums hang on no order of rows
            share = corrected_share(changes, part.threshold, error, weights=weights, level=self.level)
        return CorrectedShare(
            share=share,
            pairs=sum(n for n, *_ in own.values()),
            taken_again=sum(n for n, _, taken in own.values() if taken),
            stand_in=sum(n for key, n in sizes.items() if key not in own),
            sem=sqrt(error.value / 2.0) if known else None,
            threshold=part.threshold,
        )

    def _threshold(self, part: ChangePart, practice: str, measure: str) -> float:
        """The threshold with the margin for measuring error that earlier definitions ask for."""
        own = self._own.get((practice, measure))
        if part.beyond_error == "never" or (own is None and part.beyond_error == "own_repeats"):
            return part.threshold
        return max(part.threshold, own[2] if own else part.threshold)

    def error(self, practice: str, measure: str) -> ErrorVariance | None:
        """The error of one change: by the practice's own repeats where there are enough, else the catalogue's."""
        own = self._own.get((practice, measure))
        if own is not None:
            return own[0]
        stated = CATALOGUE[measure].method_error if measure in CATALOGUE else None
        return None if stated is None else ErrorVariance.of_pairs(stated.sem, MINIMUM_PAIRS)

    @cached_property
    def _own(self) -> dict[tuple[str, str], tuple[ErrorVariance, int, float, bool]]:
        """Practice and measure -> variance of the error of a change, pairs, MDC95, whether of records taken twice."""
        rows = self.reader.connection.rows(
            "select cast(practice as varchar), cast(measure as varchar), sem, n_pairs, kurtosis, mdc95, is_taken_again"
            " from mart_method_errors where is_used"
        )
        return {
            (practice, code): (ErrorVariance.of_pairs(sem, n, heavy), n, mdc, taken)
            for practice, code, sem, n, heavy, mdc, taken in rows
        }

    @cached_property
    def _growth(self) -> dict[str, tuple[float, int | None]]:
        """Measure -> part of the yearly spread that is doubt about its mean, and children the spread rests on."""
        rows = self.reader.connection.rows("select measure, slope_sd, slope_se, spread_children from mart_growth")
        found: dict[str, tuple[float, int | None]] = {}
        for measure, sd, se, children in rows:
            part = (se or 0.0) / sqrt(sd * sd + (se or 0.0) ** 2) if sd else 0.0
            found[measure] = (max(part, found.get(measure, (0.0, None))[0]), children)
        return found


def _source(share: Estimate, children: int | None) -> Caution:
    if share.value is None:
        return share.warnings[0]
    if children is None:
        return Caution("approximation", "from_reference_of_unknown")
    return Caution("approximation", "from_reference", {"n": children, "held": HELD_WITH_HEAVY_TAILS})


def change_columns(reader: Reader, part: ChangePart) -> dict[str, str]:
    """SQL over ``mart_outcomes`` and ``mart_spans`` of what the definition settled on.

    The measure (the first that could be used), its value turned so that larger is worse, and the reference's spread and
    mean of it, null where it has no curve; the mean is 0 where it is taken off already.
    """
    known = set(reader.connection.columns("mart_spans"))
    off, is_raw = number(10.0 ** (1 - SETTLED_DIGITS)), part.basis == "raw"
    sign = number(1.0 if part.direction == "rise" else -1.0)
    met = {}
    for code in part.measures:
        if f"{code}__after" in known and (is_raw or f"{code}__expected" in known):
            change = f"mart_spans.{name(code)}__after - mart_spans.{code}__before"
            taken = change if is_raw else f"{change} - mart_spans.{code}__expected"
            met[code] = f"when abs({taken} - mart_outcomes.value) <= {off} then"
    if len(met) == 1:  # then a value is of no other measure, and none has to be compared
        met = dict.fromkeys(met, "when mart_outcomes.value is not null then")
    grown = [code for code in met if f"{code}__expected" in known]

    def of(values: dict[str, str], kind: str) -> str:
        whens = " ".join(f"{met[code]} {value}" for code, value in values.items())
        return f"case {whens} end" if whens else f"cast(null as {kind})"

    expected, spread = (
        of({code: f"mart_spans.{name(code)}{ending}" for code in grown}, "double")
        for ending in ("__expected", "__expected_sd")
    )
    return {
        "measure": of({code: text(code) for code in met}, "varchar"),
        "value": f"{sign} * mart_outcomes.value",
        "growth_sd": spread,
        "growth": f"{sign} * ({expected})" if is_raw else number(0),
    }
