"""What a share says: how high, how sure, what the missing could do, and which cases it is a share of."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Protocol

from warehouse.words.numbers import between, cases, percent, percent_range, points, points_range
from warehouse.words.sentences import caution_text, say, share_words

if TYPE_CHECKING:
    from warehouse.cases.case_dots import MeanCourse
    from warehouse.cases.flow import Flow
    from warehouse.disclosure import Count
    from warehouse.outcomes.definition import Definition
    from warehouse.questions.shares import GroupRow, Rates
    from warehouse.questions.spread import ChangePicture
    from warehouse.questions.threshold import ThresholdCurve
    from warehouse.repeats.error_band import ErrorBand
    from warehouse.results import Estimate

CAUTION = say("audit.caution")
NO_FILM, BEFORE_PRESENTING = say("audit.no_film"), say("audit.present")
NAMING, ASSOCIATION = say("audit.naming"), say("audit.association")
"""The caution that belongs where records, talks, names and groups are."""
BESIDE_BY_GROUP = say("share.beside_by_group")
"""Why nothing stands beside the shares of groups whose small counts are hidden."""
FEWEST = 10  # counted cases of a year that is named in a sentence

FEW, MUCH_MISSING = 100, 0.05
"""Cases from which groups are worth comparing; share of missing outcomes above which they come first (common practice,
no source)."""


class _Rated(Protocol):
    """Anything that has a share."""

    @property
    def rate(self) -> Estimate: ...


def answer_sentence(group: GroupRow) -> str:
    """What a share says, with its n and interval, as far as it may be told."""
    rate, counted, adverse = group.rate, group.counted, group.adverse
    if counted.value == 0:
        return say("share.none_counted")
    if rate.value is None or rate.interval is None:
        if counted.value is None or adverse.state != "small":
            return say("share.hidden")
        return say("share.few_adverse", few=adverse.shown.capitalize(), n=counted.value)
    key = "share.none_adverse" if adverse.value == 0 else "share.some_adverse"
    return say(key, adverse=adverse.shown, rate=rate)


def beside_sentences(group: GroupRow) -> list[str]:
    """What stands beside a share: the other way and the net, what to expect without treatment, reading error."""
    told = (
        other_way_sentence(group),
        untreated_sentence(group),
        corrected_sentence(group),
        all_started_sentence(group),
    )
    return [sentence for sentence in told if sentence]


def first_line(group: GroupRow) -> str:
    """Worse and better side by side, with what to expect untreated and reading error allowed for; empty if hidden."""
    if group.rate.value is None:
        return ""
    parts = [say("first.worse", share=group.rate)]
    if group.share_favourable is not None and group.share_favourable.value is not None and group.net is not None:
        key = "first.better_of" if group.favourable_of else "first.better"
        parts += [say(key, share=group.share_favourable), say("first.net", net=group.net)]
    else:
        parts.append(say("first.no_better"))
    for key, not_told, beside in (
        ("first.untreated", "first.untreated_not_told", group.beside.expected),
        ("first.corrected", "first.corrected_not_told", group.beside.corrected),
    ):
        share = beside.share if beside is not None and beside.share.value is not None else None
        parts.append(say(key, share=share) if share else say(not_told))
    return f"{'; '.join(parts)}."


BESIDE = (
    "cases the other way",
    "as far the other way",
    "net, points",
    "expected untreated",
    "reading error allowed for",
)


def beside_entries(group: GroupRow) -> tuple[str, ...]:
    """The same as cells of a table with the columns ``BESIDE``; a dash where there is nothing to say."""
    expected, corrected = group.beside.expected, group.beside.corrected
    beside = [one.share if one else None for one in (expected, corrected)]
    shares = (group.share_favourable, *beside)
    turned, *others = map(_entry, shares)
    net = group.net
    netted = f"{points(net.value)} ({points_range(net.interval)})" if net and net.value is not None else "—"
    return group.favourable.shown if group.favourable else "—", turned, netted, *others


def not_told(groups: Iterable[GroupRow]) -> list[str]:
    """Why columns of ``BESIDE`` are empty: what cannot stand beside the shares of a definition like this."""
    group = next((one for one in groups if one.counted.n), None)
    if group is None:
        return []
    beside = group.beside
    empty = (group.favourable is None, beside.expected is None, beside.corrected is None)
    told = (other_way_sentence, untreated_sentence, corrected_sentence)
    return [say_it(group) for say_it, is_empty in zip(told, empty, strict=True) if is_empty]


def _entry(share: Estimate | None) -> str:
    if share is None or share.value is None:
        return "—"
    return f"{percent(share.value)} ({percent_range(share.interval)})"


def other_way_sentence(group: GroupRow) -> str:
    """What stands beside a share: the share that moved as far the other way, and the net; empty with nobody counted."""
    if group.counted.value == 0:
        return ""
    share, net = group.share_favourable, group.net
    if group.favourable is None or share is None or net is None:
        return say("share.no_other_way")
    if net.interval is None:
        return say("share.other_way_hidden")
    if share.interval is None:
        return say("share.nobody_could_turn")
    key = "share.other_way_of" if group.favourable_of else "share.other_way"
    return say(key, favourable=group.favourable.shown, share=share, net=net)


def key_figures(group: GroupRow) -> list[tuple[str, str, str]]:
    """Worse, better, and what the missing could do, in large figures: what it is, the figure, what it rests on."""
    n = group.counted.shown
    told = [("glance.worse", group.rate, group.adverse.shown)]
    if group.favourable is not None and group.share_favourable is not None:
        told.append(("glance.better", group.share_favourable, group.favourable.shown))
    rows = [
        (say(key), percent(one.value, digits=0), say("glance.rests", x=x, n=n, share=one))
        for key, one, x in told
        if one.value is not None
    ]
    beside = (("glance.untreated", group.beside.expected), ("glance.corrected", group.beside.corrected))
    for key, stands in beside:
        if stands is not None and stands.share.value is not None:
            share = stands.share
            rows.append((say(key), percent(share.value, digits=0), say("glance.beside_rests", share=share)))
        else:
            rows.append((say(key), say("glance.no_figure"), say("glance.not_told")))
    if group.missing.value and group.if_none.value is not None and group.if_all.value is not None:
        ends = between(group.if_none.value, group.if_all.value, digits=0)
        rows.append((say("glance.missing"), ends, say("glance.missing_rests", n=group.missing.value)))
    return rows


def both_ways_sentence(group: GroupRow) -> str:
    """Worse and better with the net, in one sentence that can be a title."""
    share, net = group.share_favourable, group.net
    if share is None or net is None or share.value is None or net.value is None or group.rate.value is None:
        return f"{answer_sentence(group)} {other_way_sentence(group)}"
    return say("both.finding", worse=group.rate, better=share, net=net, n=group.counted.value)


def course_sentence(course: MeanCourse) -> str:
    """The mean at the start and at the finish, and what growth alone would have made of it."""
    whole = course.rows[0]
    expected = "" if whole.expected is None else say("both.course_expected", expected=whole.expected)
    said = {"label": course.label, "unit": course.unit, "expected": expected}
    return say("both.course", start=whole.start, finish=whole.finish, n=whole.n, **said)


def years_sentence(result: Rates) -> str:
    """The share of the first and of the last year of start in which enough cases were counted."""
    known = [
        one for one in result.groups if one.group.isdigit() and one.counted.n >= FEWEST and one.rate.value is not None
    ]
    if len(known) < 2:
        return say("glance.no_years", fewest=FEWEST)
    return say("glance.years", first=known[0], last=known[-1])


def steps(group: GroupRow, flow: Flow, definition: Definition) -> list[tuple[str, str]]:
    """What would make the finding firmer, the most pressing first, each with the address of the page for it."""
    listed = []
    if group.counted.value is not None and group.counted.value < FEW:
        listed.append((say("step.count_more", n=group.counted.value, needed=FEW), "bring_in"))
    due = [(one.cases.value or 0, one.reason) for stage in flow.stages for one in stage.losses if one.is_due]
    most, reason = max(due, default=(0, ""))
    started, missing = group.started.value, group.missing.value
    if started and missing and most and missing > MUCH_MISSING * started:
        listed.append((say("step.find_missing", n=most, reason=reason, missing=missing), "data"))
    listed.append((say("step.plan"), "methods"))
    listed.append((say("step.again", name=definition.name), "methods"))
    return listed


def headline(result: Rates) -> str:
    """The answer in one sentence."""
    (group,) = result.groups
    return answer_sentence(group)


def benchmark_sentence(group: _Rated, *, share: float = 0.10) -> str:
    """Whether the data are compatible with a share that people talk about, such as one case in ten."""
    interval = group.rate.interval
    key = "share.against_unknown"
    if group.rate.value is not None and interval is not None:
        key = "share.against_above" if interval.low > share else "share.against_within"
        key = "share.against_below" if interval.high < share else key
    return say(key, share=share, one_in=1 / share)


def bounds_sentence(group: GroupRow) -> str:
    """What the missing could do to the share."""
    n, turned_away = group.unknown, group.turned_away.value
    if n is None or (n and group.if_none.value is None):
        return say("share.missing_hidden")
    if n == 0:
        return say("share.none_missing")
    said = say("share.turned_away_too", n=turned_away) if turned_away else ""
    missing, if_none, if_all = group.missing.value, group.if_none.value, group.if_all.value
    return say("share.some_missing", missing=missing, turned_away=said, if_none=if_none, if_all=if_all)


def flow_sentence(flow: Flow) -> str:
    """The denominator in one sentence."""
    started, counted = flow.stages[0].cases.value, flow.stages[-1].cases.value
    if started is None or counted is None:
        parts = [say("frame.hidden")]
    else:
        key = "frame.counted" if started else "frame.none_started"
        parts = [say(key, counted=counted, started=started, share=counted / started if started else None)]
    if flow.turned_away.value != 0:
        parts.append(say("frame.turned_away", cases=_so_many(flow.turned_away)))
    if flow.selected.value != 0:
        parts.append(say("frame.hand_picked", cases=_so_many(flow.selected)))
    if flow.not_due.value != 0:
        parts.append(say("frame.not_due", cases=_so_many(flow.not_due)))
    if flow.set_apart.value != 0:
        parts.append(say("frame.set_apart", cases=_so_many(flow.set_apart)))
    if flow.no_reference.value != 0:
        parts.append(say("frame.no_reference", cases=_so_many(flow.no_reference)))
    return " ".join(parts)


def _so_many(count: Count) -> str:
    """A number of cases, as far as it may be told."""
    if count.value is not None:
        return cases(count.value)
    return say("frame.small_count", shown=count.shown) if count.state == "small" else say("frame.hidden_count")


def change_sentence(picture: ChangePicture) -> str:
    """How far the counted cases moved: the middle half, the mean, and how many lie beyond the threshold."""
    if picture.part is None or picture.quartiles is None:
        return say("change.none_counted")
    lower, median, upper = picture.quartiles
    unit = picture.unit
    parts = [
        say("change.middle_half", n=picture.n, unit=unit, median=median, lower=lower, upper=upper),
        say("change.beyond", beyond=picture.n_beyond, threshold=picture.part.threshold, unit=unit),
    ]
    if picture.n_within_error:
        parts.append(say("change.within_error", within=picture.n_within_error))
    return " ".join(parts)


def threshold_sentence(curve: ThresholdCurve) -> str:
    """How the share moves with the threshold: at the one in use, half of it and twice it, where these were tried."""
    if curve.part is None or curve.n == 0:
        return say("threshold.none")
    used = curve.part.threshold
    shown = [point for point in curve.points if point.threshold in (used / 2, used, 2 * used)]
    listed = [say("threshold.at", threshold=point.threshold, share=point.rate.value) for point in shown]
    return say("threshold.shares", listed="; ".join(listed), used=used)


def error_sentence(band: ErrorBand, unit: str) -> str:
    """How large a change must be to be more than measuring error, and where that is known from."""
    if band.mdc95 is None:
        return say("error.not_known", why=band.said)
    return say("error.known", mdc95=band.mdc95, unit=unit, source=band.said)


def _unlike(group: GroupRow, several: str, turned: str, hidden: str) -> str:
    """Why nothing can stand beside a share that is not one change, or is not shown."""
    return say(several if group.favourable is None else turned if group.favourable_of else hidden)


def untreated_sentence(group: GroupRow) -> str:
    """The share expected without treatment, and where it is from; empty where nobody was counted."""
    expected = group.beside.expected
    if group.counted.value == 0:
        return ""
    if expected is None:
        keys = ("share.untreated_unlike_several", "share.untreated_unlike_turned", "share.untreated_unlike_hidden")
        return _unlike(group, *keys)
    source = caution_text(expected.source)
    if expected.share.value is None:
        return source
    if expected.share.interval is None:
        return say("share.untreated_point", share=expected.share.value, source=source)
    return say("share.untreated", share=share_words(expected.share), source=source)


def corrected_sentence(group: GroupRow) -> str:
    """The share once reading error is allowed for, with what it rests on; empty where nobody was counted."""
    corrected = group.beside.corrected
    if group.counted.value == 0:
        return ""
    if corrected is None:
        keys = ("share.corrected_unlike_several", "share.corrected_unlike_turned", "share.corrected_unlike_hidden")
        return _unlike(group, *keys)
    cautions = [caution_text(one) for one in corrected.cautions]
    if corrected.share.value is None:
        return " ".join([say("share.not_corrected"), *cautions])
    key = "share.corrected" if corrected.pairs else "share.corrected_by_stand_in"
    key = "share.corrected_taken_again" if corrected.taken_again else key
    pairs, taken = corrected.pairs, corrected.taken_again
    return " ".join([say(key, share=share_words(corrected.share), pairs=pairs, taken=taken), *cautions])


def all_started_sentence(group: GroupRow) -> str:
    """The share among all whose outcome is known, stopped early or not; empty where that adds nobody."""
    found = group.beside.all_started
    if found is None or group.counted.value is None:
        return ""
    return say("share.all_started", n=found.n - group.counted.value, share=share_words(found), all=found.n)
