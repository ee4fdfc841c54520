"""Options that commands of every package share: which warehouse is meant, and where its key lies."""

import argparse
from pathlib import Path

from warehouse.errors import KeyProblemError
from warehouse.private_files import check_private

WAREHOUSE_VARIABLE = "MENTON_WAREHOUSE"
ENCRYPTION_VARIABLE = "MENTON_ENCRYPTION_KEY_FILE"
DEFAULT_WAREHOUSE = "menton-data"
MINIMUM_KEY = 16
"""Characters that an encryption key must have at least."""


def practice_named(text: str) -> str:
    """The practice of an option: nothing, or blanks, would pass for all of them."""
    if not text.strip():
        raise argparse.ArgumentTypeError("the practice is empty: name one, or leave the option out")
    return text


def encryption_key(args: argparse.Namespace) -> str | None:
    """The key of an encrypted warehouse, read from its file; None for a plain one.

    Raises KeyProblemError: the file cannot be read, or the key in it is too short.
    """
    path: Path | None = args.encryption_key_file
    return None if path is None else read_encryption_key(path)


def read_encryption_key(path: Path) -> str:
    """The encryption key in a file.

    Raises KeyProblemError: the file cannot be read, others can read it, or the key in it is too short.
    """
    check_private(path, what="the encryption key file")
    try:
        text = path.read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError) as error:
        found = "the encryption key file cannot be read"
        raise KeyProblemError(found, where=path.name, remedy="name the right file") from error
    if len(text) < MINIMUM_KEY:
        found = f"the encryption key is shorter than {MINIMUM_KEY} characters"
        raise KeyProblemError(found, where=path.name, remedy="use a long random key")
    return text
