"""Messages of the program in the words of the desk: nobody is told to type a command."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

import afterclear
from afterclear.desk.speech.desk_words import in_desk_words

SOURCES = Path(afterclear.__file__).parent
TYPED = re.compile(r"['`](?:afterclear )[a-z]|`load |--(?:vehicle|zone|begun) ")
# what only a terminal shows: how a command is used, and what it says of itself
AT_THE_TERMINAL = {"cli", "help", "desk"}


def messages() -> Iterator[tuple[str, str]]:
    for path in sorted(SOURCES.rglob("*.py")):
        if path.relative_to(SOURCES).parts[0] in AT_THE_TERMINAL:
            continue
        text = path.read_text(encoding="utf-8")
        if "'afterclear " not in text:
            continue
        tree = ast.parse(text)
        apart = {id(n.value) for n in ast.walk(tree) if isinstance(n, ast.Expr)}
        for node in ast.walk(tree):
            if isinstance(node, ast.JoinedStr):
                apart |= {id(part) for part in node.values}
                parts = (str(v.value) if isinstance(v, ast.Constant) else "7" for v in node.values)
                yield path.name, "".join(parts)
            elif isinstance(node, ast.Constant) and id(node) not in apart:
                yield path.name, str(node.value)


def test_no_message_sends_anybody_to_the_terminal() -> None:
    named = [(where, text) for where, text in messages() if re.search(r"'afterclear [a-z]", text)]
    assert len(named) > 15  # the walk finds them
    whole = [(where, text) for where, text in named if text.count("'") > 1]
    told = [(where, in_desk_words(text)) for where, text in whole]
    assert [(where, text) for where, text in told if TYPED.search(text)] == []


@pytest.mark.parametrize(
    ("said", "shown"),
    [
        (
            "2 rows were refused; 'afterclear rejections' lists them.",
            "2 rows were refused; “Refused rows” lists them.",
        ),
        ("     ok  scans.csv  3 rows: 3 stored", "Loaded: scans.csv  3 rows: 3 stored"),
        ("afterclear: Nothing was changed.", "Nothing was changed."),
        ("Run 'afterclear analyse' first.", "Use “Judge every fix” under “Today” first."),
        ("expected one of 'full', 'partial'", "expected one of 'full', 'partial'"),
    ],
)
def test_a_command_becomes_the_page_that_does_it(said: str, shown: str) -> None:
    assert in_desk_words(said) == shown
