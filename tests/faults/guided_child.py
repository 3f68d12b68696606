"""The process that is guided by coverage: one kind of input through its readers, many times.

``python -m tests.faults.guided_child KIND FOLDER SECONDS CORPUS -runs=1000``; started by
``guided``.  The first fault of each place is kept in the folder, and what takes more processor
time; a hang or too much memory ends the process, and its input is kept there, too.
"""

import hashlib
import importlib
import pkgutil
import sys
import tempfile
import time
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import Final

import atheris

_PARTS: Final = ("afterclear.readers", "afterclear.protocols", "afterclear.catalogue")


class Found:
    """Faults met, one of each place, and inputs that took too long."""

    def __init__(
        self,
        work: Callable[[bytes], None],
        refusals: tuple[type[Exception], ...],
        folder: Path,
        most_s: float,
    ) -> None:
        self.work, self.refusals, self.folder, self.most_s = work, refusals, folder, most_s
        self.places: set[str] = set()

    def one(self, raw: bytes) -> None:
        """Try one input; keep it if it meets a new fault, or takes too long."""
        begun = time.process_time()
        self._one(raw)
        if time.process_time() - begun > self.most_s:
            (self.folder / f"slow-{hashlib.sha256(raw).hexdigest()}").write_bytes(raw)

    def _one(self, raw: bytes) -> None:
        try:
            self.work(raw)
        except self.refusals:
            return
        except Exception as error:  # noqa: BLE001 - the point of it
            where = traceback.extract_tb(error.__traceback__)[-1]
            place = f"{type(error).__name__} at {where.filename}:{where.lineno}"
            if place not in self.places:
                self.places.add(place)
                name = hashlib.sha256(raw).hexdigest()
                (self.folder / f"fault-{name}").write_bytes(raw)
                print(f"FOUND {name[:8]}: {place}: {error}", flush=True)


def main() -> None:
    """Run from the command line; never returns."""
    kind, folder, seconds, *given = sys.argv[1:]
    # before anything else imports them: only what is imported here leads the way
    with atheris.instrument_imports(include=list(_PARTS), enable_loader_override=False):
        inputs = importlib.import_module("tests.faults.guided_inputs")
        for part in map(importlib.import_module, _PARTS):  # many are imported late otherwise
            for module in pkgutil.walk_packages(part.__path__, f"{part.__name__}."):
                importlib.import_module(module.name)
    with tempfile.TemporaryDirectory() as place:
        work = inputs.decode if kind == inputs.MESSAGES else inputs.Files(kind, Path(place)).read
        found = Found(work, inputs.REFUSALS, Path(folder), float(seconds))
        atheris.Setup([sys.argv[0], *given], found.one)
        atheris.Fuzz()


if __name__ == "__main__":
    main()
