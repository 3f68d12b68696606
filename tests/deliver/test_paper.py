"""What a person should know of the printing."""

import os

import pytest

from afterclear.deliver import paper


@pytest.mark.skipif(not hasattr(os, "geteuid"), reason="no users with numbers here")
@pytest.mark.parametrize(("user", "without"), [(0, True), (1000, False)])
def test_chromium_goes_without_its_sandbox_for_root_only_and_it_is_said(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture, user: int, *, without: bool
) -> None:
    monkeypatch.setattr("os.geteuid", lambda: user)
    monkeypatch.setattr(paper, "find_browser", lambda: "chromium")
    with caplog.at_level("WARNING", logger="afterclear"):
        assert paper.print_pages([]) == ()
    assert paper.has_no_sandbox() is without
    assert ("without its sandbox" in caplog.text) is without
