"""What kind of file this is, by its first bytes; the name's ending decides only between text and JSON."""

from pathlib import PurePath
from typing import Literal

from warehouse.errors import BadFileError
from warehouse.toml_files import shipped

Kind = Literal["text", "json", "workbook", "parquet"]

_SHIPPED = shipped("pipelines.reading", "kinds.toml")
SUFFIXES: dict[str, str] = _SHIPPED["suffixes"]
"""Endings that a folder is searched for, and what they promise."""

EXPECTED = "CSV or other delimited text, XLSX, XLS, ODS, Parquet, or JSON records"

OLD_CONTAINER = bytes.fromhex("D0CF11E0A1B11AE1")
_PACKED = b"PK\x03\x04"

_FOREIGN = [(bytes.fromhex(one["start"]), one["label"], one["group"]) for one in _SHIPPED["foreign"]]
_PAGE_STARTS = (b"<!doctype html", b"<html", b"<table", b"<?xml", b"<meta", b"<head")


def kind_of(head: bytes | bytearray, name: str) -> Kind:
    """The kind of a file from its first bytes.

    ``head``: First bytes, at least 200 where the file has them; the streams of an old container are looked for in all.
    ``name``: Its ending counts; it has no folder. Raises BadFileError: the bytes are those of a picture, document,
    archive, web page, program, protected workbook.
    """
    if head.startswith(_PACKED):
        return "workbook"
    if head.startswith(b"PAR1"):
        return "parquet"
    if head.startswith(b"PARE"):
        remedy = "write it again without encryption"
        raise BadFileError("the Parquet file is encrypted", where=name, expected=EXPECTED, remedy=remedy)
    if head.startswith(OLD_CONTAINER):
        return _old_container(head, name)
    _refuse_foreign(head, name)
    _check_promise(head, name)
    return "json" if PurePath(name).suffix.lower() == ".json" else "text"


def _check_promise(head: bytes | bytearray, name: str) -> None:
    promised = SUFFIXES.get(PurePath(name).suffix.lower())
    if promised == "parquet" or (promised == "workbook" and b"\x00" in head[:4096]):
        raise unlike_its_name(name)


def unlike_its_name(name: str) -> BadFileError:
    """What is said of a file that cannot be read as its name promises; a table of text may bear any name."""
    suffix = PurePath(name).suffix.lower()
    found = f"this is no readable {SUFFIXES[suffix]} file: the name ends in {suffix} but the bytes are not"
    remedy = "it may be damaged or cut off at the start; export or copy it again"
    return BadFileError(f"{found} those of such a file", where=name, expected=EXPECTED, remedy=remedy)


def _old_container(head: bytes | bytearray, name: str) -> Kind:
    """Protected XLSX files and the workbooks of the 1990s share one container; the names of their streams tell."""
    if "EncryptedPackage".encode("utf-16-le") in head:
        found = "the workbook is protected by a password"
        remedy = "open it, remove the password (File, Info, Protect), and save it again as XLSX"
        raise BadFileError(found, where=name, expected="a workbook without a password", remedy=remedy)
    if any(stream.encode("utf-16-le") in head for stream in ("Workbook", "Book")):
        return "workbook"
    found = "this is an old office container: a document or a protected file"
    remedy = "open it in the program it came from and save it as XLSX without a password"
    raise BadFileError(found, where=name, expected=EXPECTED, remedy=remedy)


def _refuse_foreign(head: bytes | bytearray, name: str) -> None:
    for start, label, group in _FOREIGN:
        if head.startswith(start):
            raise _foreign(label, group, name)
    for label, group, hit in _structured(bytes(head[:200])):
        if hit:
            raise _foreign(label, group, name)


def _structured(head: bytes) -> tuple[tuple[str, str, bool], ...]:
    """Kinds whose first bytes could also begin a table, told by a second mark further in."""
    start = head.lstrip(b"\xef\xbb\xbf \t\r\n").lower()
    return (
        ("a picture (BMP)", "picture", head[:2] == b"BM" and head[6:10] == b"\x00\x00\x00\x00"),
        ("a picture (WebP)", "picture", head[:4] == b"RIFF" and head[8:12] == b"WEBP"),
        ("a picture (HEIC)", "picture", head[4:8] == b"ftyp"),
        ("a medical image (DICOM)", "picture", head[128:132] == b"DICM"),
        ("a program", "program", head[:2] == b"MZ" and b"\x00\x00" in head[2:64]),
        ("a database file", "database", head[8:12] == b"DUCK"),
        ("a web page or XML file", "page", start.startswith(_PAGE_STARTS)),
    )


def _foreign(label: str, group: str, name: str) -> BadFileError:
    return BadFileError(
        f"this is {label}, not a table", where=name, expected=EXPECTED, remedy=_SHIPPED["remedies"][group]
    )
