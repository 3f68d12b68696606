"""What people and tools call things, in five languages."""

import tomllib
from pathlib import Path

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from afterclear.catalogue.code_meaning import Catalogue
from afterclear.catalogue.folded_words import words_of

# text -> component and place; names are common practice of the trade, no source
MENTIONS = [
    # English: order, abbreviation, inverted catalogue style, digits glued to letters
    ("FR wheel sensor", "wheel_speed_sensor", "front_right"),
    ("hall sensor right front", "wheel_speed_sensor", "front_right"),
    ("Left Front Wheel Speed Sensor Circuit", "wheel_speed_sensor", "front_left"),
    ("L/F wheel speed", "wheel_speed_sensor", "front_left"),
    ("Speed sensor, wheel, rear LH", "wheel_speed_sensor", "rear_left"),
    ("offside front ABS sensor", "wheel_speed_sensor", "front_right"),
    ("NSR abs sensor", "wheel_speed_sensor", "rear_left"),
    ("wheel front right speed sensor", "wheel_speed_sensor", "front_right"),
    ("Wheel sensor ABS axle 1 left", "wheel_speed_sensor", "front_left"),
    ("HO2S heater control circuit B1S2", "oxygen_sensor_heater", "bank_1_sensor_2"),
    ("O2 Sensor (Bank 2, Sensor 1) slow", "oxygen_sensor", "bank_2_sensor_1"),
    ("upstream lambda probe bank 2", "oxygen_sensor", "bank_2_sensor_1"),
    ("Cylinder 3 Misfire Detected", "misfire", "cylinder_3"),
    ("cyl. no. 3 injector open", "injector", "cylinder_3"),
    ("ignition coil 4", "ignition_coil", "cylinder_4"),
    ("Shift solenoid B stuck", "shift_solenoid", "b"),
    ("shift solenoid 2 stuck", "shift_solenoid", "b"),
    ("Drive motor B too hot", "drive_motor_temperature_sensor", "b"),
    ("Driver airbag squib short", "airbag", "driver"),
    ("exhaust camshaft position sensor bank 2", "camshaft_sensor", "exhaust_bank_2"),
    ("high voltage negative contactor welded", "hv_contactor", "negative"),
    # German: compounds, umlauts either way, abbreviations
    ("ABS-Sensor vorne rechts", "wheel_speed_sensor", "front_right"),
    ("Raddrehzahlsensor HL Unterbrechung", "wheel_speed_sensor", "rear_left"),
    ("Drehzahlfühler vorn links", "wheel_speed_sensor", "front_left"),
    ("Lambdasonde nach Kat Bank 1", "oxygen_sensor", "bank_1_sensor_2"),
    ("Zündaussetzer Zylinder 3", "misfire", "cylinder_3"),
    ("Kuehlmitteltemperatursensor", "coolant_temperature_sensor", ""),
    ("Kühlmitteltemperatursensor", "coolant_temperature_sensor", ""),
    ("Fahrerairbag Zünder", "airbag", "driver"),
    # French: elision, gender, abbreviations
    ("capteur de vitesse de roue avant droit", "wheel_speed_sensor", "front_right"),
    ("Capteur ABS AVG", "wheel_speed_sensor", "front_left"),
    ("bobine d'allumage cylindre 2", "ignition_coil", "cylinder_2"),
    ("filtre à particules colmaté", "particulate_filter", "bank_1"),
    # Spanish
    ("sensor de ABS delantero derecho", "wheel_speed_sensor", "front_right"),
    ("captador de rueda TI", "wheel_speed_sensor", "rear_left"),
    ("fallo de encendido cilindro 4", "misfire", "cylinder_4"),
    ("sensor de velocidad de rueda delantera izquierda a masa", "wheel_speed_sensor", "front_left"),
    # Polish: inflected places
    ("czujnik ABS przód prawy", "wheel_speed_sensor", "front_right"),
    ("prawy przedni czujnik prędkości koła", "wheel_speed_sensor", "front_right"),
    ("wypadanie zapłonu cylindra 2", "misfire", "cylinder_2"),
    ("poduszka powietrzna kierowcy", "airbag", "driver"),
]


