"""``python -m tests.readers.messy``: every file through the tool; writes the help page anew.

With names of files only those are judged, and nothing is written.
"""

import re
import sys
import tempfile
from pathlib import Path

import afterclear
from tests.readers.messy.corpus import all_files
from tests.readers.messy.judging import Garage, Verdict, table_of

PAGE = Path(afterclear.__file__).parent / "help" / "messy.md"


def judged(names: list[str]) -> list[Verdict]:
    """Judge the files of these names, or all."""
    with tempfile.TemporaryDirectory() as folder:
        garage = Garage(Path(folder))
        return [garage.judge(f) for f in all_files() if not names or f.name in names]


def with_table(page: str, verdicts: list[Verdict]) -> str:
    """Put a table of outcomes into the page: it ends with it, and its text begins with the count."""
    text = page[: page.index("| file |")]
    text = re.sub(r"(?m)^\d+ exports", f"{len(verdicts)} exports", text, count=1)
    return text + "\n".join(table_of(verdicts)) + "\n"


if __name__ == "__main__":
    verdicts = judged(sys.argv[1:])
    for v in verdicts:
        if v.word in {"refused", "silently wrong"} or sys.argv[1:]:
            sys.stderr.write(f"{v.file.name}: {v.word} {v.questions}: {v.reason}\n")
    sys.stdout.write("\n".join(table_of(verdicts)) + "\n")
    if not sys.argv[1:]:
        PAGE.write_text(with_table(PAGE.read_text(encoding="utf-8"), verdicts), encoding="utf-8")
