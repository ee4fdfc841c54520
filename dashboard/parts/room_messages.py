"""What is said to a room: one message a screen, each a sentence, a picture, and what to keep in mind."""

from dataclasses import dataclass, replace

from dashboard.charts.changes import changes_figure
from dashboard.charts.figure import ChartFigure
from dashboard.charts.intervals import bounds_figure, forest_figure, shares_figure, side_by_side_figure
from dashboard.charts.sampling import sampling_figure
from dashboard.charts.threshold import threshold_figure
from warehouse.pooled.result import SharePool
from warehouse.questions.answer import Firmness, Glance
from warehouse.questions.shares import Rates
from warehouse.words import shares as wording
from warehouse.words.contrasts import spread_sentence
from warehouse.words.pooled import ORDER, WORSE_ALONE, pooled_sentence, prediction_sentence
from warehouse.words.pooled import spread_sentence as spread_sentence_of
from warehouse.words.sentences import caution_text, say
from warehouse.words.shares import BESIDE_BY_GROUP

READ_BY_A_ROOM = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """One screen."""

    title: str  # What it is about
    sentence: str  # The message
    beside: tuple[str, ...] = ()  # Sentences of ordinary size
    figure: ChartFigure | None = None  # Its picture, or None
    small: tuple[str, ...] = ()  # What to keep in mind, in small type


def messages(found: Glance, firm: Firmness) -> tuple[Message, ...]:
    """The screens of an answer, in the order in which questions come from the floor."""
    told: list[Message | None] = [_answer(found), _counted(found)]
    if found.group.counted.n:
        told += [changes(firm), threshold(firm), missing(found)]
    told += [_groups(result) for result in found.by if result.by is not None]
    told += [
        _untreated(found, firm),
        _limits(
            f"{found.group.counted.shown} of {found.group.started.shown} cases started could be counted.",
            "Who got which treatment was not left to chance, and much that matters was never recorded.",
            "Another line, another definition or another growth reference gives another share.",
        ),
    ]
    return tuple(one for one in told if one is not None and one.sentence)


def messages_of_shares(told: tuple[Rates, ...]) -> tuple[Message, ...]:
    """The screens for those who see protected tables alone: the share over all, then by each grouping."""
    overall, *by = told
    first = Message(
        title="The answer",
        sentence=wording.headline(overall),
        beside=(wording.first_line(overall.groups[0]), overall.definition.sentence),
        small=(f"Definition {overall.definition.name}; build {overall.build}.",),
    )
    rest = [
        Message(
            title=result.by.title,
            sentence=f"Share adverse by {result.by.title.lower()}, small counts hidden.",
            figure=shares_figure(result),
            small=(*result.notes, BESIDE_BY_GROUP),
        )
        for result in by
        if result.by is not None
    ]
    return (first, *rest, _limits())


def with_practices(told: tuple[Message, ...], found: SharePool) -> tuple[Message, ...]:
    """The screens, and before the last the practices beside each other, unnamed; not of more than a room can see."""
    if found.refused or len(found.lines) > READ_BY_A_ROOM:
        return told
    practices = Message(
        title="How practices compare",
        sentence=pooled_sentence(found),
        beside=(spread_sentence_of(found),),
        figure=forest_figure(found),
        small=(
            f"{prediction_sentence(found)} {ORDER}",
            f"Definition {found.definition}. Outside is a reason to ask, and no verdict.",
            WORSE_ALONE,
        ),
    )
    return (*told[:-1], practices, *told[-1:])


def _answer(found: Glance) -> Message:
    definition = found.overall.definition
    return Message(
        title="The answer",
        sentence=wording.headline(found.overall),
        beside=(wording.first_line(found.group), definition.sentence, wording.benchmark_sentence(found.group)),
        small=(
            f"Definition {definition.name}; cases: {found.overall.selection.sentence()}; build {found.overall.build}.",
            *(caution_text(one) for one in found.group.warnings),
        ),
    )


def _counted(found: Glance) -> Message:
    flow = found.overall.flow
    return Message(title="Who was counted", sentence=wording.flow_sentence(flow), figure=sampling_figure(flow))


def changes(firm: Firmness) -> Message | None:
    """How far faces moved; None without a single change to look at."""
    picture = firm.changes
    if picture is None or picture.quartiles is None:
        return None
    return Message(
        title="How far faces moved",
        sentence=wording.change_sentence(picture),
        figure=changes_figure(picture),
        small=(wording.error_sentence(picture.band, picture.unit),),
    )


def threshold(firm: Firmness) -> Message:
    """How much the answer hangs on one number; without a sentence where there is no single one."""
    curve = firm.threshold
    has_line = curve.part is not None
    return Message(
        title="Had the line been drawn elsewhere",
        sentence=wording.threshold_sentence(curve) if has_line else "",
        figure=threshold_figure(curve, firm.changes.unit if firm.changes else "") if has_line else None,
        small=tuple(caution_text(one) for one in curve.cautions),
    )


def missing(found: Glance) -> Message:
    """How far the cases not known could move the share."""
    return Message(
        title="What the missing could do",
        sentence=wording.bounds_sentence(found.group),
        figure=bounds_figure(found.group) if found.group.unknown else None,
    )


def _groups(result: Rates) -> Message:
    """A grouping; of many groups the largest ones are shown, since a room reads eight lines and no more."""
    title = result.by.title if result.by else ""
    largest = sorted(result.groups, key=lambda group: -group.counted.n)[:READ_BY_A_ROOM]
    shown = replace(result, groups=tuple(group for group in result.groups if group in largest))
    n_left = len(result.groups) - len(shown.groups)
    return Message(
        title=title,
        sentence=spread_sentence(shown),
        figure=shares_figure(shown),
        small=(
            "Groups as they were counted. They differ in more than their name.",
            f"{n_left} smaller groups are not shown here." if n_left else "",
            say("share.beside_elsewhere"),
        ),
    )


def _untreated(found: Glance, firm: Firmness) -> Message | None:
    if firm.untreated is None:
        return None
    return Message(
        title="Children observed without treatment",
        sentence=wording.headline(firm.untreated),
        figure=side_by_side_figure({"treated": found.overall, "observed only": firm.untreated}),
        small=("They differ from treated children in more than the treatment.",),
    )


def _limits(*beside: str) -> Message:
    return Message(
        title="What this does not show",
        sentence="It shows what happened in these cases. It does not show why.",
        beside=beside,
        small=(wording.CAUTION, wording.BEFORE_PRESENTING),
    )
