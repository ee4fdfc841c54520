"""TOML that a person hands over, with bounds the standard library does not set.

``tomllib`` gives up on deep nesting with ``RecursionError`` and on a number of thousands of digits with a bare
``ValueError``, and it takes time with the square of the parts of a dotted name; here all three are what they are to the
person: a file that is not well formed.
"""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

MOST_BYTES = 4_000_000
"""Far more than a mapping of the widest file takes; the longest file of this program's own has 60,000 bytes."""

MOST_PARTS = 100
"""Of a dotted name; those of this program have at most three."""

PART = r"""(?:[A-Za-z0-9_-]++|"(?:[^"\\\n]|\\.)*+"|'[^'\n]*+')[ \t]*+"""
TOO_MANY_PARTS = re.compile(rf"""(?<![A-Za-z0-9_.\\-])(?:{PART}\.[ \t]*+){{{MOST_PARTS}}}""")


def toml_from(text: str) -> dict[str, Any]:
    """What a TOML text says.

    Raises:
        tomllib.TOMLDecodeError: It is not well formed, whatever is wrong with it.
    """
    if TOO_MANY_PARTS.search(text):
        message = f"a name in it has more than {MOST_PARTS} parts (at an unknown place)"
        raise tomllib.TOMLDecodeError(message)
    try:
        found = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        raise
    except RecursionError as error:
        message = "it is nested too deeply (at an unknown place)"
        raise tomllib.TOMLDecodeError(message) from error
    except (ValueError, OverflowError) as error:
        message = "it holds a number or a date that cannot be (at an unknown place)"
        raise tomllib.TOMLDecodeError(message) from error
    if _holds_endless_number(found):
        message = "it holds a whole number of more than 64 bits, the most that TOML has (at an unknown place)"
        raise tomllib.TOMLDecodeError(message)
    return found


def _holds_endless_number(value: object) -> bool:
    """Whether a whole number goes beyond what TOML 1.0 asks for; turned into a float, a longer one is an error."""
    waiting = [value]
    while waiting:
        one = waiting.pop()
        if isinstance(one, dict):
            waiting += one.values()
        elif isinstance(one, list):
            waiting += one
        elif isinstance(one, int) and not -(2**63) <= one < 2**63:
            return True
    return False


def toml_text(path: Path) -> str:
    """The text of a TOML file, without a byte order mark.

    Raises:
        OSError: It cannot be read.
        UnicodeDecodeError: It is not UTF-8.
        tomllib.TOMLDecodeError: It is longer than any file of this kind.
    """
    with path.open("rb") as stream:
        data = stream.read(MOST_BYTES + 1)
    if len(data) > MOST_BYTES:
        message = f"it is longer than {MOST_BYTES:,} bytes"
        raise tomllib.TOMLDecodeError(message)
    return data.decode("utf-8-sig").replace("\r\n", "\n")
