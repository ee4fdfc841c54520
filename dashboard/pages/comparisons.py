"""Do groups differ? By one grouping or two crossed, as counted and adjusted for what was recorded."""

from collections.abc import Mapping
from functools import partial

import streamlit as st

from dashboard.access.ask import Session, current_session
from dashboard.charts.balance import balance_alt, balance_chart
from dashboard.charts.intervals import contrasts_figure, shares_figure
from dashboard.charts.tiles import crossed_chart
from dashboard.parts.address import number, pick, toggled
from dashboard.parts.filters import FILTER_OF, Choice, chosen
from dashboard.parts.screen import (
    about,
    as_table,
    draw,
    fine,
    footing,
    palette,
    plain,
    said,
    say_why_empty,
    table,
    titled_link,
)
from warehouse.export_safety import as_markdown
from warehouse.marts.grouping import DATED, GROUPINGS, NOT_KNOWN
from warehouse.plans.question import MOST_MONTHS
from warehouse.protected.shares import OFFERED
from warehouse.questions.answer import COMPARISONS, outline
from warehouse.questions.contrast import PairComparison, compare_pair
from warehouse.questions.crossed import compare_crossed
from warehouse.questions.groups import GroupComparison, compare_groups
from warehouse.questions.missing import PairAndMissing, pair_and_missing
from warehouse.questions.shares import Rates, rates
from warehouse.words import shares as wording
from warehouse.words.changes import missing_pair_sentences
from warehouse.words.contrasts import (
    difference_said,
    e_value_sentence,
    facts,
    homogeneity_sentence,
    not_measured_sentence,
    odds_ratio_sentence,
    pair_sentence,
    reading_sentence,
    spread_sentence,
    standing_sentences,
    weighed_sentence,
)
from warehouse.words.numbers import points
from warehouse.words.sentences import caution_text, say
from warehouse.words.shares import ASSOCIATION

ALONE = "nothing else"
AS_KNOWN = "Groups as known so many months after the start (empty: as they became)"
AT_ONCE = 2_000  # cases in two groups up to which the models are worked out without being asked for


def page(session: Session) -> None:
    """The page; who sees protected tables alone has one grouping, as counted."""
    st.title("Do groups differ?")
    if not session.viewer.sees_cases:
        by = pick("Split by", {name: GROUPINGS[name].title for name in OFFERED}, key="by")
        shown = session.protected(by)
        said(f"Share adverse by {GROUPINGS[by].title.lower()}, small counts hidden.")
        draw(shares_figure(shown), key="groups")
        alike = "Groups are not alike: who gets which treatment is not left to chance."
        fine(*shown.notes, wording.BESIDE_BY_GROUP, alike, session.viewer.words)
        footing(shown, session.snapshot.published_at)
        return
    choice = chosen(session)
    by, second = ways(session)
    found = session.about_cases(outline, choice.selection, definition=choice.definition)
    if found.group.started.n == 0:
        say_why_empty(found.relief, choice.selection)
    elif second == ALONE:
        one_way(session, choice, by)
    else:
        crossed(session, choice, by, second)
    footing(found.overall, found.published_at, caution=ASSOCIATION)


def ways(session: Session) -> tuple[str, str]:
    """The grouping, and the one it is crossed with."""
    titles = {
        name: way.title for name, way in GROUPINGS.items() if not (name == "practice" and session.viewer.practice)
    }
    order = [*COMPARISONS, *(name for name in titles if name not in COMPARISONS)]
    left, right = st.columns(2)
    with left:
        by = pick("Split by", {name: titles[name] for name in order}, key="by")
    single = [name for name in order if GROUPINGS[name].column is not None and name != by]
    offered = [ALONE, *single] if GROUPINGS[by].column is not None else [ALONE]
    with right:
        return by, pick("and at the same time by", {name: titles.get(name, name) for name in offered}, key="and")


