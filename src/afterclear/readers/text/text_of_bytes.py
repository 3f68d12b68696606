"""Bytes as text: which encoding, how sure, said in words for the ledger.

Detected in this order: a byte order mark; UTF-16 by its zero bytes; UTF-8 if every byte fits;
otherwise the codepage whose letters are those of a language (``codepages``).  Where two are as good
and give different texts, the file is refused until a map states its encoding.
"""

import codecs
from dataclasses import dataclass, replace

from afterclear.errors import RefusedFileError, worded
from afterclear.readers.text.codepages import codepage_of

# Longest text taken at once; larger files are delivered in pieces.
MAX_TEXT_BYTES = 2 << 30
MAX_LINE = 1_000_000  # as in the plain layout; a row is a few hundred characters

_MARKS = (
    (codecs.BOM_UTF8, "utf-8-sig", "UTF-8 with a byte order mark"),
    (codecs.BOM_UTF16_LE, "utf-16", "UTF-16"),
    (codecs.BOM_UTF16_BE, "utf-16", "UTF-16"),
)
_SAID = {
    "utf-8": "UTF-8",
    "utf-8-sig": "UTF-8",
    "utf-16": "UTF-16",
    "iso8859-1": "Latin-1",
    **{f"cp125{n}": f"Windows-125{n}" for n in range(9)},
}
# Zero bytes in a text: a few are padding, many are no text.
_FEW_ZEROS = 0.02
_LOOKED_AT = 4096


@dataclass(frozen=True, slots=True)
class Text:
    """A file's text, and how it was read."""

    text: str
    note: str  # empty for plain UTF-8 or ASCII, which need no note
    codec: str = ""  # a codepage that was found by its letters


def codec_named(encoding: str) -> str:
    """Give the codec of an encoding's name, one of those Python knows for text.

    Raises:
        ValueError: there is none.

    """
    try:
        found = codecs.lookup(encoding)
    except LookupError as error:
        raise ValueError(
            f"there is no encoding {encoding!r}; use detect, utf-8, windows-1250, "
            "iso-8859-2 or another that Python knows"
        ) from error
    if not getattr(found, "_is_text_encoding", True):
        raise ValueError(f"{encoding!r} is no encoding of text")
    return {"utf-8": "utf-8-sig"}.get(found.name, found.name)


def decoded(raw: bytes, encoding: str, name: str) -> Text:
    """Turn a file's bytes into text.

    Raises:
        RefusedFileError: they are not in the encoding that was stated, or are no text.

    """
    if len(raw) > MAX_TEXT_BYTES:
        raise RefusedFileError(
            worded("{name} has {n_raw:,} bytes; deliver it in pieces.", name=name, n_raw=len(raw))
        )
    codec, said = _codec(raw, encoding)
    try:
        text = raw.decode(codec)
    except UnicodeDecodeError as error:
        if encoding == "detect" and codec == "utf-8":
            return _guessed(raw, name)
        raise RefusedFileError(
            worded(
                "{name} is not in {said}: byte {what:,} is 0x{raw:02X}. State its encoding in the "
                "map.",
                name=name,
                said=said,
                what=error.start + 1,
                raw=raw[error.start],
            )
        ) from error
    note = "" if codec == "utf-8" else f"read as {said}"
    return _checked(text, note, name)


def _guessed(raw: bytes, name: str) -> Text:
    """Read what is not UTF-8 as one byte a letter, in the codepage whose letters fit."""
    found = codepage_of(raw)
    encoding = _SAID.get(codec_named(found.name), found.name)
    if found.rivals:
        other = raw.decode(found.rivals[0])
        at = next(n for n, (a, b) in enumerate(zip(found.text, other, strict=False)) if a != b)
        here, there = (" ".join(t[max(at - 12, 0) : at + 12].split()) for t in (found.text, other))
        raise RefusedFileError(
            worded(
                "{name} is not UTF-8, and two encodings fit as well: {encoding} reads {here!r}, "
                "{rivals} reads {there!r}. State its encoding in the map.",
                name=name,
                encoding=encoding,
                here=here,
                rivals=found.rivals[0],
                there=there,
            )
        )
    return replace(
        _checked(found.text, f"read as {encoding} (guessed: it is not UTF-8)", name), codec=encoding
    )


def head_text(raw: bytes) -> str:
    """Turn the first bytes of a file into text, whatever they are; for inspection only."""
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
        if raw.startswith(mark) and (encoding == "detect" or codec_named(encoding) == codec):
            return codec, said
    if encoding == "utf-16":  # without a byte order mark: by the places of the zero bytes
        return _utf16(raw[:_LOOKED_AT]) or "utf-16-le", "UTF-16"
    if encoding != "detect":
        codec = codec_named(encoding)
        plain = "utf-8" if codec == "utf-8-sig" else codec
        return plain, f"{_SAID.get(codec, encoding)} (so the map)"
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
    """Leave out zero bytes where they are few: padding of records, not text."""
    n_zeros = text.count("\x00")
    if not n_zeros:
        return Text(text, note)
    if n_zeros > _FEW_ZEROS * len(text):
        raise RefusedFileError(
            worded("{name} is no text: it holds bytes of value 0, as text never does.", name=name)
        )
    zeros = f"bytes of value 0 left out: {n_zeros:,}"
    return Text(text.replace("\x00", ""), "; ".join(filter(None, (note, zeros))))
