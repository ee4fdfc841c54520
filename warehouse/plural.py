"""Numbers with what is counted, in the singular or the plural. Nothing is imported, so that every layer may use it."""


def number_of(n: int, one: str, many: str = "") -> str:
    """A number with its noun: "1 practice", "7 practices", "2,000 cases".

    ``n``: how many. ``one``: the noun for one, and what goes with it. ``many``: the same for any other number; ``one``
    with an s where empty.
    """
    return f"1 {one}" if n == 1 else f"{n:,} {many or f'{one}s'}"