def one_way(session: Session, choice: Choice, by: str) -> None:
    """Groups as counted, then two of them adjusted."""
    found = session.about(compare_groups, choice.question(by=by), is_alone=True)
    said(spread_sentence(found.rates))
    shares = shares_figure(found.rates)
    draw(shares, key="groups")
    if found.rates.by is not None:
        fine(found.rates.by.note, *(caution_text(one) for one in found.cautions))
    rows = shares.frame.select("name", "counts", "said").rows()
    as_table(
        "The figures as a table",
        ("group", "adverse of counted", "share (interval)"),
        rows,
        file_name=f"{by}.csv",
        about=about(found.rates),
    )
    as_table(
        "Beside the shares, with 95% intervals",
        ("group", *wording.BESIDE),
        partial(the_beside, session, choice, by),
        file_name=f"{by}-beside.csv",
        about=about(found.rates),
    )
    its_cases(found.rates)
    against_reference(found)
    if GROUPINGS[by].column is not None:
        two_groups(session, choice, by, found)


def the_beside(session: Session, choice: Choice, by: str) -> list[tuple[str, ...]]:
    """What stands beside the share of each group, below why some of it cannot."""
    groups = session.about_cases(rates, choice.selection, definition=choice.definition, by=by).groups
    fine(*wording.not_told(groups))
    return [(group.label, *wording.beside_entries(group)) for group in groups]


def its_cases(found: Rates) -> None:
    """The adverse cases of each group, a link each, where a group is what a filter can ask for."""
    name = FILTER_OF.get(found.by.column or "") if found.by else None
    if name is not None:
        with st.expander("Open the adverse cases of a group"):
            for group in found.groups:
                opened = say("glance.open_of", label=group.label, n=group.adverse.n, of=group.counted.n)
                titled_link(opened, "cases", **{name: group.group, "class": "adverse"})


def against_reference(found: GroupComparison) -> None:
    """Every group against the reference, as counted."""
    labels = {group.group: group.label for group in found.rates.groups}
    if not found.compared:
        return
    with st.expander(f"Each group against {as_markdown(found.reference_label)}, as counted"):
        adjusted = {row.name: row.adjusted for row in found.corrected.rows}
        rows = [
            {
                "group": labels[code],
                "difference (interval), percentage points": difference_said(two.difference).replace(
                    " percentage points", ""
                ),
                "p, corrected": _p(adjusted.get(labels[code])),
            }
            for code, two in found.compared.items()
        ]
        table(rows, alt=f"Differences from {found.reference_label}")
        fine(f"{found.corrected.n_comparisons} comparisons, corrected together ({found.corrected.method}).")
    fine(*standing_sentences(found.standing))


def _p(value: float | None) -> str | None:
    return None if value is None else "under 0.001" if value < 0.001 else f"{value:.3f}"


def two_groups(session: Session, choice: Choice, by: str, found: GroupComparison) -> None:
    """Two groups adjusted for what was recorded, beside the crude difference."""
    groups = {
        group.group: f"{group.label} ({group.counted.shown})"
        for group in found.rates.groups
        if group.counted.n and group.group != NOT_KNOWN
    }
    st.header("Two groups, adjusted")
    if len(groups) < 2:
        plain("Fewer than two groups have a counted case.")
        return
    first, second = _pair(groups, found)
    if first == second:
        plain("Choose two different groups.")
        return
    landmark = number(AS_KNOWN, 1.0, MOST_MONTHS, None, 1.0, key="landmark") if by in DATED else None
    if not may_take_long(_size(found, first) + _size(found, second)):
        return
    asked = choice.question(by=by, first=first, second=second, landmark=landmark)
    pair = session.about(compare_pair, asked, tested=False)
    the_pair(pair)
    if sum(pair.missing_due) and toggled("What the missing outcomes could change", key="missing"):
        the_missing(session.about(pair_and_missing, asked))


def may_take_long(n: int) -> bool:
    """Whether to work out the models: at once for most selections, when asked for where there are very many cases."""
    if n <= AT_ONCE:
        return True
    asked = toggled(f"Adjust for what was recorded, for these {n:,} cases", key="alike")
    if not asked:
        fine("With so many cases this takes a moment, so it is worked out when you ask for it.")
    return asked


