"""Findings for the practice itself: every count whole."""

from __future__ import annotations

from dashboard.report.adjusted import adjusted_whole
from dashboard.report.findings import Change, Comparison, Group, LossShown, Shown, Stage
from dashboard.report.gathered import Gathered
from warehouse.analysis.difference import risk_difference
from warehouse.cases.flow import StageCount
from warehouse.disclosure import Count
from warehouse.questions.shares import GroupRate, Rates
from warehouse.questions.spread import ChangePicture
from warehouse.results import Estimate


def whole(gathered: Gathered) -> Shown:
    """Everything gathered, with nothing hidden."""
    overall = gathered.overall
    return Shown(
        audience="practice",
        policy=None,
        overall=_all(overall),
        stages=tuple(_stage(stage) for stage in overall.flow.stages),
        turned_away=cell(overall.flow.n_turned_away),
        selected=cell(overall.flow.n_selected),
        not_due=cell(overall.flow.n_not_due),
        untreated=_all(gathered.untreated) if gathered.untreated else None,
        comparisons=tuple(_comparison(result, gathered) for result in gathered.by),
        family=tuple((other.definition, _all(other)) for other in gathered.others),
        secondary=tuple((other.definition, _all(other)) for other in gathered.secondary),
        curve=gathered.threshold,
        change=change_of(gathered.changes),
    )


def cell(n: int) -> Count:
    """A count shown as it is."""
    return Count("shown", f"{n:,}", n)


def change_of(picture: ChangePicture | None, *, with_picture: bool = True) -> Change | None:
    """The changes behind the classes; None without a case."""
    if picture is None or picture.quartiles is None:
        return None
    return Change(
        label=picture.label,
        unit=picture.unit,
        summary=picture.mean,
        quartiles=picture.quartiles,
        error=error_of(picture),
        picture=picture if with_picture else None,
    )


def error_of(picture: ChangePicture) -> str:
    """What is known of measuring error."""
    from warehouse.words.shares import error_sentence

    return error_sentence(picture.band, picture.unit)


def difference_of(groups: tuple[Group, ...], *, level: float) -> Estimate | None:
    """Share of the second of two groups less that of the first; None otherwise, or where a count is hidden."""
    if len(groups) != 2:
        return None
    first, second = groups
    counts = (second.adverse.value, second.counted.value, first.adverse.value, first.counted.value)
    x1, n1, x2, n2 = counts
    if x1 is None or n1 is None or x2 is None or n2 is None or not n1 or not n2:
        return None
    return risk_difference(x1, n1, x2, n2, level=level)


def _stage(stage: StageCount) -> Stage:
    losses = tuple(LossShown(loss.reason, cell(loss.n)) for loss in stage.losses)
    return Stage(stage.name, stage.title, cell(stage.n), losses, sum(loss.n for loss in stage.losses))


def _all(result: Rates) -> Group:
    (group,) = result.groups
    return _group(group)


def _group(group: GroupRate, change: Estimate | None = None) -> Group:
    return Group(
        group=group.group,
        label=group.label,
        started=cell(group.n_started),
        finished=cell(group.n_finished),
        counted=cell(group.n_assessable),
        adverse=cell(group.n_adverse),
        missing=cell(group.n_missing_due),
        rate=group.rate,
        if_none=group.if_none,
        if_all=group.if_all,
        change=change,
    )


def _comparison(result: Rates, gathered: Gathered) -> Comparison:
    if result.by is None:  # pragma: no cover - only called for groupings
        message = "a comparison needs a grouping"
        raise TypeError(message)
    found = gathered.means.get(result.by.name, {})
    groups = tuple(_group(group, found.get(group.group)) for group in result.groups)
    pair, complete = gathered.pairs.get(result.by.name), gathered.complete.get(result.by.name)
    held_alike = None
    if pair is not None and complete is not None:
        (n1, n2), (x1, x2) = complete.n, complete.n_adverse
        held_alike = adjusted_whole(pair, (cell(n1), cell(n2)), (cell(x1), cell(x2)))
    difference = difference_of(groups, level=result.level)
    return Comparison(by=result.by, groups=groups, difference=difference, adjusted=held_alike)
