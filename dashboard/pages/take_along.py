"""To take along: the same figures as paged PDF, slides, page, tables and figures, made when a button is pressed."""

from functools import partial

import streamlit as st

from dashboard.access.ask import Session, current_session
from dashboard.parts.address import held, pick
from dashboard.parts.filters import Choice, chosen, definition_chosen
from dashboard.parts.screen import behind, fine, plain, problem, said
from dashboard.report.document import SUBJECTS_OF_THE_TALK
from dashboard.report.sections.composing import TITLE
from dashboard.report.shown import Audience
from dashboard.report.write import ARCHIVE, file_of
from warehouse.leaving.gate import let_out
from warehouse.marts.grouping import GROUPINGS
from warehouse.protected.shares import OFFERED
from warehouse.questions.answer import COMPARISONS
from warehouse.selection import Selection
from warehouse.words.sentences import say
from warehouse.words.shares import BEFORE_PRESENTING, NAMING

MADE = {
    "outside": "to leave the practice: small counts are hidden",
    "practice": "for the practice itself: every count is whole",
}

# button -> ending and kind of the file
FILES = {
    "PDF, paged": (".pdf", "application/pdf"),
    "Slides with notes (PPTX)": (".pptx", "application/vnd.openxmlformats-officedocument.presentationml.presentation"),
    "One web page (HTML)": (".html", "text/html"),
    "Tables (XLSX)": (".xlsx", "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"),
    "How it was done (Markdown)": (".md", "text/markdown"),
    "Everything, with figures and CSV (ZIP)": (ARCHIVE, "application/zip"),
}


def page(session: Session) -> None:
    choice = what(session)
    st.title("Take along")
    said("The figures of these pages as files to read, to show and to work with.")
    plain(f"Taken along: {choice.selection.sentence()}, by definition {choice.definition}.")
    made_for = pick("Made", whom(session), key="made", is_short=True)
    audience: Audience = "practice" if made_for == "practice" else "outside"
    practice = choice.selection.filters.get("practice", ())
    if audience == "outside" and (set(choice.selection.filters) - {"practice"} or len(practice) > 1):
        found = "What leaves the practice is about all its cases: these filters cannot be taken along."
        problem(found, "Take them off, or make it for the practice itself: overlapping tables could be subtracted.")
        behind(("Build", session.snapshot.build_id), ("Caution", BEFORE_PRESENTING))
        return
    title = st.text_input("Title", TITLE, max_chars=120)
    offered = [name for name in GROUPINGS if name in OFFERED or audience == "practice"]
    offered = [name for name in offered if not (name == "practice" and (practice or session.viewer.practice))]
    comparisons = st.multiselect(
        "Comparisons", offered, default=COMPARISONS, format_func=lambda name: GROUPINGS[name].title, placeholder="none"
    )
    named = st.checkbox("Name the practices", value=audience == "practice")
    fine(NAMING if named and audience == "outside" else "")
    practices = st.checkbox(
        "Practices beside each other",
        value=True,
        help="In files about all practices, under the headline definition, where three or more may be shown.",
    )
    case = drawn_case() if audience == "practice" else ""
    with_questions = st.checkbox("Slides for questions after the talk", value=True)
    fine(contents_of_talk(with_questions=with_questions))
    plain("Every file is made when you press its button, which takes some seconds.")
    made = partial(
        _file,
        session,
        title=title.strip() or TITLE,
        audience=audience,
        selection=choice.selection,
        definition=choice.definition,
        comparisons=tuple(comparisons),
        name_practice=named,
        practices=practices,
        case=case,
        agreed=bool(case),
        with_questions=with_questions,
    )
    for label, (ending, kind) in FILES.items():
        st.download_button(
            label,
            partial(made, ending),
            file_name=f"menton{'' if audience == 'practice' else '-to-leave'}{ending}",
            mime=kind,
            on_click="ignore",
            key="everything" if ending == ARCHIVE else ending,
        )
    fine(
        "A file made for the practice itself can point to a person: do not hand it on."
        if audience == "practice"
        else "What is hidden here is hidden in every file, in notes and in the sheets behind charts as well.",
        session.viewer.words,
    )
    behind(("Build", session.snapshot.build_id), ("Caution", BEFORE_PRESENTING))


def drawn_case() -> str:
    """The key of a case to draw, where it is said that the person agreed."""
    case = st.text_input(say("case.draw"), held("case"), max_chars=64).strip()
    return case if case and st.checkbox(say("case.agreed")) else ""


def what(session: Session) -> Choice:
    """Definition and cases; who sees no case has all of them together."""
    if session.viewer.sees_cases:
        return chosen(session)
    with st.sidebar:
        st.header("What is counted", divider=False)
        return Choice(definition_chosen(session), Selection())


def whom(session: Session) -> dict[str, str]:
    """Whom a file may be made for: who sees no case gets what may leave, and nothing else."""
    return MADE if session.viewer.sees_cases else {"outside": MADE["outside"]}


def contents_of_talk(*, with_questions: bool) -> str:
    after = (
        "After them, parted, come slides for questions: each comparison by itself, and more." if with_questions else ""
    )
    return f"The talk is told in {len(SUBJECTS_OF_THE_TALK)} slides: {'; '.join(SUBJECTS_OF_THE_TALK)}. {after}".strip()


def _file(
    session: Session,
    ending: str,
    *,
    title: str,
    audience: Audience,
    selection: Selection,
    with_questions: bool,
    **choices: object,
) -> bytes:
    found = session.document(audience=audience, selection=selection, **choices)
    return let_out(session.made(file_of, found, ending, title, with_questions), found.leave)


page(current_session())
