"""``python -m tests.readers.messy``: every file through the tool, and the table of outcomes."""

import sys
import tempfile
from pathlib import Path

from tests.readers.messy.corpus import all_files
from tests.readers.messy.judging import Garage, table_of

if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as folder:
        garage = Garage(Path(folder))
        wanted = sys.argv[1:]
        verdicts = [garage.judge(f) for f in all_files() if not wanted or f.name in wanted]
    sys.stdout.write("\n".join(table_of(verdicts)) + "\n")
    for v in verdicts:
        if v.word in {"refused", "silently wrong"} or wanted:
            sys.stderr.write(f"{v.file.name}: {v.word} {v.questions}: {v.reason}\n")
