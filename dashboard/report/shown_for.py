"""Findings as a rule allows: their counts are those of :mod:`warehouse.protected.counts`.

For the practice itself the rule hides nothing, and each count is what it is. Under any other rule, other definitions
are about the same cases, and one may hold all the adverse cases of another, so that a difference would be a count of
cases: their counts are rounded as well, and protected together with the number of cases started. Untreated children and
cases that were turned away or picked out are other cases, and each is protected by itself.

What left before, for whomever, is checked against as well (:mod:`warehouse.leaving.record`).
"""

from dataclasses import replace

from dashboard.report.adjusted import AdjustedShown, held_alike
from dashboard.report.gathered import Gathered
from dashboard.report.shown import Change, Comparison, Findings
from warehouse.analysis.difference import risk_difference
from warehouse.cases.case_dots import MeanCourse
from warehouse.disclosure import HIDDEN, Count, Policy
from warehouse.leaving.record import Coming
from warehouse.marts.grouping import Grouping
from warehouse.marts.steps import STAGES
from warehouse.outcomes.definition import Definition
from warehouse.protected.counts import COUNTED, Published, row_alone, threshold_name, two_counts
from warehouse.questions.grouped_changes import groups_with_means
from warehouse.questions.shares import GroupRow, Rates
from warehouse.questions.threshold import ThresholdCurve
from warehouse.results import Estimate
from warehouse.words.shares import error_sentence

POLICY = Policy()  # the rule for what leaves the practice
ROUND_TO = 5  # base that counts under other definitions are rounded to


def shown_for(policy: Policy, gathered: Gathered, *, cases: str, coming: Coming | None = None) -> Findings:
    """What was gathered, as far as the rule lets it be shown; ``cases`` says in words what it is about.

    ``coming`` knows what left before, and is None for the practice itself.
    """
    counted = gathered.counted
    known = (coming.scope, coming.past.releases, coming.before) if coming else ({}, (), {})
    published = Published(counted, policy, *known)
    overall = gathered.counted.overall
    told = [*overall.groups] if coming is not None and coming.again else None
    found = Findings(
        definition=overall.definition,
        growth_reference=overall.growth_reference,
        build=overall.build,
        published_at=gathered.published_at,
        cases=cases,
        practices=gathered.practices,
        n_practices=len(gathered.practices),
        level=overall.level,
        policy=policy,
        overall=published.overall(),
        flow=published.flow(),
        untreated=row_alone(gathered.untreated, policy, name="untreated") if gathered.untreated else None,
        comparisons=tuple(
            _comparison(place, result.by, gathered, published)
            for place, result in enumerate(gathered.counted.by)
            if result.by is not None
        ),
        family=tuple(_rounded(other, published, told) for other in gathered.others),
        secondary=tuple(_rounded(other, published, told) for other in gathered.secondary),
        curve=_curve(gathered.counted.threshold, published),
        change=_change(gathered, published.count(COUNTED), policy),
        course=_course(gathered, published.count(COUNTED), policy),
        refused=published.frame.refused,
    )
    return found if coming is None else _leaving(found, coming, published)


def _leaving(found: Findings, coming: Coming, published: Published) -> Findings:
    """Without what would tell of few cases since something left before, and with leave to go."""
    untreated = found.untreated
    if untreated is not None:
        name = f"untreated by {coming.outcome}"
        pair = (published.kept(f"{name}: {COUNTED}", untreated.counted), published.kept(name, untreated.adverse))
        untreated = untreated if pair == (untreated.counted, untreated.adverse) else None
    comparisons = tuple(
        one if one.by.name in coming.means else replace(one, groups=tuple(replace(g, change=None) for g in one.groups))
        for one in found.comparisons
    )
    has_mean = "" in coming.means
    return replace(
        found,
        untreated=untreated,
        comparisons=comparisons,
        change=found.change if has_mean else None,
        course=found.course if has_mean else None,
        coming=replace(coming, releases=tuple(published.releases), alone=published.alone),
    )


