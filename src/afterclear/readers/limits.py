"""How much a packed file may become, and which names in it are taken.

The limits are own judgement: a fleet's export of a year is some hundred MB of text, which packs
to a tenth or, at most, a hundredth.
"""

import zipfile
from dataclasses import dataclass
from typing import IO

from afterclear.errors import RefusedFileError

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
        raise RefusedFileError(f"{where} is a damaged zip archive: {error}.") from error
    if len(members) > MAX_MEMBERS:
        raise RefusedFileError(f"{where} holds {len(members):,} files; at most {MAX_MEMBERS:,}.")
    if any(m.flag_bits & 1 for m in members):
        raise RefusedFileError(f"{where} is protected by a password; deliver it without.")
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
        raise RefusedFileError(f"{where} holds more than {MAX_MEMBERS:,} files.")


def check_size(unpacked: int, packed: int, where: str) -> None:
    """Refuse a file that would become too large, or grows as only a trap does.

    Raises:
        RefusedFileError: it would.

    """
    if unpacked > MAX_UNPACKED:
        raise RefusedFileError(
            f"{where} would unpack to {unpacked:,} bytes; at most {MAX_UNPACKED:,} are taken."
        )
    if unpacked > FREE_BYTES and unpacked > MAX_RATIO * max(packed, 1):
        raise RefusedFileError(
            f"{where} would unpack to {unpacked // max(packed, 1):,} times its size; "
            f"at most {MAX_RATIO} times is taken."
        )


def check_name(name: str, where: str) -> None:
    """Refuse a member whose name leads out of the archive.

    Raises:
        RefusedFileError: it does.

    """
    plain = name.replace("\\", "/")
    if plain.startswith("/") or ":" in plain.split("/")[0] or ".." in plain.split("/"):
        raise RefusedFileError(f"{where} holds a file named {name!r}, outside of itself.")
