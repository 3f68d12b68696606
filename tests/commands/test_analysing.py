"""Which changes make histories be built anew, and which do not."""

import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from afterclear.commands.analysis import analysing
from afterclear.commands.analysis.analysing import analyse
from afterclear.config import Config, shipped
from tests.store.care_fixture import copy_of_garage


@pytest.mark.slow
def test_only_what_a_history_is_built_by_rebuilds_it(
    template: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    config = tmp_path / "config"
    shutil.copytree(shipped("config"), config)
    app = replace(copy_of_garage(template, tmp_path), config=Config(config))
    analyse(app)

    def rebuilt_after(change: str) -> int:
        if change:
            with (config / change).open("a", encoding="utf-8") as table:
                table.write("# a line more\n")
        return analyse(app).vehicles_rebuilt

    assert rebuilt_after("") == 0
    assert rebuilt_after("imports/headings.csv") == 0  # how a table is read, not what it tells
    assert rebuilt_after("monitors.csv") > 0  # which test watches a code: what absence proves
    monkeypatch.setattr(analysing, "rules_as_written", lambda: b"other rules")
    assert rebuilt_after("") > 0
    assert rebuilt_after("") == 0
