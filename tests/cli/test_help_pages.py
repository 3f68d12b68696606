"""Help pages in the terminal."""

import pytest
from click.testing import CliRunner

from afterclear.cli import main


def test_without_a_topic_the_topics_are_listed_with_their_headings() -> None:
    shown = CliRunner().invoke(main, ["help"])
    assert shown.exit_code == 0
    assert "imports" in shown.output
    assert "Release notes" in shown.output


@pytest.mark.parametrize("topic", ["tables", "imports", "operations", "changes"])
def test_a_topic_is_shown_whole(topic: str) -> None:
    shown = CliRunner().invoke(main, ["help", topic])
    assert shown.exit_code == 0
    assert len(shown.output) > 1000


def test_an_unknown_topic_is_told_with_those_there_are() -> None:
    shown = CliRunner().invoke(main, ["help", "../config"])
    assert shown.exit_code == 2
    assert "topics are: analyses" in shown.output
