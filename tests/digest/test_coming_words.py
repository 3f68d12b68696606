"""What is coming for one vehicle is said in tens of a hundred, or not at all."""

from typing import Any

from afterclear.digest.common.rise_words import coming_words
from afterclear.finding_tables.emerging import ANY_FAULT
from afterclear.wording.cells import Cells
from tests.findings.test_emerging import row


def told(p_any: float | None, *rises: Any) -> list[str]:
    return [text.replace("\u00a0", " ") for text in coming_words(p_any, rises, Cells())]


def test_a_chance_is_told_in_tens() -> None:
    (said,) = told(0.33)
    assert said.startswith("Of 100 vehicles that go on like this one, about 30 show a new fault")
    assert "about 90 show" in told(0.999)[0]
    assert "about 10 show" in told(0.06)[0]


def test_without_a_record_that_holds_or_a_chance_worth_a_word_nothing_is_said() -> None:
    assert told(None) == []
    assert told(0.04) == []
    assert told(None, (row("r"), 0.01), (row("r"), None)) == []


def test_a_rise_that_may_reach_the_vehicle_is_named_with_its_group_and_chance() -> None:
    (said,) = told(None, (row("r"), 0.21))
    assert said.startswith("It may be next: Brake pad: Orrinby begins more often since about ")
    assert said.endswith("of 100 such vehicles about 20 show it within 90 days.")


def test_of_all_faults_together_no_vehicle_is_next() -> None:
    assert told(None, (row("r", fault=ANY_FAULT, label=ANY_FAULT), 0.5)) == []
