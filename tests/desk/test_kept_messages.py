"""What the store keeps as text is said in German as if its places had been kept."""

from string import Formatter

import pytest

from afterclear.catalogue.codes import Refusal, normal_code
from afterclear.desk.speech.kept_messages import said_again
from afterclear.errors import Worded, worded
from afterclear.wording.language import Language, messages_of

GERMAN = Language("de")


@pytest.mark.parametrize(
    ("kept", "said"),
    [
        (
            worded("new vehicles: {named} and {n:,} more", named="A-1, A-2", n=1200),
            "neue Fahrzeuge: A-1, A-2 und 1.200 weitere",
        ),
        (
            worded("a number with the decimal mark {decimal!r}", decimal=","),
            "eine Zahl mit dem Dezimalzeichen ','",
        ),
        (
            worded("{width} cells, as the headings are; this row has more ({n})", width=3, n=4),
            "3 Zellen, wie es Überschriften sind; diese Zeile hat mehr (4)",
        ),
    ],
)
def test_a_text_is_said_with_what_stood_in_its_places(kept: Worded, said: str) -> None:
    assert said_again(str(kept), GERMAN) == said


@pytest.mark.parametrize("text", ["P03O1", "100/3", "SPN 100 FMI 77", "P0301x", "x" * 200])
def test_what_was_expected_of_a_code_is_said_whole(text: str) -> None:
    refused = normal_code(text)
    assert isinstance(refused, Refusal)
    assert said_again(str(refused.expected), GERMAN) == GERMAN.said(refused.expected)


@pytest.mark.parametrize("text", ["", "asked Ottoline at the gate", "P0301", "{n} rows"])
def test_what_is_no_message_is_not_said(text: str) -> None:
    assert said_again(text, GERMAN) is None


def test_every_message_with_places_is_found_again_or_left_as_it_is() -> None:
    """None is taken for another one that says something else."""
    taken_for_another = []
    n_found = 0
    for message in messages_of("de"):
        filled = _filled(message)
        if filled is None or (again := said_again(str(filled), GERMAN)) is None:
            continue
        n_found += 1
        if again != GERMAN.said(filled):
            taken_for_another.append((str(filled), again))
    assert n_found > 500
    assert taken_for_another == []


def _filled(message: str) -> Worded | None:
    values: dict[str, object] = {}
    for number, (_, name, form, _) in enumerate(Formatter().parse(message)):
        if name:
            values.setdefault(name, 1200 + number if form and form[-1] in ",fd" else f"X-{number}")
    try:
        return worded(message, **values) if values else None
    except ValueError:  # a place for a time
        return None