def _pair(groups: Mapping[str, str], found: GroupComparison) -> tuple[str, str]:
    codes = list(groups)
    usual = str(found.reference) if found.reference in groups else codes[0]
    other = next(code for code in sorted(codes, key=lambda code: -_size(found, code)) if code != usual)
    left, right = st.columns(2)
    with left:
        first = pick("This group", groups, key="first", first=other)
    with right:
        second = pick("against", groups, key="second", first=usual)
    return first, second


def _size(found: GroupComparison, code: str) -> int:
    return next(group.counted.n for group in found.rates.groups if group.group == code)


def the_pair(pair: PairComparison) -> None:
    """A sentence, a picture and three facts; how they were worked out is behind a click."""
    said(pair_sentence(pair))
    adjusted = [one for one in pair.methods if one.method in {"crude", pair.primary}]
    shown = {one.title: one.difference for one in adjusted if one.difference.value is not None}
    draw(contrasts_figure(shown, main=pair.answer.title), key="methods")
    plain(*facts(pair))
    with st.expander("How this was worked out"):
        plain(reading_sentence(pair.answer.difference.interval), weighed_sentence(pair))
        named = {result.title: result.difference for result in pair.methods}
        draw(contrasts_figure(named, main=pair.answer.title), key="all methods")
        fine(
            f"All on the same {pair.n:,} complete cases; the star marks the method decided on beforehand.",
            odds_ratio_sentence(pair),
            homogeneity_sentence(pair),
            f"Over all cases assessed, as counted: {points(pair.crude_of_all.value)}.",
            *(f"Left out: {n:,}, {reason}." for reason, n in pair.left_out.items()),
            *(caution_text(one) for one in dict.fromkeys((*pair.answer.warnings, *pair.cautions))),
        )
        st.subheader("How alike the groups were at the start")
        plain(balance_alt(pair.balance_overlap))
        draw(balance_chart(pair.balance_overlap, palette()), key="balance")
        fine(*(caution_text(one) for one in pair.overlap.warnings))
        st.subheader("What nobody recorded")
        plain(e_value_sentence(pair), not_measured_sentence(pair))
        fine(*standing_sentences(pair.standing))


def the_missing(found: PairAndMissing) -> None:
    """The difference had the missing of one group been adverse more or less often than the like assessed."""
    named = {
        say("missing.shifted_row", label=label, times=one.times): one.difference
        for label, shifted in zip(found.labels, found.shifted, strict=True)
        for one in shifted
    }
    if named:
        draw(contrasts_figure(named), key="shifted")
        fine(say("missing.shifted"))
    plain(*missing_pair_sentences(found))


def crossed(session: Session, choice: Choice, by: str, second: str) -> None:
    found = session.about(compare_crossed, choice.question(by=by, by2=second))
    if not found.cells:
        said("No counted case has both groups known.")
        return
    said(f"{found.by.title} and {found.by2.title.lower()} together.")
    plain("Each column compares cases that are alike in the other grouping.")
    draw(crossed_chart(found, palette()), key="crossed")
    fine("Cells of fewer than 10 cases are pale.", *(caution_text(one) for one in found.cautions))
    if found.within and found.reference is not None:
        st.header(f"Adjusted for {found.by2.title.lower()}")
        rows = [
            {
                "group": found.groups[one.group],
                "as counted": difference_said(one.crude).replace(" percentage points", ""),
                "adjusted": difference_said(one.difference).replace(" percentage points", ""),
            }
            for one in found.within
        ]
        alt = f"Difference from {found.groups[found.reference]} in percentage points, crude and adjusted"
        table(rows, alt=alt)
        fine(f"{alt} (Mantel-Haenszel).", *standing_sentences(found.standing))
    fine(f"{found.not_known:,} counted cases have a group that is not known." if found.not_known else "")


page(current_session())
