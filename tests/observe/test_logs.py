"""Log lines: one an event, for people or programs, without secrets, for their owner only."""

import json
import logging
from collections.abc import Iterator
from pathlib import Path

import pytest

from afterclear.config import environment_secret, without_secrets
from afterclear.observe.logs import log_to, quiet

LOG = logging.getLogger("afterclear.test")
SECRET = "5esame-0pen"  # noqa: S105 - invented here


@pytest.fixture(autouse=True)
def _quiet_afterwards() -> Iterator[None]:
    yield
    quiet()


def test_json_lines_carry_every_fact(tmp_path: Path) -> None:
    log_to(tmp_path / "a.log", "json", without_secrets)
    LOG.info("file", extra={"facts": {"source": 'x"\n.csv', "rows": 3}})
    (line,) = (tmp_path / "a.log").read_text(encoding="utf-8").splitlines()
    told = json.loads(line)
    assert (told["event"], told["level"], told["source"], told["rows"]) == (
        "file",
        "INFO",
        'x"\n.csv',
        3,
    )


def test_an_event_is_one_line_of_text_whatever_it_holds(tmp_path: Path) -> None:
    """A name of a source with a line break forges no second event."""
    log_to(tmp_path / "a.log", "text", without_secrets)
    name = "x\n2026-01-01 ERROR forged\x1b[31m.csv"
    LOG.info("file", extra={"facts": {"source": name}})
    lines = (tmp_path / "a.log").read_text(encoding="utf-8").splitlines()
    assert len(lines) == 1
    assert "INFO file source=" in lines[0]
    assert "\x1b" not in lines[0]


@pytest.mark.parametrize("form", ["text", "json"])
def test_a_secret_is_never_logged(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, form: str
) -> None:
    monkeypatch.setenv("A_SECRET", SECRET)
    environment_secret("A_SECRET")
    log_to(tmp_path / "a.log", form, without_secrets)  # type: ignore[arg-type]
    try:
        int(f"login with {SECRET} failed")
    except ValueError:
        LOG.exception("broke", extra={"facts": {"error": f"sftp://u:{SECRET}@x"}})
    told = (tmp_path / "a.log").read_text(encoding="utf-8")
    assert SECRET not in told
    assert "***" in told


def test_a_log_is_for_its_owner_only(tmp_path: Path) -> None:
    """It says who works when."""
    log_to(tmp_path / "logs" / "a.log", "text", without_secrets)
    assert (tmp_path / "logs" / "a.log").stat().st_mode & 0o077 == 0


def test_nothing_is_written_before_it_is_asked_for(capsys: pytest.CaptureFixture[str]) -> None:
    LOG.warning("unheard")
    assert capsys.readouterr() == ("", "")
