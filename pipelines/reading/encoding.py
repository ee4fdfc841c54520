"""From the bytes of a text file to UTF-8, by a fixed order of tests instead of statistics.

Byte order mark, then strict UTF-8, then the pattern of zero bytes that UTF-16 leaves in Western text, then cp1252,
stated as an assumption. Statistical detectors were found to take cp1252 files for unrelated encodings, and would be
wrong silently.
"""

import codecs
import re

from pipelines.contract.delivery import ReadingAssumption
from pipelines.reading.source import FileBytes
from warehouse.errors import BadFileError

_MARKS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF32_LE, "utf-32-le"),  # before UTF-16, whose mark begins it
    (codecs.BOM_UTF32_BE, "utf-32-be"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)

_LETTER_OF_UTF8 = re.compile(rb"\xc3[\x80-\xbf]|\xc2[\xa0-\xbf]")
"""A letter or sign of Western text in UTF-8; as cp1252 it would be read as two that no word has, such as ``Ã¤``."""

_SAMPLE = 1 << 16
_CHUNK = 1 << 24
_CONTROL = bytes(code for code in range(32) if code not in {9, 10, 11, 12, 13, 26})
_MAX_CONTROL_SHARE = 0.001


def to_utf8(file: FileBytes, encoding: str | None) -> tuple[bytearray, tuple[ReadingAssumption, ...]]:
    """The file's text in UTF-8 without a byte order mark, and what was taken for its encoding.

    The file's buffer itself is handed on where it already is UTF-8. Raises BadFileError: the stated encoding is unknown
    or does not fit, no encoding fits, or the bytes are not text.
    """
    if encoding is not None:
        return _checked(_decode_stated(file, encoding), file.name), ()
    name, because = _find(file)
    text = _transcode(file.data, name, file.name)
    return _checked(text, file.name), (ReadingAssumption("encoding", name, because),)


def _find(file: FileBytes) -> tuple[str, str]:
    for mark, name in _MARKS:
        if file.data.startswith(mark):
            return name, "the file begins with its byte order mark"
    wide = _zero_pattern(file.data)
    if wide:
        return wide, "every second byte is zero, as in UTF-16 text without a byte order mark"
    if _is_utf8(file.data):
        return "utf-8", "all bytes are valid UTF-8"
    if _LETTER_OF_UTF8.search(file.data):
        raise _misfit("UTF-8 throughout, though letters of it stand in them", file.name)
    return "cp1252", "the bytes are not valid UTF-8; Western Windows text was taken, so check letters such as ä, é, ß"


def _zero_pattern(data: bytearray) -> str | None:
    """UTF-16 without a mark: zeros in (nearly) only one of the two byte positions, and many of them."""
    sample = bytes(data[:_SAMPLE])
    if len(sample) < 4 or b"\x00" not in sample:
        return None
    pairs = len(sample) // 2
    first, second = sample[0::2].count(0) / pairs, sample[1::2].count(0) / pairs
    if second >= 0.3 and first < 0.02:
        return "utf-16-le"
    if first >= 0.3 and second < 0.02:
        return "utf-16-be"
    return None


def _is_utf8(data: bytearray) -> bool:
    if data.isascii():
        return True
    decoder = codecs.getincrementaldecoder("utf-8")()
    view = memoryview(data)
    try:
        for at in range(0, len(data), _CHUNK):
            decoder.decode(view[at : at + _CHUNK])
        decoder.decode(b"", final=True)
    except UnicodeDecodeError:
        return False
    finally:
        view.release()
    return True


def _transcode(data: bytearray, encoding: str, name: str) -> bytearray:
    mark = next((mark for mark, known in _MARKS if known == encoding and data.startswith(mark)), b"")
    if encoding == "utf-8":
        del data[: len(mark)]
        if mark and not _is_utf8(data):
            raise _misfit("UTF-8, as its first bytes say", name)
        return data
    try:
        return bytearray(bytes(data[len(mark) :]).decode(encoding).encode("utf-8"))
    except UnicodeError as error:
        if encoding == "cp1252":
            found = "the bytes are neither UTF-8 nor Western Windows text (cp1252)"
            remedy = (
                "state the encoding in the mapping, or save the file as CSV UTF-8; if it is not text, export it again"
            )
            raise BadFileError(found, where=name, expected="text in a known encoding", remedy=remedy) from error
        raise _misfit(encoding, name) from error


def _misfit(label: str, name: str) -> BadFileError:
    found = f"the bytes are not valid {label}"
    remedy = "the file may be cut off or damaged: export it again, or state another encoding"
    return BadFileError(found, where=name, expected="one encoding throughout the file", remedy=remedy)


def _decode_stated(file: FileBytes, encoding: str) -> bytearray:
    try:
        return bytearray(bytes(file.data).decode(encoding).removeprefix("\ufeff").encode("utf-8"))
    except LookupError as error:
        found = f"no encoding is called {encoding[:40]!r}"
        raise BadFileError(found, where=file.name, expected="utf-8, utf-16, cp1252 or another known name") from error
    except ValueError as error:
        raise _misfit(f"{encoding[:40]} (the stated encoding)", file.name) from error


def _checked(text: bytearray, name: str) -> bytearray:
    """Refuse text that holds zero bytes or many control characters: a binary file, whatever decoded it."""
    sample = bytes(text[:_SAMPLE])
    n_control = len(sample) - len(sample.translate(None, _CONTROL))
    if b"\x00" in text or n_control > _MAX_CONTROL_SHARE * len(sample):
        found = "the file holds zero bytes or control characters: it is not text"
        remedy = "export the table from its program as CSV or XLSX"
        raise BadFileError(found, where=name, expected="a text file with one row a line", remedy=remedy)
    if not text[:_SAMPLE].strip() and not text.strip():
        found = "the file holds nothing but blank lines"
        raise BadFileError(found, where=name, expected="a header and rows", remedy="export it again")
    return text
