"""The practices of one warehouse beside each other, unnamed and in order of size, for its coordinator and for them.

The counts are those of the protected table by practice, whoever looks, so that this picture shows nothing that table
hides; and of hidden ones there are three at least, since practices look at it that know their own. Headline definition,
consecutive treated cases, no filter: see ``warehouse.protected.shares``.

Mean changes come from number, mean and standard deviation of each practice that has enough cases, the latter two to
two decimals; of means left out there are three at least as well.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from warehouse.cases.case_dots import MeanCourse, mean_course
from warehouse.disclosure import HIDDEN, Policy, Release
from warehouse.marts.grouping import GROUPINGS
from warehouse.marts.reader import Reader
from warehouse.pooled.history import Moments
from warehouse.pooled.publishing import Practice, for_each_other, left_out_notes, practice_of
from warehouse.pooled.ranges import Range
from warehouse.pooled.result import MeanPool, SharePool
from warehouse.pooled.shares import pooled_means, share_pool, tag_of
from warehouse.protected.shares import as_shown, published
from warehouse.questions.grouped_changes import changes_by, groups_with_means
from warehouse.questions.shares import GroupRow, Rates
from warehouse.results import Caution

FEWEST = 3  # fewest practices behind a picture: of two, each could take its own counts from the total

COUNTS_HIDDEN = "counts hidden"
POLICY = Policy()
DIGITS = 2
"""Decimal places of means and standard deviations."""


@dataclass(frozen=True, slots=True)
class Here:
    """The practices of a warehouse."""

    rates: Rates  # The protected table they were read from
    pool: SharePool  # Their shares together
    # Their mean changes together; None where the definition looks at no single change, or there is no pool
    means: MeanPool | None
    # Practice -> the tag of its line. It stays on the server: a viewer is told of his own line only.
    tags: Mapping[str, str]
    courses: MeanCourse | None = None  # Means from start to finish of the practices in ``means``, under their labels
    releases: tuple[Release, ...] = ()  # The tables, for the record of what left


def practices_here(
    reader: Reader, scope: Mapping[str, tuple[str, ...]] = MappingProxyType({}), earlier: Sequence[Release] = ()
) -> Here:
    """The share adverse practice by practice, pooled; checked against ``earlier`` as ``published`` does."""
    tables = published(reader, "practice", scope, earlier)
    found, together = as_shown(tables), tables.overall()
    left_out: Counter[str] = Counter()
    practices = [one for group in found.groups if (one := _practice(group, found.policy.minimum, left_out)) is not None]
    pool = share_pool(
        for_each_other(practices, together.adverse.value, besides=left_out[COUNTS_HIDDEN]),
        found.definition,
        totals=(("started", found.flow.stages[0].cases.shown),),
        notes=(*left_out_notes(left_out), *found.notes),
        fewest=FEWEST,
        salt=found.build,
    )
    tags = {group.group: tag_of(group.group, found.build) for group in found.groups}
    means = None if pool.refused else _means(reader, found, pool)
    courses = _courses(reader, found, means, together)
    return Here(found, pool, means, MappingProxyType(tags), courses, tuple(tables.releases))


def _courses(reader: Reader, found: Rates, means: MeanPool | None, together: GroupRow) -> MeanCourse | None:
    """The courses behind the means, where they are of the very same cases: others would tell of the difference."""
    if means is None or means.refused:
        return None
    course = mean_course(reader, selection=found.selection, definition=found.definition.id, by="practice")
    if course is None:
        return None
    by_tag = {tag_of(one.name, found.build): one for one in course.rows[1:]}
    kept = [replace(by_tag[line.tag], name=line.label) for line in means.lines if line.tag in by_tag]
    is_same = [one.n for one in kept] == [line.n for line in means.lines]
    is_same = is_same and course.rows[0].n == together.counted.value
    return replace(course, rows=(course.rows[0], *kept)) if is_same else None


def _means(reader: Reader, found: Rates, pool: SharePool) -> MeanPool | None:
    """The mean changes of the practices that may show theirs."""
    changed = changes_by(reader, found.definition, found.selection, GROUPINGS["practice"])
    sizes = {practice: values.size for practice, values in changed.items()}
    cells = {group.group: group.counted for group in found.groups if group.counted.value == sizes.get(group.group)}
    known = {practice: cells.get(practice, HIDDEN) for practice in sizes}
    fit = groups_with_means(known, sizes, POLICY, to_themselves=True)
    moments = {practice: _moments(changed[practice]) for practice in sorted(fit)}
    n_out = len(sizes) - len(fit)
    notes = (Caution("withheld", "means_left_out", {"n": n_out, "minimum": POLICY.mean_minimum}),) if n_out else ()
    return pooled_means(moments, found.definition, pool, fewest=FEWEST, salt=found.build, notes=notes)


def _moments(values: NDArray[np.float64]) -> Moments:
    """Number, mean and variance; the mean and the standard deviation as they are printed."""
    return Moments(values.size, round(float(values.mean()), DIGITS), round(float(values.std(ddof=1)), DIGITS) ** 2)


def _practice(group: GroupRow, minimum: int, left_out: Counter[str]) -> Practice | None:
    hidden = Range(1, minimum - 1 if group.adverse.state == "small" else group.counted.value or 1)
    return practice_of(group.group, group.adverse, group.counted, hidden, left_out, COUNTS_HIDDEN)
