"""What a campaign tried is kept, however it ends."""

import signal
from contextlib import suppress
from pathlib import Path

import pytest

from tests import campaign_table
from tests.campaigns import counted, kept

HEAD = "date,campaign,how,tried,of,wrong,told\n"


@pytest.fixture
def results(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Keep results and page apart from those that were measured."""
    monkeypatch.delenv("AFTERCLEAR_TEST_COUNTS", raising=False)
    monkeypatch.setattr(campaign_table, "PAGE", tmp_path / "page.md")
    monkeypatch.setattr(campaign_table, "KEPT", tmp_path / "results.csv")
    (tmp_path / "page.md").write_text("# Long campaigns\n")
    (tmp_path / "results.csv").write_text(HEAD)
    return tmp_path


def _tried(error: BaseException | None, wrong: int = 0) -> None:
    with suppress(KeyboardInterrupt, ValueError), kept("files", "files --times 4"):
        counted(3, "broken files")
        counted(4, "broken files", wrong)
        if isinstance(error, KeyboardInterrupt):
            signal.raise_signal(signal.SIGINT)
        if error:
            raise error


def test_what_a_query_makes_of_ctrl_c_is_no_finding(results: Path) -> None:
    with suppress(ValueError), kept("mixtures", "mixtures"):
        counted(3, "mixtures")
        with suppress(KeyboardInterrupt):
            signal.raise_signal(signal.SIGINT)
        raise ValueError("Query interrupted")
    assert ",3,mixtures,0,Stopped before its end" in (results / "results.csv").read_text()


@pytest.mark.parametrize(
    ("error", "wrong", "line"),
    [
        (None, 0, "7,broken files,0,"),
        (None, 2, "7,broken files,2,"),
        (KeyboardInterrupt(), 0, "7,broken files,0,Stopped before its end"),
        (ValueError(), 0, "7,broken files,1,"),
        (ValueError(), 2, "7,broken files,2,"),
    ],
)
def test_what_was_tried_counts_whatever_ended_it(
    results: Path, error: BaseException | None, wrong: int, line: str
) -> None:
    _tried(error, wrong)
    (told,) = (results / "results.csv").read_text().removeprefix(HEAD).splitlines()
    assert told.endswith(f",files,files --times 4,{line}")
    n_wrong = line.split(",")[2].replace("0", "none")
    assert f"| `files` | 7 broken files | {n_wrong} |" in (results / "page.md").read_text()


def test_a_campaign_that_ends_before_it_counted_is_wrong(results: Path) -> None:
    with suppress(ValueError), kept("files", "files"):
        raise ValueError
    assert ",files,files,1,runs,1," in (results / "results.csv").read_text()


def test_one_within_another_is_kept_once(results: Path) -> None:
    with kept("guided", "guided --minutes 60"):
        _tried(None)
    (told,) = (results / "results.csv").read_text().removeprefix(HEAD).splitlines()
    assert ",guided,guided --minutes 60,7,broken files,0," in told


def test_one_kinds_inputs_and_one_commands_kills_are_no_run_of_their_own(results: Path) -> None:
    with kept("guided", "guided .xls"):
        counted(5, "inputs", 1)
        counted(5, f"{campaign_table.INPUTS_OF}.xls", 1)
        counted(2, f"{campaign_table.KILLS_OF}load")
    page = (results / "page.md").read_text()
    assert "| `guided` | 5 inputs | 1 |" in page
    assert "\n| .xls | 5 | 1 |\n" in page
    assert "\n| load | 2 | 0 | 2 |\n" in page
    assert page.count("`guided .xls`") == 1
