"""Files within files: zip, tar and gz archives, mail with attachments.

Each file within becomes a delivery of its own, so that the ledger lists each. Nothing is ever
written under a name from inside: members are unpacked to numbered files, and their names are only
text. ``limits`` holds the limits; sizes are counted while unpacking, whatever an archive claims.
"""

import errno
import gzip
import io
import os
import tarfile
import zipfile
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path, PurePosixPath
from typing import IO, TYPE_CHECKING, cast

from afterclear.errors import RefusedFileError, worded
from afterclear.readers.formats.workbook import is_workbook
from afterclear.readers.limits import (
    FREE_BYTES,
    MAX_RATIO,
    MAX_UNPACKED,
    check_name,
    check_number,
    check_zip,
)
from afterclear.records import plain_ending, printable

if TYPE_CHECKING:
    from email.message import EmailMessage, MIMEPart

HEAD_BYTES = 1 << 14
MAX_NESTING = 3  # a mail with a zip with a gz
_PIECE = 1 << 20
_GZIP = b"\x1f\x8b"
_ZIP = b"PK\x03\x04"
_EMPTY_ZIP = b"PK\x05\x06"
_TAR_AT, _TAR = 257, b"ustar"  # POSIX.1-1988, offset of the magic in the first header
# A mail in a mail in a mail; a reply holds the one before it, none nests a hundred.
_MOST_PARTS_DEEP = 100
_LATEST = 253_402_300_800.0  # the year 10000: no file is that late
_FULL = {errno.ENOSPC, errno.EDQUOT}
# Files in archives and mail that nobody meant to send (common practice, no source).
_BESIDE = ("__macosx/",)
_BESIDE_NAMES = (".ds_store", "thumbs.db", "desktop.ini")
_SUFFIXES = {"text/plain": ".txt", "text/html": ".html"}


@dataclass(frozen=True, slots=True)
class Member:
    """A file from within another."""

    name: str  # for messages and the maps' patterns; never a path
    path: Path


@dataclass(slots=True)
class Unpacked:
    """What a container holds."""

    kind: str
    members: list[Member] = field(default_factory=list)
    passed_over: Counter[str] = field(default_factory=Counter)

    @property
    def note(self) -> str:
        """Say how many files there are, and what was skipped."""
        parts = [worded("{n:,} files within", n=len(self.members))]
        return "; ".join([*parts, *(f"{n} {what}" for what, n in self.passed_over.items())])


def may_be_container(path: Path, name: str) -> bool:
    """Whether a file may hold others, by its first bytes and name alone."""
    with path.open("rb") as file:
        head = file.read(HEAD_BYTES)
    marked = head.startswith((_ZIP, _EMPTY_ZIP, _GZIP)) or _is_tar(head)
    return marked or name.lower().endswith(".eml")


def container_kind(path: Path, name: str) -> str | None:
    """Name the kind of archive or mail by first bytes (for mail, also its name); None: neither."""
    with path.open("rb") as file:
        head = file.read(HEAD_BYTES)
    if head.startswith((_ZIP, _EMPTY_ZIP)):
        return None if is_workbook(head, path) else "zip"
    if head.startswith(_GZIP):
        return "gz"
    if _is_tar(head):
        return "tar"
    return "mail" if name.lower().endswith(".eml") else None


def _is_tar(head: bytes) -> bool:
    return head[_TAR_AT : _TAR_AT + len(_TAR)] == _TAR


def unpacked(
    path: Path, name: str, kind: str, folder: Path, most_bytes: int = MAX_UNPACKED
) -> Unpacked:
    """Unpack a container into numbered files of ``folder``, each of at most ``most_bytes``.

    Raises:
        RefusedFileError: it is damaged, protected, too large, or names paths outside.
        OSError: the disk is full; the container itself may be sound.

    """
    made = Unpacked(kind)
    files = {"zip": _of_zip, "tar": _of_tar, "gz": _of_gz, "mail": _of_mail}[kind]
    budget = _Budget(name, path.stat().st_size, most_bytes)
    try:
        for number, (inner, file, changed_at) in enumerate(files(path, name, made), 1):
            check_number(number, name)
            place = folder / f"{number}{plain_ending(inner)}"
            _write(file, place, budget)
            if changed_at is not None:
                os.utime(place, (changed_at, changed_at))
            made.members.append(Member(printable(inner), place))
    except (RefusedFileError, MemoryError):
        raise
    except RecursionError as error:
        raise RefusedFileError(
            worded("{name} is a {kind} file that nests without end.", name=name, kind=kind)
        ) from error
    # the libraries pass on any error of their parsing: each means a broken file here
    except Exception as error:
        if isinstance(error, OSError) and error.errno in _FULL:
            raise
        raise RefusedFileError(
            worded("{name} is a damaged {kind} file: {error}.", name=name, kind=kind, error=error)
        ) from error
    return made


def check_nesting(nesting: int, name: str) -> None:
    """Refuse a file that is packed too many times over.

    Raises:
        RefusedFileError: it is.

    """
    if nesting >= MAX_NESTING:
        raise RefusedFileError(
            worded(
                "{name} is packed {nesting} times over; at most {max_nesting}.",
                name=name,
                nesting=nesting,
                max_nesting=MAX_NESTING,
            )
        )