def _comparison(place: int, by: Grouping, gathered: Gathered, published: Published) -> Comparison:
    table, rows = published.tables[place], published.rows(place)
    means = gathered.means.get(by.name, {})
    sizes = {row.group: row.counted.n for row in gathered.counted.by[place].groups}
    fit = groups_with_means({row.group: row.counted for row in rows}, sizes, published.policy)
    held = _held_alike(place, by.name, gathered, published)
    return Comparison(
        by=by,
        groups=tuple(replace(row, change=means.get(row.group) if row.group in fit else None) for row in rows),
        difference=difference_of(rows, level=gathered.counted.by[place].level),
        adjusted=None if isinstance(held, str) else held,
        not_adjusted=held if isinstance(held, str) else "",
        refused=table.refused if table else "",
    )


def difference_of(groups: tuple[GroupRow, ...], *, level: float) -> Estimate | None:
    """Share of the second of two groups less that of the first; None otherwise, or where a count is hidden."""
    if len(groups) != 2 or any(not group.counted.value or group.adverse.value is None for group in groups):
        return None
    first, second = groups
    return risk_difference(second.adverse.n, second.counted.n, first.adverse.n, first.counted.n, level=level)


def _held_alike(place: int, name: str, gathered: Gathered, published: Published) -> AdjustedShown | str:
    """Two of the groups with what was recorded held alike, or why that is not shown; empty where there are not two."""
    pair, complete = gathered.pairs.get(name), gathered.counted.complete.get(name)
    if pair is None or complete is None:
        return ""
    first, second = complete.asked.first, complete.asked.second
    return held_alike(
        pair,
        complete=(published.complete_pair(name, first), published.complete_pair(name, second)),
        counted=(published.pair(place, first), published.pair(place, second)),
        policy=published.policy,
    )


def _rounded(result: Rates, published: Published, told: list[GroupRow] | None) -> tuple[Definition, GroupRow]:
    """Counts under another definition; where they were rounded from other cases before, roundings together tell more.

    So then they are given only where they differ by no small count from those ``told``, which they are added to.
    """
    policy, (row,) = published.policy, result.groups
    for one in told or ():
        counted, adverse = row.counted.n - one.counted.n, row.adverse.n - one.adverse.n
        apart = (counted, adverse, counted - adverse, one.started.n - row.counted.n)
        if any(policy.is_small(abs(n)) for n in apart):
            return result.definition, two_counts(row, HIDDEN, HIDDEN, result)
    if told is not None:
        told.append(row)
    rounding = policy if policy.hides_nothing else replace(policy, round_to=policy.round_to or ROUND_TO)
    started = published.count(STAGES["started"])
    return result.definition, row_alone(result, rounding, name=result.definition.name, started=started)


def _curve(curve: ThresholdCurve, published: Published) -> ThresholdCurve:
    """The points that may be shown. Without the number counted there is no share."""
    if published.policy.hides_nothing:
        return curve
    if published.count(COUNTED).value is None or not published.chain.has_thresholds:
        return replace(curve, points=(), n=0)
    kept = tuple(p for p in curve.points if published.count(threshold_name(p.threshold)).value is not None)
    return replace(curve, points=kept)


def _course(gathered: Gathered, counted: Count, policy: Policy) -> MeanCourse | None:
    """Means over all cases counted; of its classes, and of a part of the cases, for the practice itself alone."""
    course = gathered.course
    if course is None or policy.hides_nothing:
        return course
    whole = course.rows[0]
    if counted.value != whole.n or whole.n < policy.mean_minimum:
        return None
    return replace(course, rows=course.rows[:1])


def _change(gathered: Gathered, counted: Count, policy: Policy) -> Change | None:
    """The changes behind the classes; None without a case, or where too few are shown to be counted."""
    picture = gathered.changes
    if picture is None or picture.quartiles is None or counted.value is None or counted.value < policy.mean_minimum:
        return None
    return Change(
        label=picture.label,
        unit=picture.unit,
        summary=picture.mean,
        quartiles=picture.quartiles,
        error=error_sentence(picture.band, picture.unit),
        picture=picture if policy.hides_nothing else None,
    )
