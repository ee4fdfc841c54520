"""What identifying text looks like, as patterns that both the refusal and the redaction use.

They are written for the regular expressions of Polars, which know letters of every alphabet and take a million cells
at once. None is perfect: a pattern only picks the words of a reason or of a description, and what is kept is decided
by what a cell must be (a code, a number, a date), never by these patterns alone.
"""

EMAIL = r"[^\s@]+@[^\s@]+\.[^\s@]{2,}"
WEB = r"(?i)(?:https?://|ftp://|\bwww\.)\S"

_DAY_FIRST = r"\d{1,2}\s?[./\-]\s?\d{1,2}\s?[./\-]\s?(?:\d{4}|\d{2})"
_YEAR_FIRST = r"(?:1[89]|20)\d{2}[./\-]\d{1,2}[./\-]\d{1,2}"
_PACKED = r"(?:19|20)\d{2}(?:0[1-9]|1[0-2])(?:0[1-9]|[12]\d|3[01])"
_MONTH_NAMED = r"\d{1,2}\.?[ \-]\p{L}{3,9}\.?,?[ \-]\d{2,4}|\p{L}{3,9}\.? \d{1,2},? \d{4}"
DATE = rf"^(?:(?:{_DAY_FIRST}|{_YEAR_FIRST})(?:[ T].*)?|{_PACKED}|{_MONTH_NAMED})$"

PHONE = r"^(?:(?:\+|00|0|\()[\d\s()/.\-]{6,}\d|\(?\d{3}\)?[\-. ]\d{3}[\-. ]\d{4})$"
PHONE_DIGITS = 7  # fewest digits of a telephone number with its area code

PLAIN_DECIMAL = r"^0[.,]\d+$"

_TITLES = "dr prof mr mrs ms miss herr frau mme mlle monsieur madame dott dottssa sig sra senor señor senora señora"
TITLES: tuple[str, ...] = tuple(_TITLES.split())
TITLED_NAME = rf"(?i)^\W*(?:{'|'.join(TITLES)})\b\.?,?\s+\p{{L}}"

_PART = r"(?:\p{Lu}[\p{L}'’\-]+|\p{Lu}\.?)"
_LINK = r"(?:von|van|der|den|de|da|di|du|la|le|zu|bin|al|del|dos|ter|ten)"
NAMES = rf"^{_PART}(?:,?\s+(?:{_PART}|{_LINK}))*,?\s+\p{{Lu}}[\p{{L}}'’\-]+$"

RECORD_NUMBER = r"^\p{L}{0,4}[\-/ ]?\d{5,}$"
LONG_TEXT = r"^.{41,}$|^\S+(?:\s+\S+){5,}$"
WORD = r"^\p{L}+$"