@pytest.mark.parametrize(("text", "component", "place"), MENTIONS)
def test_a_text_names_one_component_and_place(
    catalogue: Catalogue, text: str, component: str, place: str
) -> None:
    told = catalogue.lexicon.mention(text)
    assert told is not None
    assert (told.component.key, told.position) == (component, place)


@pytest.mark.parametrize(
    ("text", "place"),
    [
        ("left front or right front wheel speed sensor", "front"),  # two places
        ("driver side front wheel speed sensor", "front"),  # left or right by market
        ("oxygen sensor downstream", "bank_1_sensor_2"),  # the bank is taken to be the usual one
        ("ignition coil C", "cylinder_3"),  # letters follow the firing order with some makers
    ],
)
def test_a_place_that_is_not_certain_is_marked(catalogue: Catalogue, text: str, place: str) -> None:
    told = catalogue.lexicon.mention(text)
    assert told is not None
    assert told.position == place
    assert not told.certain


def test_a_hall_sensor_without_a_corner_is_no_wheel_speed_sensor(catalogue: Catalogue) -> None:
    """The name alone may mean a camshaft or gearbox sensor."""
    assert catalogue.lexicon.mention("hall sensor, no signal") is None


@pytest.mark.parametrize(
    "text", ["battery 12 V low", "sensor reference voltage 5 V", "injector 65 V", "battery 2019"]
)
def test_a_measured_number_counts_no_part(catalogue: Catalogue, text: str) -> None:
    told = catalogue.lexicon.mention(text)
    assert told is not None
    assert told.position == ""


def test_a_book_in_a_description_is_read_in_no_time(catalogue: Catalogue) -> None:
    """Only its beginning is looked at, so what follows changes nothing."""
    book = "no communication with ABS " * 100_000
    assert catalogue.family("acme:1", book) == catalogue.family("acme:1", book[:1000])


def test_a_lone_a_before_the_word_for_ground_is_a_preposition(catalogue: Catalogue) -> None:
    told = catalogue.lexicon.mention("solenoide de cambio a masa")
    assert told is not None
    assert told.position == ""


@pytest.mark.parametrize(
    ("text", "ecu"),
    [
        ("brakes", "brakes"),
        ("ABS module", "brakes"),
        ("ECM", "engine"),
        ("Motorsteuergerät", "engine"),
        ("calculateur ABS", "brakes"),
        ("centralita de airbag", "airbag"),
        ("sterownik skrzyni biegów", "transmission"),
        ("high-voltage battery", "hv_battery"),
        ("kitchen", None),
    ],
)
def test_a_control_unit_is_known_by_its_usual_names(
    catalogue: Catalogue, text: str, ecu: str | None
) -> None:
    assert catalogue.ecu_name(text) == ecu


@pytest.mark.parametrize("language", ["", "_de", "_es", "_fr", "_pl"])
def test_each_language_names_at_least_120_components(config_dir: Path, language: str) -> None:
    with (config_dir / f"lexicon{language}.toml").open("rb") as file:
        components = tomllib.load(file)["components"]
    assert len(components) >= 120


def test_words_in_our_own_descriptions_lead_back_to_their_component(catalogue: Catalogue) -> None:
    """Two tables that know nothing of each other agree on nearly every code."""
    tables = catalogue.codes
    entries = [e for e in (*tables.codes.values(), *tables.spns.values()) if e.component]
    told = [(e, catalogue.lexicon.mention(e.meaning)) for e in entries]
    same = sum(m is not None and m.component.key == e.component for e, m in told)
    assert same / len(entries) > 0.95  # a single word moved in the lexicon costs far more


@pytest.mark.parametrize(
    ("one", "other"),
    [("valve", "valves"), ("Düse", "Duese"), ("capteurs", "capteur"), ("L'huile", "huile")],
)
def test_plurals_umlauts_and_elision_fold_together(one: str, other: str) -> None:
    assert words_of(one) == words_of(other)


@given(st.text(max_size=60))
@example("abcdes")
@example("aeee")
def test_folded_words_fold_to_themselves(text: str) -> None:
    words = words_of(text)
    assert words_of(" ".join(words)) == tuple(w for w in words if words_of(w))
