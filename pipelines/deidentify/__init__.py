"""De-identification before anything is stored or shown: what is refused, how cases are keyed, what may be shown.

Refusal is the default. Columns are refused by the words of their heading and by what their cells look like; case
numbers become keyed hashes; an offending cell is described, and shown only where it cannot tell who a person is.
"""

from __future__ import annotations

from pipelines.deidentify.contents import kinds_of
from pipelines.deidentify.headings import heading_reason, shown_headings
from pipelines.deidentify.keyer import Keyer
from pipelines.deidentify.pseudonyms import check_practice, is_pseudonym
from pipelines.deidentify.redaction import redact, redact_series
from pipelines.deidentify.refusing import refusals

__all__ = [
    "Keyer",
    "check_practice",
    "heading_reason",
    "is_pseudonym",
    "kinds_of",
    "redact",
    "redact_series",
    "refusals",
    "shown_headings",
]
