"""De-identification before anything is stored or shown: what is refused, how cases are keyed, what may be shown.

Refusal is the default. Columns are refused by the words of their heading and by what their cells look like; case
numbers become keyed hashes; an offending cell is described, and shown only where it cannot tell who a person is.
"""
