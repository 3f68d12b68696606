"""A decision stands with the worklist that follows from it, or not at all."""

from pathlib import Path

import pytest

from afterclear.commands.analysis import deciding
from afterclear.commands.analysis.deciding import Asked, decide, decisions, undo
from tests.store.care_fixture import copy_of_garage


@pytest.mark.slow
def test_a_decision_that_breaks_off_before_the_worklist_follows_is_not_kept(
    template: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Killed there it stood, and the worklist asked for the same work until the next analysis."""
    app = copy_of_garage(template, tmp_path)
    number = decide(app, Asked("V2", "accept", "Ottoline Vance", note="kept"))

    def breaks_off(*_: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as broken:
        broken.setattr(deciding, "rank_work", breaks_off)
        with pytest.raises(KeyboardInterrupt):
            decide(app, Asked("V1", "accept", "Ottoline Vance", note="not kept"))
        with pytest.raises(KeyboardInterrupt):
            undo(app, number, "Ottoline Vance")
    told = [(row["note"], row["undone_at"]) for row in decisions(app, None)]
    assert told == [("kept", None)]
