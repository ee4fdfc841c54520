"""What a pseudonym must look like, so that no name is kept in its place."""

import re

from warehouse.errors import MappingError

PSEUDONYM = r"^(?:[A-Z]{2,16}[\-_])?[A-Z]{1,3}[\-_ ]?[0-9]{1,3}$|^[A-Z]$"
"""Of a clinician or examiner, in capitals: one to three letters and one to three digits, or a single letter."""

PSEUDONYM_IN_WORDS = "one to three letters and one to three digits, such as C1 or EX02, or a single letter"

PRACTICE = r"(?!ALL$)[A-Z][A-Z0-9_\-]{1,15}"
PRACTICE_IN_WORDS = "2 to 16 capital letters and digits, such as HARBOUR or P03"


def is_pseudonym(text: str) -> bool:
    """Whether a text may stand for a clinician or an examiner; capitals or not."""
    return re.fullmatch(PSEUDONYM, text.strip().upper(), flags=re.ASCII) is not None


def check_practice(practice: str, *, where: str) -> str:
    """The practice pseudonym, if it looks like one.

    Raises MappingError: it does not; the text given is not repeated, for it may be a name.
    """
    if re.fullmatch(PRACTICE, practice, flags=re.ASCII):
        return practice
    found = "the practice is not given as a pseudonym"
    remedy = "choose a short word in capitals that does not name the practice, and keep to it"
    raise MappingError(found, where=where, expected=f"{PRACTICE_IN_WORDS}; not ALL, which heads totals", remedy=remedy)
