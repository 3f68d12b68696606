"""The corpus of messy files: with the suggestion as it is, right or asked, never silently wrong."""

from collections import Counter
from pathlib import Path

import pytest

import afterclear
from afterclear.readers.suggest.columns.questions import MOST_QUESTIONS
from tests.readers.messy.corpus import NOT_READ, all_files
from tests.readers.messy.files import Messy
from tests.readers.messy.judging import Garage

FILES = list(all_files())
# May be asked for: at most so many of all files.
ASKED_AT_MOST = 0.3


@pytest.fixture(scope="module")
def garage(tmp_path_factory: pytest.TempPathFactory) -> Garage:
    return Garage(tmp_path_factory.mktemp("messy"))


@pytest.fixture(scope="module")
def outcomes() -> Counter[str]:
    return Counter()


# Every fortieth in the default run; all of them in the long one.
JUDGED = [
    pytest.param(file, id=file.name, marks=() if number % 40 == 0 else pytest.mark.slow)
    for number, file in enumerate(FILES)
]


@pytest.mark.parametrize("file", JUDGED)
def test_a_messy_file_is_right_or_asked(
    file: Messy, garage: Garage, outcomes: Counter[str]
) -> None:
    verdict = garage.judge(file)
    outcomes[verdict.word] += 1
    fair = {"refused"} if file.name in NOT_READ else {"right", "asked"}
    assert verdict.word in fair, verdict.reason
    assert len(verdict.questions) <= MOST_QUESTIONS


def test_most_files_need_no_answer(outcomes: Counter[str]) -> None:
    n_judged = outcomes.total()
    assert outcomes["asked"] <= ASKED_AT_MOST * max(n_judged, len(FILES))


def test_the_help_lists_every_file_of_the_corpus() -> None:
    page = (Path(afterclear.__file__).parent / "help" / "messy.md").read_text(encoding="utf-8")
    assert [f.name for f in FILES if f"| `{f.name}` |" not in page] == []
    assert f"{len(FILES)} files: " in page
    assert "silently wrong 0" in page
