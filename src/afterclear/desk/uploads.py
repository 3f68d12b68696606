"""Files that were brought and are not loaded yet: a folder each, beside the store."""

import json
import re
import secrets
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from afterclear.errors import UsageError
from afterclear.records import plain_ending, printable

_NUMBER = re.compile(r"[0-9a-f]{16}\Z")
_NAME = "name.json"
_BYTES = "file"
_LONGEST_NAME = 200


@dataclass(frozen=True, slots=True)
class Upload:
    """A file that was brought."""

    number: str
    name: str  # as it was called where it came from; never a path of ours
    path: Path


class Uploads:
    """The files that wait; those of an earlier start are gone."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        shutil.rmtree(folder, ignore_errors=True)

    def keep(self, name: str, file: BinaryIO) -> Upload:
        """Keep a file; it is there whole or not at all."""
        number = secrets.token_hex(8)
        made = self._folder / f".{number}"
        made.mkdir(parents=True, mode=0o700)
        own_name = printable(Path(name.replace("\\", "/")).name)[:_LONGEST_NAME] or "file"
        # its ending tells readers what it is; nothing else of its name is part of a path
        with (made / f"{_BYTES}{plain_ending(own_name)}").open("xb") as target:
            shutil.copyfileobj(file, target)
        (made / _NAME).write_text(json.dumps(own_name), encoding="utf-8")
        made.rename(self._folder / number)
        return self.get(number)

    def get(self, number: str) -> Upload:
        """Give a file that waits.

        Raises:
            UsageError: there is none of this number.

        """
        place = self._folder / number
        if not _NUMBER.match(number) or not place.is_dir():
            raise UsageError("This file is not here any more. Bring it again.")
        name = json.loads((place / _NAME).read_text(encoding="utf-8"))
        return Upload(number, name, place / f"{_BYTES}{plain_ending(name)}")

    def waiting(self) -> list[Upload]:
        """List the files that wait, the latest last."""
        if not self._folder.is_dir():
            return []
        places = [p for p in self._folder.iterdir() if _NUMBER.match(p.name)]
        return [self.get(p.name) for p in sorted(places, key=lambda p: p.stat().st_mtime_ns)]

    def drop(self, number: str) -> None:
        """Take a file away; nothing happens if it is gone."""
        if _NUMBER.match(number):
            shutil.rmtree(self._folder / number, ignore_errors=True)

    def drop_all(self) -> None:
        """Take all files away."""
        shutil.rmtree(self._folder, ignore_errors=True)
