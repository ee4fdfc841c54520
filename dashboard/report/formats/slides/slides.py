"""The report as slides: a talk in eight, and after it, parted from it, slides for questions.

Every slide has one message; charts are native and can be edited; caveats and exact figures stand in the notes.
"""

from __future__ import annotations

from dashboard.report.document import Document
from dashboard.report.formats.slides.deck import new_deck, parted, saved
from dashboard.report.formats.slides.questions import add_questions
from dashboard.report.formats.slides.slide_parts import FOR_QUESTIONS, Deck
from dashboard.report.formats.slides.talk import add_talk

THE_TALK = "The talk"


def slides_file(document: Document) -> bytes:
    """The document as slides."""
    deck = Deck(new_deck(document), document)
    add_talk(deck)
    n_talk = deck.number
    if document.with_questions:
        add_questions(deck)
    parted(deck.presentation, {THE_TALK: n_talk, FOR_QUESTIONS: deck.number - n_talk})
    return saved(deck.presentation)
