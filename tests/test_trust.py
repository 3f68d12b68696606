"""What the help says about trust is shown by tests that exist."""

import re
from pathlib import Path

TESTS = Path(__file__).parent
HELP = TESTS.parent / "src" / "afterclear" / "help" / "trust.md"


def test_each_promise_names_a_test_that_is_there() -> None:
    named = set(re.findall(r"`(test_\w+)`", HELP.read_text(encoding="utf-8")))
    written = {
        name
        for path in TESTS.rglob("test_*.py")
        for name in re.findall(r"^def (test_\w+)\(", path.read_text(encoding="utf-8"), re.MULTILINE)
    }
    assert len(named) > 30
    assert named - written == set()


def test_each_line_of_every_table_names_its_test() -> None:
    """A promise that nothing shows is none."""
    rows = [line for line in HELP.read_text(encoding="utf-8").splitlines() if line[:2] == "| "]
    heads = [line for line in rows if line.endswith("| shown by |")]
    assert len(heads) > 6
    assert [line for line in rows if line not in heads and "`test_" not in line] == []
