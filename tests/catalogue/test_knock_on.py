"""Which control unit a code or a text is really about."""

import pytest

from afterclear.catalogue.code_meaning import Catalogue

# lost, invalid, software, unit: from a 2002-era J2012 text list (an open protocol library).
# The offsets between the columns are not constant, so each is checked.
TRIPLES = [
    ("U0100", "U0401", "U0301", "engine"),
    ("U0101", "U0402", "U0302", "transmission"),
    ("U0102", "U0403", "U0303", "transfer_case"),
    ("U0103", "U0404", "U0304", "gear_shift"),
    ("U0104", "U0405", "U0305", "cruise"),
    ("U0105", "U0406", "U0306", "fuel_injection"),
    ("U0106", "U0407", "U0307", "glow_plugs"),
    ("U0107", "U0408", "U0308", "throttle"),
    ("U0108", "U0409", "U0309", "alternative_fuel"),
    ("U0109", "U0410", "U0310", "fuel_pump"),
    ("U0110", "U0411", "U0311", "drive_motor"),
    ("U0111", "U0412", "U0312", "hv_battery"),
    ("U0112", "U0413", "U0313", "hv_battery_b"),
    ("U0114", "U0414", "U0314", "four_wheel_drive"),
    ("U0121", "U0415", "U0315", "brakes"),
    ("U0122", "U0416", "U0316", "brakes"),
    ("U0126", "U0428", "U0328", "steering_angle"),
    ("U0127", "U0430", "U0330", "tyre_pressure"),
    ("U0128", "U0417", "U0317", "parking_brake"),
    ("U0129", "U0418", "U0318", "brakes"),
    ("U0130", "U0419", "U0319", "steering"),
    ("U0131", "U0420", "U0320", "steering"),
    ("U0132", "U0421", "U0321", "ride_level"),
    ("U0140", "U0422", "U0322", "body"),
    ("U0141", "U0431", "U0331", "body"),
    ("U0155", "U0423", "U0323", "instrument_cluster"),
    ("U0164", "U0424", "U0324", "climate"),
    ("U0166", "U0425", "U0325", "auxiliary_heater"),
    ("U0167", "U0426", "U0326", "immobiliser"),
    ("U0168", "U0427", "U0327", "security"),
    ("U0212", "U0429", "U0329", "steering_column"),
]


@pytest.mark.parametrize(("lost", "invalid", "software", "ecu"), TRIPLES)
def test_a_network_code_points_at_the_unit_it_is_about(
    catalogue: Catalogue, lost: str, invalid: str, software: str, ecu: str
) -> None:
    for code, relation in ((lost, "lost"), (invalid, "invalid"), (software, "software")):
        pointer = catalogue.pointer(f"{code}-87")
        assert pointer is not None
        assert (pointer.relation, pointer.ecu) == (relation, ecu)


def test_every_network_code_points_at_a_unit_except_those_that_name_none(
    catalogue: Catalogue,
) -> None:
    silent = {
        code
        for code, entry in catalogue.codes.codes.items()
        if code.startswith("U0")
        and entry.component in {"communication", "software_match"}
        and catalogue.points_at(code) is None
    }
    assert silent == {"U0113", "U0300", "U0400"}


@pytest.mark.parametrize(
    ("code", "ecu"),
    [
        # a 2002-era J2012 text list: these ask for the lamp on behalf of another unit
        ("P0700", "transmission"),
        ("P0800", "transfer_case"),
        ("P2561", "climate"),
        # maker repair texts: vehicle speed comes from the brake control unit
        ("P0500-81", "brakes"),
        ("P0501", "brakes"),
        ("P0857", "brakes"),
        ("P0725", "engine"),
        ("P0865", "transmission"),
        ("P0301", None),
        ("C0034", None),
        ("U0073", None),  # a bus is no unit
        ("P0562", None),  # nor is the supply
    ],
)
def test_pointer_codes_and_borrowed_signals(
    catalogue: Catalogue, code: str, ecu: str | None
) -> None:
    assert catalogue.points_at(code) == ecu


@pytest.mark.parametrize(
    ("code", "description", "cause"),
    [
        ("P0562", None, "supply"),
        ("U3003", None, "supply"),
        ("SPN 168 FMI 4", None, "supply"),
        ("acme:1", "Unterspannung Klemme 30", "supply"),
        ("U0001", None, "bus"),
        ("U0073", None, "bus"),
        ("acme:1", "CAN bus off", "bus"),
        ("U0121", None, None),
        ("P0301", None, None),
    ],
)
def test_supply_and_bus_codes_may_explain_many(
    catalogue: Catalogue, code: str, description: str | None, cause: str | None
) -> None:
    assert catalogue.common_cause(code, description) == cause


# common practice, no source
TEXTS = [
    ("Lost communication with ABS control module", "lost", "brakes"),
    ("ABS control unit: no communication", "lost", "brakes"),
    ("Invalid data received from the steering angle sensor", "invalid", "steering_angle"),
    ("check transmission control unit for codes", "pointer", "transmission"),
    ("Keine Kommunikation mit Motorsteuergerät", "lost", "engine"),
    ("Unplausibles Signal vom Lenkwinkelsensor", "invalid", "steering_angle"),
    ("Fehlerspeicher Getriebesteuergerät auslesen", "pointer", "transmission"),
    ("perte de communication avec le calculateur ABS", "lost", "brakes"),
    ("lire les défauts du calculateur moteur", "pointer", "engine"),
    ("señal no plausible de la unidad de control ABS", "invalid", "brakes"),
    ("consultar memoria de averías centralita de airbag", "pointer", "airbag"),
    ("brak komunikacji ze sterownikiem ABS", "lost", "brakes"),
    ("odczytać pamięć błędów sterownika skrzyni biegów", "pointer", "transmission"),
]


@pytest.mark.parametrize(("text", "relation", "ecu"), TEXTS)
def test_a_text_in_any_language_may_point_at_another_unit(
    catalogue: Catalogue, text: str, relation: str, ecu: str
) -> None:
    pointer = catalogue.pointer("acme:1", text)
    assert pointer is not None
    assert (pointer.relation, pointer.ecu) == (relation, ecu)
    assert catalogue.family("acme:1", text).key == f"communication:{ecu}"


@pytest.mark.parametrize(
    "text", ["wheel speed sensor front right, no signal", "engine control unit power relay", "x"]
)
def test_a_text_about_a_part_points_at_nobody(catalogue: Catalogue, text: str) -> None:
    assert catalogue.pointer("acme:1", text) is None


def test_a_function_may_sit_in_another_units_box(catalogue: Catalogue) -> None:
    """Names are functions, not boxes."""
    assert catalogue.boxes_of("steering_angle")[0] == "steering_angle"
    assert "steering" in catalogue.boxes_of("steering_angle")
    assert catalogue.boxes_of("engine") == ("engine",)
