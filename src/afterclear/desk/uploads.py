"""Files that were brought and are not loaded yet: a folder each, beside the store."""

import re
import secrets
import shutil
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from afterclear.errors import UsageError, worded

_NUMBER = re.compile(r"[0-9a-f]{16}\Z")
_OTHER = re.compile(r"[^A-Za-z0-9._-]+")
_LONGEST_NAME = 100
_MOST = 200  # files that wait


@dataclass(frozen=True, slots=True)
class Upload:
    """A file that was brought."""

    number: str
    path: Path
    why: str = ""  # why it was not loaded, when that was tried

    @property
    def name(self) -> str:
        """Its name, in letters that are safe anywhere."""
        return self.path.name


class Uploads:
    """The files that wait.

    An end takes them away; those of a desk that was killed still wait at the next start, but for
    one that was cut off.  A link is left alone: what it points at is none of the desk's.

    Raises:
        UsageError: the folder itself is a link.

    """

    def __init__(self, folder: Path) -> None:
        if folder.is_symlink():
            raise UsageError(
                f"{folder} is a link. The desk keeps there what is brought, tidies it up and does "
                "not do so elsewhere: remove the link, then start the desk again."
            )
        self.folder = folder
        self._why: dict[str, str] = {}
        for place in self._own():
            if not _NUMBER.match(place.name):
                shutil.rmtree(place) if place.is_dir() else place.unlink(missing_ok=True)
        self._leave_folder()

    def _own(self) -> list[Path]:
        """Give what is in the folder, hidden or not, but for links."""
        return [place for place in self.folder.glob("*") if not place.is_symlink()]

    def _leave_folder(self) -> None:
        with suppress(OSError):
            self.folder.rmdir()  # it is not empty where a file waits, or a link is

    def keep(self, name: str, file: BinaryIO) -> Upload:
        """Keep a file; it is there whole or not at all.

        Raises:
            UsageError: too many wait already.
            OSError: the disk is full.

        """
        self._check_room(1)
        number = secrets.token_hex(8)
        made = self.folder / f".{number}"
        self.folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        made.mkdir(mode=0o700)
        try:
            with (made / plain_name(name)).open("xb") as target:
                shutil.copyfileobj(file, target)
            made.rename(self.folder / number)
        except BaseException:
            shutil.rmtree(made, ignore_errors=True)
            raise
        return self.get(number)

    def keep_all(self, files: Sequence[tuple[str, BinaryIO]]) -> list[Upload]:
        """Keep files (name, content), all or none.

        Raises:
            UsageError: too many wait then.
            OSError: the disk is full.

        """
        self._check_room(len(files))
        kept: list[Upload] = []
        try:
            for name, file in files:
                kept.append(self.keep(name, file))
        except BaseException:
            for upload in kept:
                self.drop(upload.number)
            raise
        return kept

    def _check_room(self, n: int) -> None:
        n_waiting = len(self.waiting())
        if n_waiting + n > _MOST:
            raise UsageError(
                worded(
                    "At most {most} files wait at once, and {n} do already. Load them or leave "
                    "them out first.",
                    most=_MOST,
                    n=n_waiting,
                )
            )

    def get(self, number: str) -> Upload:
        """Give a file that waits.

        Raises:
            UsageError: there is none of this number.

        """
        place = self.folder / number
        if _NUMBER.match(number) and not place.is_symlink():
            with suppress(OSError, StopIteration):
                path = next(each for each in place.iterdir() if not each.is_symlink())
                return Upload(number, path, self._why.get(number, ""))
        raise UsageError(worded("This file is not here any more. Bring it again."))

    def waiting(self) -> list[Upload]:
        """List the files that wait, the latest last."""
        found: list[tuple[int, Upload]] = []
        for place in self._own():
            # one that is taken away in this moment does not wait
            with suppress(OSError, UsageError):
                found.append((place.stat().st_mtime_ns, self.get(place.name)))
        return [upload for _, upload in sorted(found, key=lambda each: each[0])]

    def note(self, number: str, why: str) -> None:
        """Note why a file was not loaded; it stays."""
        self._why[number] = why

    def own_page(self, text: str) -> Path:
        """Write a page that only the owner of the garage can read."""
        self.folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        page = self.folder / "open.html"
        page.unlink(missing_ok=True)  # a link of this name would be written through
        page.touch(mode=0o600, exist_ok=False)
        page.write_text(text, encoding="utf-8")
        return page.absolute()

    def drop(self, number: str) -> None:
        """Take a file away; nothing happens if it is gone."""
        if _NUMBER.match(number):
            self._why.pop(number, None)
            shutil.rmtree(self.folder / number, ignore_errors=True)

    def drop_all(self) -> None:
        """Take all files away."""
        for place in self._own():
            if place.is_dir():
                shutil.rmtree(place, ignore_errors=True)
            else:
                place.unlink(missing_ok=True)
        self._leave_folder()


def plain_name(name: str) -> str:
    r"""Make a file's name from one that came from outside; it is no path and hides nothing.

    >>> plain_name("C:\\x\\März 2.csv"), plain_name("../.."), plain_name("")
    ('M_rz_2.csv', 'file', 'file')
    """
    last = name.replace("\\", "/").rpartition("/")[2]
    return _OTHER.sub("_", last)[-_LONGEST_NAME:].lstrip("._-") or "file"
