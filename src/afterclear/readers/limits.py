"""How much a packed file may become, and which names in it are taken.

The limits are own judgement: a fleet's export of a year is some hundred MB of text, which packs
to a tenth or, at most, a hundredth.
"""

import zipfile
from dataclasses import dataclass
from typing import IO

from afterclear.errors import RefusedFileError, worded

MAX_UNPACKED = 4 << 30  # bytes of all members together
MAX_MEMBERS = 10_000
MAX_RATIO = 200  # unpacked to packed; deflate itself cannot do more than 1032
FREE_BYTES = 16 << 20  # below this no ratio is checked: small files of blanks pack well


@dataclass(frozen=True, slots=True)
class ReadingLimits:
    """What reading one foreign file may take, and how large a file within another may be."""

    memory_bytes: int = 4_000_000_000
    seconds: float = 600  # of processor time; twice that by the clock
    member_bytes: int = 2_000_000_000
    pages: int = 2_000  # of one PDF
    is_brief: bool = False  # somebody waits: what takes longer is no fault of the file


USUAL = ReadingLimits()


def check_zip(file: IO[bytes], where: str) -> list[zipfile.ZipInfo]:
    """List a zip's members, if it is within the limits by its own table.

    Raises:
        RefusedFileError: it is damaged, encrypted, too large, or names paths outside.

    """
    try:
        with zipfile.ZipFile(file) as packed:
            members = packed.infolist()
    except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError, EOFError) as error:
        raise RefusedFileError(
            worded("{where} is a damaged zip archive: {error}.", where=where, error=error)
        ) from error
    if len(members) > MAX_MEMBERS:
        raise RefusedFileError(
            worded(
                "{where} holds {n_members:,} files; at most {max_members:,}.",
                where=where,
                n_members=len(members),
                max_members=MAX_MEMBERS,
            )
        )
    if any(m.flag_bits & 1 for m in members):
        raise RefusedFileError(
            worded("{where} is protected by a password; deliver it without.", where=where)
        )
    check_size(sum(m.file_size for m in members), sum(m.compress_size for m in members), where)
    for member in members:
        check_name(member.filename, where)
    return members


def check_number(number: int, where: str) -> None:
    """Refuse an archive of too many files, whatever its table says.

    Raises:
        RefusedFileError: it is one.

    """
    if number > MAX_MEMBERS:
        raise RefusedFileError(
            worded(
                "{where} holds more than {max_members:,} files.",
                where=where,
                max_members=MAX_MEMBERS,
            )
        )


def check_size(unpacked: int, packed: int, where: str) -> None:
    """Refuse a file that would become too large, or grows as only a trap does.

    Raises:
        RefusedFileError: it would.

    """
    if unpacked > MAX_UNPACKED:
        raise RefusedFileError(
            worded(
                "{where} would unpack to {unpacked:,} bytes; at most {max_unpacked:,} are taken.",
                where=where,
                unpacked=unpacked,
                max_unpacked=MAX_UNPACKED,
            )
        )
    if unpacked > FREE_BYTES and unpacked > MAX_RATIO * max(packed, 1):
        raise RefusedFileError(
            worded(
                "{where} would unpack to {what:,} times its size; at most {max_ratio} "
                "times is taken.",
                where=where,
                what=unpacked // max(packed, 1),
                max_ratio=MAX_RATIO,
            )
        )


def check_name(name: str, where: str) -> None:
    """Refuse a member whose name leads out of the archive.

    Raises:
        RefusedFileError: it does.

    """
    plain = name.replace("\\", "/")
    if plain.startswith("/") or ":" in plain.split("/")[0] or ".." in plain.split("/"):
        raise RefusedFileError(
            worded(
                "{where} holds a file named {name!r}, outside of itself.", where=where, name=name
            )
        )
