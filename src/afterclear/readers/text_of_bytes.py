"""Bytes as text: which encoding, how sure, said in words for the ledger.

Detected in this order: a byte order mark; UTF-16 by its zero bytes; UTF-8 where every byte
fits; else Windows-1252, which has a letter for nearly every byte.  Four bytes of 256 have none;
with those the text is taken as Latin-1, which differs from Windows-1252 only in such places.
"""

import codecs
from dataclasses import dataclass

from afterclear.errors import RefusedFileError

# Longest text taken at once; larger files are delivered in pieces.
MAX_TEXT_BYTES = 2 << 30
MAX_LINE = 1_000_000  # as in the plain layout; a row is a few hundred characters

_MARKS = (
    (codecs.BOM_UTF8, "utf-8-sig", "UTF-8 with a byte order mark"),
    (codecs.BOM_UTF16_LE, "utf-16", "UTF-16"),
    (codecs.BOM_UTF16_BE, "utf-16", "UTF-16"),
)
_NAMES = {
    "utf-8": "utf-8-sig",
    "utf-16": "utf-16",
    "windows-1252": "cp1252",
    "latin-1": "latin-1",
}
_SAID = {"utf-8": "UTF-8", "windows-1252": "Windows-1252", "latin-1": "Latin-1"}
_LOOKED_AT = 4096


@dataclass(frozen=True, slots=True)
class Text:
    """A file's text, and how it was read."""

    text: str
    note: str  # empty for plain UTF-8 or ASCII, where there is nothing to tell


def decoded(raw: bytes, encoding: str, name: str) -> Text:
    """Turn a file's bytes into text.

    Raises:
        RefusedFileError: they are not in the encoding that was stated, or are no text.

    """
    if len(raw) > MAX_TEXT_BYTES:
        raise RefusedFileError(f"{name} has {len(raw):,} bytes; deliver it in pieces.")
    codec, said = _codec(raw, encoding)
    try:
        text = raw.decode(codec)
    except UnicodeDecodeError as error:
        if encoding == "detect" and codec == "utf-8":
            return _guessed(raw, name)
        raise RefusedFileError(
            f"{name} is not in {said}: byte {error.start + 1:,} is "
            f"0x{raw[error.start]:02X}. State its encoding in the map."
        ) from error
    note = "" if codec == "utf-8" else f"read as {said}"
    return _checked(text, note, name)


def _guessed(raw: bytes, name: str) -> Text:
    """Read what is not UTF-8 as one byte a letter."""
    try:
        text = raw.decode("cp1252")
    except UnicodeDecodeError:  # it has no letter for these bytes
        return _checked(raw.decode("latin-1"), "read as Latin-1 (guessed)", name)
    return _checked(text, "read as Windows-1252 (guessed: it is not UTF-8)", name)


def head_text(raw: bytes) -> str:
    """Turn the first bytes of a file into text, whatever they are; for looking only."""
    codec, _ = _codec(raw, "detect")
    if codec == "utf-8":
        try:  # the head of a file may end within a letter
            codecs.getincrementaldecoder("utf-8")().decode(raw)
        except UnicodeDecodeError:
            codec = "cp1252"
    return raw.decode(codec, errors="replace")


def _codec(raw: bytes, encoding: str) -> tuple[str, str]:
    """Find the codec to try, and what to call it."""
    for mark, codec, said in _MARKS:
        if raw.startswith(mark) and (encoding == "detect" or _NAMES[encoding] == codec):
            return codec, said
    if encoding == "utf-16":  # without a mark: by where the zero bytes are
        return _utf16(raw[:_LOOKED_AT]) or "utf-16-le", "UTF-16"
    if encoding != "detect":
        codec = "utf-8" if encoding == "utf-8" else _NAMES[encoding]
        return codec, f"{_SAID[encoding]} (so the map)"
    if codec := _utf16(raw[:_LOOKED_AT]):
        return codec, "UTF-16 without a byte order mark"
    return "utf-8", "UTF-8"


def _utf16(head: bytes) -> str:
    """Name the order of UTF-16 text in Latin letters, whose every other byte is zero; or ''."""
    for codec, at in (("utf-16-le", 1), ("utf-16-be", 0)):
        letters = head[at::2]
        if len(head) >= 4 and letters.count(0) > 0.6 * len(letters):  # noqa: PLR2004 - own judgement
            return codec
    return ""


def _checked(text: str, note: str, name: str) -> Text:
    if "\x00" in text:
        raise RefusedFileError(f"{name} is no text: it holds bytes of value 0, as text never does.")
    return Text(text, note)