@dataclass(slots=True)
class _Budget:
    name: str
    packed: int
    most_bytes: int
    spent: int = 0

    def spend(self, n: int, of_file: int) -> None:
        """Count ``n`` more bytes, ``of_file`` of one file."""
        self.spent += n
        if of_file > self.most_bytes:
            raise RefusedFileError(
                worded(
                    "{name} holds a file of more than {what:,.0f} MB; limits.max_file_mb "
                    "allows no more.",
                    name=self.name,
                    what=self.most_bytes / 1e6,
                )
            )
        if self.spent > MAX_UNPACKED:
            raise RefusedFileError(
                worded(
                    "{name} unpacks to more than {max_unpacked:,} bytes.",
                    name=self.name,
                    max_unpacked=MAX_UNPACKED,
                )
            )
        if self.spent > FREE_BYTES and self.spent > MAX_RATIO * max(self.packed, 1):
            raise RefusedFileError(
                worded(
                    "{name} unpacks to more than {max_ratio} times its size; it is refused.",
                    name=self.name,
                    max_ratio=MAX_RATIO,
                )
            )


def _write(file: IO[bytes], place: Path, budget: _Budget) -> None:
    written = 0
    with place.open("wb") as out:
        while piece := file.read(_PIECE):
            written += len(piece)
            budget.spend(len(piece), written)
            out.write(piece)


Files = Iterator[tuple[str, IO[bytes], float | None]]


def _of_zip(path: Path, name: str, made: Unpacked) -> Files:
    with path.open("rb") as file:
        members = check_zip(file, name)
    with zipfile.ZipFile(path) as packed:
        for member in members:
            if member.is_dir() or _is_beside(member.filename, made):
                continue
            with packed.open(member) as file:
                yield member.filename, file, _moment(member.date_time)


def _moment(parts: tuple[int, ...]) -> float | None:
    try:
        year, month, day, hour, minute, second = parts
        return datetime(year, month, day, hour, minute, second, tzinfo=UTC).timestamp()
    except ValueError:
        return None


def _sound_moment(seconds: float) -> float | None:
    """Give the time a file was changed; None if the archive states an impossible one."""
    return seconds if 0 <= seconds < _LATEST else None


def _of_tar(path: Path, name: str, made: Unpacked) -> Files:
    with tarfile.open(path, "r:") as packed:
        yield from _members_of_tar(packed, name, made)


def _members_of_tar(packed: tarfile.TarFile, name: str, made: Unpacked) -> Files:
    for member in packed:
        if member.isdir():
            continue
        if not member.isfile():
            made.passed_over["links or devices passed over"] += 1
            continue
        check_name(member.name, name)
        file = packed.extractfile(member)
        if file is not None and not _is_beside(member.name, made):
            yield member.name, file, _sound_moment(float(member.mtime))


def _of_gz(path: Path, name: str, _: Unpacked) -> Files:
    base = PurePosixPath(name.replace("\\", "/")).name
    inner = base[:-3] if base.lower().endswith(".gz") else base
    if inner.lower().endswith(".tgz"):
        inner = f"{inner[:-4]}.tar"
    with gzip.open(path) as file:
        yield inner or "file", cast("IO[bytes]", file), path.stat().st_mtime


def _of_mail(path: Path, name: str, made: Unpacked) -> Files:
    """Give a mail's attachments; its own text only if there is no attachment."""
    # slow to load, and few files are mails
    from email import policy  # noqa: PLC0415
    from email.parser import BytesParser  # noqa: PLC0415

    with path.open("rb") as file:
        mail = BytesParser(policy=policy.default).parse(file)
    if not mail.keys():
        raise RefusedFileError(worded("{name} is no mail: it has no header lines.", name=name))
    _check_depth(mail, name)
    moment = _sent_at(mail)
    attached = list(_attachments(mail, made))
    texts = [p for p in mail.walk() if p.get_content_type() in _SUFFIXES and not p.is_attachment()]
    if not attached:
        attached = [(f"text{_SUFFIXES[p.get_content_type()]}", p) for p in texts[:1]]
    for inner, part in attached:
        content = part.get_payload(decode=True)
        if part.get_content_type() in _SUFFIXES and not part.is_attachment():
            content = part.get_content().encode()
        yield inner, io.BytesIO(content if isinstance(content, bytes) else b""), moment


def _check_depth(mail: "EmailMessage", name: str) -> None:
    level: list[MIMEPart] = [mail]
    for _ in range(_MOST_PARTS_DEEP):
        level = [part for each in level if each.is_multipart() for part in each.iter_parts()]
        if not level:
            return
    raise RefusedFileError(
        worded(
            "{name} holds mails within mails, more than {most_parts_deep} deep.",
            name=name,
            most_parts_deep=_MOST_PARTS_DEEP,
        )
    )


def _attachments(mail: "EmailMessage", made: Unpacked) -> "Iterator[tuple[str, EmailMessage]]":
    for number, part in enumerate(mail.walk(), 1):
        if part.is_multipart():
            continue
        named = part.get_filename()
        if not part.is_attachment() and not named:
            continue
        if part.get_content_maintype() == "image" or part.get("Content-ID"):
            made.passed_over["pictures of the mail passed over"] += 1
            continue
        check_name(named or "", mail.get("Subject", "the mail"))
        yield named or f"attachment {number}", part


def _sent_at(mail: "EmailMessage") -> float | None:
    date = mail.get("Date")
    sent = getattr(date, "datetime", None)
    return sent.timestamp() if sent is not None else None


def _is_beside(name: str, made: Unpacked) -> bool:
    lower = name.lower()
    is_beside = lower.startswith(_BESIDE) or lower.rpartition("/")[2] in _BESIDE_NAMES
    if is_beside:
        made.passed_over["files of the operating system passed over"] += 1
    return is_beside
