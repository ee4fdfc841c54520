"""What a share says: how high, how sure, what the missing could do, and which cases it is a share of."""

from __future__ import annotations

from typing import Protocol

from warehouse.cases.flow import Flow
from warehouse.protected.shares import ProtectedGroup
from warehouse.questions.misclassified import ErrorSources, GroupSurety
from warehouse.questions.shares import GroupRate, Rates
from warehouse.questions.spread import ChangePicture
from warehouse.questions.threshold import ThresholdCurve
from warehouse.repeats.error_band import ErrorBand
from warehouse.results import Estimate
from warehouse.words.numbers import cases
from warehouse.words.sentences import caution_text, say, share_words

CAUTION = say("audit.caution")


class _Rated(Protocol):
    """Anything that has a share."""

    @property
    def rate(self) -> Estimate: ...


def share_sentence(n_adverse: int, estimate: Estimate, *, who: str = "") -> str:
    """What a share says, with its n and interval."""
    who = f" {who}" if who else ""
    if estimate.value is None or estimate.interval is None:
        return say("share.none_counted", who=who)
    return say(
        "share.some_adverse" if n_adverse else "share.none_adverse",
        who=who,
        n=estimate.n,
        adverse=n_adverse,
        share=estimate.value,
        interval=estimate.interval,
        high=estimate.interval.high,
        level=estimate.interval.level,
    )


def protected_sentence(group: ProtectedGroup, *, who: str = "") -> str:
    """What a share says where counts may be hidden."""
    if group.rate.value is not None and group.n_adverse.value is not None:
        return share_sentence(group.n_adverse.value, group.rate, who=who)
    if group.n_assessable.value == 0:
        return share_sentence(0, group.rate, who=who)
    return say("share.hidden")


def headline(result: Rates) -> str:
    """The answer in one sentence."""
    (group,) = result.groups
    return share_sentence(group.n_adverse, group.rate)


def benchmark_sentence(group: _Rated, *, share: float = 0.10) -> str:
    """Whether the data are compatible with a share that people talk about, such as one case in ten."""
    interval = group.rate.interval
    key = "share.against_unknown"
    if group.rate.value is not None and interval is not None:
        key = "share.against_above" if interval.low > share else "share.against_within"
        key = "share.against_below" if interval.high < share else key
    return say(key, share=share, one_in=1 / share)


def bounds_sentence(group: GroupRate) -> str:
    """What the missing could do to the share."""
    return missing_sentence(group.n_missing_due, group.if_none, group.if_all)


def missing_sentence(n_missing: int, if_none: Estimate, if_all: Estimate) -> str:
    """What so many missing cases could do to a share that is known with none, and with all, of them adverse."""
    if n_missing == 0:
        return say("share.none_missing")
    return say("share.some_missing", n=n_missing, if_none=if_none.value, if_all=if_all.value)


def flow_sentence(flow: Flow) -> str:
    """The denominator in one sentence."""
    return frame_sentence(
        started=flow.stages[0].n,
        counted=flow.stages[-1].n,
        turned_away=cases(flow.n_turned_away) if flow.n_turned_away else "",
        selected=cases(flow.n_selected) if flow.n_selected else "",
        not_due=cases(flow.n_not_due) if flow.n_not_due else "",
    )


def frame_sentence(
    *, started: int | None, counted: int | None, turned_away: str = "", selected: str = "", not_due: str = ""
) -> str:
    """The denominator in one sentence; ``None`` for a count that is hidden, an empty text for no case."""
    if started is None or counted is None:
        parts = [say("frame.hidden")]
    else:
        key = "frame.counted" if started else "frame.none_started"
        parts = [say(key, counted=counted, started=started, share=counted / started if started else None)]
    if turned_away:
        parts.append(say("frame.turned_away", cases=turned_away))
    if selected:
        parts.append(say("frame.hand_picked", cases=selected))
    if not_due:
        parts.append(say("frame.not_due", cases=not_due))
    return " ".join(parts)


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


def surety_sentence(one: GroupSurety) -> str:
    """How surely the cases of a group went adverse; without a full stop."""
    share, error = one.share, one.by_error_alone.expected
    if share.expected.value is None or error.value is None:
        return "; ".join(map(caution_text, share.expected.warnings))
    return say(
        "surety.of_group",
        measured=share.counted.value or 0.0,
        error=share_words(error),
        growth="" if share.expected == error else say("surety.growth", share=share_words(share.expected)),
        wrongly_adverse=share.wrongly_adverse,
        wrongly_not_adverse=share.wrongly_not_adverse,
    )


def errors_sentence(found: ErrorSources) -> str:
    """Where the error of one reading comes from; without a full stop."""
    parts = [
        say(key, n=n)
        for key, n in (
            ("surety.error_own", found.own),
            ("surety.error_catalogue", found.catalogue),
            ("surety.error_unknown", found.unknown),
        )
        if n
    ]
    return say("surety.errors", parts="; ".join(parts)) if parts else say("surety.no_case")
