"""Parts that only changed places, and parts that were not to be had: no new one was fitted."""

import pytest

from afterclear.catalogue.order_text.reading import Unread, Work, WorkReader
from tests.catalogue import notes_table


@pytest.fixture(scope="module")
def reader() -> WorkReader:
    """Make the reader with the shipped words."""
    return notes_table.reader()


@pytest.mark.parametrize(
    "text",
    [
        "Misfire cyl 2, coil swapped with cyl 4",
        "Coil swapped between cyl 1 and cyl 3",
        "Injectors 2 and 3 swapped, misfire moved",
        "Zündspule Zyl. 2 mit Zyl. 4 getauscht",
        "Injektoren 1 und 3 getauscht, Fehler wandert mit",
        "Bobine cyl. 1 échangée avec le cyl. 3",
        "Bobine intervertie entre cyl. 2 et cyl. 4",
        "Bobina cambiada por la del cilindro 4",
        "Intercambiada la bobina 2 con la del cilindro 3",
        "Zamieniono cewkę cyl. 1 z cyl. 3",
        "Cewka zamieniona między cyl. 2 i cyl. 3",
    ],
)
def test_parts_that_changed_places_are_no_new_parts(reader: WorkReader, text: str) -> None:
    """The fault was looked for; nothing was mended."""
    assert [w for w in reader.read(text).works if w.action != "inspect"] == []


@pytest.mark.parametrize(
    ("text", "work"),
    [
        ("Coil 2 swapped for a new one", Work("ignition_coil", "cylinder_2", "replace")),
        ("Zündkerzen gegen 4 neue getauscht", Work("spark_plug", "", "replace")),
        ("Zündspule Zyl. 3 getauscht", Work("ignition_coil", "cylinder_3", "replace")),
        ("Coil swapped with cyl 2, fault followed. Coil cyl 4 replaced",
         Work("ignition_coil", "cylinder_4", "replace")),
        ("Sonde lambda échangée", Work("oxygen_sensor", "", "replace")),
        ("Bobina cilindro 3 cambiada", Work("ignition_coil", "cylinder_3", "replace")),
        ("Cewka cyl. 2 zamieniona na nową", Work("ignition_coil", "cylinder_2", "replace")),
    ],
)  # fmt: skip
def test_a_part_changed_for_a_new_one_is_renewed(reader: WorkReader, text: str, work: Work) -> None:
    """The same verbs say both."""
    assert reader.read(text).works == (work,)


@pytest.mark.parametrize(
    "text",
    [
        "Wheel bearing FL not available, ordered",
        "New wheel bearing rear left out of stock",
        "Radlager VL nicht verfügbar",
        "Neues Thermostat nicht auf Lager",
        "Roulement AVG pas disponible",
        "Thermostat neuf indisponible",
        "Rodamiento delantero no disponible",
        "Termostato nuevo sin existencias",
        "Łożysko PP niedostępne",
        "Nowy termostat niedostępny",
    ],
)
def test_a_part_that_was_not_to_be_had_was_not_fitted(reader: WorkReader, text: str) -> None:
    """New as it would be, it is not there."""
    read = reader.read(text)
    assert (read.works, read.why) == ((), Unread.NOT_DONE)


@pytest.mark.parametrize(
    ("text", "part"),
    [
        ("Lambdasonden vor und nach Kat erneuert", "oxygen_sensor"),
        ("sonde lambda avant et après catalyseur remplacées", "oxygen_sensor"),
        ("sondas lambda anterior y posterior cambiadas", "oxygen_sensor"),
        ("sondy lambda przed i za katalizatorem wymienione", "oxygen_sensor"),
    ],
)
def test_before_and_after_the_catalyst_are_two_places(
    reader: WorkReader, text: str, part: str
) -> None:
    """The word between them joins two names of places, not two statements."""
    places = ["bank_1_sensor_1", "bank_1_sensor_2"]
    assert list(reader.read(text).works) == [Work(part, place, "replace") for place in places]


@pytest.mark.parametrize(
    ("text", "work"),
    [
        ("Capteur de recul AR centre nettoyé", Work("parking_sensor", "rear", "clean")),
        (
            "sensor temp. gases escape ant. al FAP sustituido",
            Work("exhaust_temperature_sensor", "bank_1_sensor_1", "replace"),
        ),
    ],
)
def test_the_words_of_a_place_are_no_work_and_no_part(
    reader: WorkReader, text: str, work: Work
) -> None:
    assert list(reader.read(text).works) == [work]


@pytest.mark.parametrize("language", notes_table.LANGUAGES)
def test_plain_and_short_notes_of_one_who_knew_no_rule_are_read(
    reader: WorkReader, language: str
) -> None:
    """At first sight 190 of 190 components were right, 190 of 204 found; since then learned."""
    n = notes_table.counted(reader, notes_table.lines(f"eighth_{language}"), tell=False, used=True)
    assert n["right"] / (n["right"] + n["wrong"]) >= 0.97
    assert n["right"] / (n["right"] + n["missed"]) >= 0.9
    assert n["places_right"] / n["places"] >= 0.9
    assert n["actions_right"] / n["actions"] >= 0.9


@pytest.mark.parametrize(
    ("text", "works"),
    [
        # a place after a short form ends no sentence; one letter for a side
        ("Raddrehzahlsens. h.l. erneuert", [Work("wheel_speed_sensor", "rear_left", "replace")]),
        ("Koppelstange l. ausgeschlagen, neu", [Work("stabiliser", "left", "replace")]),
        ("Zapatas tras. nuevas", [Work("brake_pad", "rear", "replace")]),
        # the 2 of oxygen is no number of a sensor
        ("O2 sensor B1S1 replaced", [Work("oxygen_sensor", "bank_1_sensor_1", "replace")]),
        # a part that was looked at, and its connector
        (
            "Czujnik ABS PP sprawdzony OK. Wtyczka oczyszczona",
            [
                Work("wheel_speed_sensor", "front_right", "inspect"),
                Work("wiring", "front_right", "clean", "wheel_speed_sensor"),
            ],
        ),
        # "only" is no part
        ("dziś tylko przepływomierz nowy", [Work("air_flow_sensor", "", "replace")]),
    ],
)
def test_short_forms_and_small_words_hide_nothing(
    reader: WorkReader, text: str, works: list[Work]
) -> None:
    """Each was missed before."""
    assert list(reader.read(text).works) == works


def test_a_filter_in_a_list_after_an_oil_change_was_renewed(reader: WorkReader) -> None:
    """In order words name the filter; "olej z filtrem" would be two things."""
    used = reader.read("Wymiana oleju i filtra oleju, filtr powietrza dobry").used
    assert [(w.component, w.action) for w in used] == [
        ("engine_oil", "replace"),
        ("oil_filter", "replace"),
    ]
