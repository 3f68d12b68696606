"""What a code means, and which family it belongs to."""

import shutil
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from afterclear.catalogue.cautions import Cautions
from afterclear.catalogue.code_meaning import Catalogue
from afterclear.protocols.j1939_faults import RESERVED_FMI

CORNERS = ["front_left", "front_right", "rear_left", "rear_right"]


def test_four_names_and_the_generic_code_of_a_corner_are_one_family(catalogue: Catalogue) -> None:
    """The case the tables exist for: tools, languages and makers name one part differently."""
    families = {
        catalogue.family("C0034-11"),
        catalogue.family("acme:5123", "FR wheel sensor"),
        catalogue.family("acme:5123", "hall sensor right front"),
        catalogue.family("acme:5123", "ABS-Sensor vorne rechts"),
        catalogue.family("SPN 790 FMI 8"),
        catalogue.part_family("wheel speed sensor", "FR"),
        catalogue.part_family("wheel_speed_sensor", "front right"),
        catalogue.part_family("Raddrehzahlfühler", "VR"),
    }
    assert {family.key for family in families} == {"wheel_speed_sensor:front_right"}
    assert {family.label for family in families} == {"wheel speed sensor, front right"}
    assert all(family.certain for family in families)


# wheel speed codes by corner, in the order of CORNERS: after SAE J2012 as a maker's table of
# 2021 prints them; an older North American and an older Japanese scheme, from repair texts
SCHEMES = {
    "j2012": ["C0031", "C0034", "C0037", "C003A"],
    "older_a": ["C0035", "C0040", "C0045", "C0050"],
    "older_b": ["C0205", "C0200", "C0215", "C0210"],
}


def _with_make(config_dir: Path, copy: Path, scheme: str) -> Catalogue:
    shutil.copytree(config_dir, copy)
    with (copy / "codes" / "make_schemes.csv").open("a", encoding="utf-8") as file:
        file.write(f"Skelvorn,{scheme}\n")
    return Catalogue.load(copy)


@pytest.mark.parametrize("scheme", SCHEMES)
def test_a_make_with_a_known_scheme_has_certain_corners(
    config_dir: Path, tmp_path: Path, scheme: str
) -> None:
    mine = _with_make(config_dir, tmp_path / "config", scheme)
    found = [mine.family(code, make="skelvorn") for code in SCHEMES[scheme]]
    assert [family.key for family in found] == [f"wheel_speed_sensor:{c}" for c in CORNERS]
    assert all(family.certain for family in found)


def test_a_corner_that_makers_number_differently_is_not_certain(catalogue: Catalogue) -> None:
    """C0035 is the left front circuit in one scheme and a right front code in another."""
    assert all(catalogue.family(code).certain for code in SCHEMES["j2012"])
    unsure = [catalogue.family(code) for code in SCHEMES["older_a"] + SCHEMES["older_b"]]
    assert not any(family.certain for family in unsure)
    assert unsure[0].key == "wheel_speed_sensor:front"  # what both schemes agree on


def test_the_scans_own_description_settles_an_uncertain_corner(catalogue: Catalogue) -> None:
    told = catalogue.family("C0035", "Left front wheel speed sensor circuit")
    assert (told.key, told.certain) == ("wheel_speed_sensor:front_left", True)


def test_a_description_that_contradicts_the_table_wins_but_is_not_certain(
    catalogue: Catalogue,
) -> None:
    told = catalogue.family("C0034", "Left front wheel speed sensor circuit")
    assert (told.key, told.certain) == ("wheel_speed_sensor:front_left", False)


def test_a_description_without_a_place_changes_nothing(catalogue: Catalogue) -> None:
    """A place that was only guessed must not move bank 2 to bank 1."""
    assert catalogue.family("P0430", "catalyst efficiency low") == catalogue.family("P0430")
    assert catalogue.family("P0430").key == "catalyst:bank_2"


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("P0301", "P0301-00"),
        ("P0201", "P0261"),  # injector of cylinder 1: circuit, and circuit low
        ("P0351", "P2300"),  # ignition coil A
        ("P0131", "P0133"),
        ("P2122", "P2127"),  # two tracks of one pedal sensor
        ("C0034-11", "C0034-31"),
        ("U0121", "U0415"),  # no messages, and invalid data, from the brakes
        ("SPN 3216 FMI 4", "P2200"),
        ("SPN 110 FMI 3", "P0117"),
        ("SPN 157 FMI 3", "P0192"),
    ],
)
def test_neighbour_codes_about_one_part_share_a_family(
    catalogue: Catalogue, one: str, other: str
) -> None:
    assert catalogue.family(one).key == catalogue.family(other).key


@pytest.mark.parametrize(
    ("one", "other"),
    [("P0301", "P0302"), ("P0131", "P0151"), ("P0135", "P0131"), ("U0121", "U0100")],
)
def test_codes_about_different_parts_do_not(catalogue: Catalogue, one: str, other: str) -> None:
    assert catalogue.family(one).key != catalogue.family(other).key


def test_an_unknown_code_is_its_own_family(catalogue: Catalogue) -> None:
    """With the make where its maker decides what the number means."""
    assert catalogue.family("P1234").key == "code:P1234"
    assert catalogue.family("P1234", make="Skelvorn").key == "code:skelvorn:P1234"
    assert catalogue.family("acme:77").key == "code:acme:77"
    assert catalogue.family("SPN 520200 FMI 3").key == "code:SPN 520200"
    assert catalogue.part_family("flux box").key == "part:flux_box"


def test_a_lamp_asked_for_by_another_unit_is_a_family_of_that_unit(catalogue: Catalogue) -> None:
    assert catalogue.family("P0700").key == "lamp_request:transmission"
    assert catalogue.family("P0800").key == "lamp_request:transfer_case"


def test_a_letter_is_printed_large_and_kept_small_in_the_key(catalogue: Catalogue) -> None:
    found = catalogue.family("P0750")
    assert (found.key, found.label) == ("shift_solenoid:a", "shift solenoid, A")


def test_a_control_units_own_failure_belongs_to_the_unit_that_reports_it(
    catalogue: Catalogue,
) -> None:
    assert catalogue.family("P0606", ecu="ECM").key == "control_unit:engine"
    assert catalogue.family("P0606", ecu="gearbox").key == "control_unit:transmission"
    assert catalogue.family("P0606").key == "control_unit"


@pytest.mark.parametrize(
    ("code", "words"),
    [
        ("P0301", "misfire, cylinder 1"),
        ("C0034-11", "wheel speed sensor, front right: short to ground"),
        ("SPN 100 FMI 1", "engine oil pressure: below normal, most severe"),
        ("C0035/0F", "maker's sub-code 0F"),
        ("P1234", "maker-specific engine and transmission code"),
        ("B1A41-11", "maker-specific body code"),
        ("acme:77", "code of the maker's own numbering"),
        ("C3123", "reserved chassis code"),
        ("P0FFF", "standard code (hybrid and electric drive), meaning not in the tables"),
    ],
)
def test_a_meaning_is_told_in_words(catalogue: Catalogue, code: str, words: str) -> None:
    assert words in catalogue.meaning(code).text


def test_the_scans_description_is_used_where_we_hold_no_words(catalogue: Catalogue) -> None:
    told = catalogue.meaning("acme:5123", "FR wheel sensor")
    assert (told.text, told.subsystem, told.source) == ("FR wheel sensor", "brakes", "description")
    assert catalogue.meaning("P0301", "other words").text == "misfire, cylinder 1"


# who owns a range depends on the letter (contents of SAE J2012 APR2002 and DEC2007; P3, U1 to U3
# from memory)
@pytest.mark.parametrize(
    ("code", "owner"),
    [
        ("P0123", "standard"),
        ("P1123", "maker"),
        ("P2123", "standard"),
        ("P3123", "maker"),
        ("P3423", "standard"),
        ("C1123", "maker"),
        ("C2123", "maker"),
        ("C3123", "reserved"),
        ("B2123", "maker"),
        ("U1123", "maker"),
        ("U2123", "maker"),
        ("U3003", "standard"),
    ],
)
def test_who_owns_a_code_depends_on_its_letter(catalogue: Catalogue, code: str, owner: str) -> None:
    family = catalogue.family(code, make="Skelvorn")
    assert family.key.startswith("code:skelvorn:") == (owner == "maker")


@pytest.mark.parametrize(
    ("code", "monitor"),
    [
        ("P0301", "misfire"),
        ("P0171", "fuel_system"),
        ("P0420", "catalyst"),
        ("P0442", "evaporative"),
        ("P0411", "secondary_air"),
        ("P0133", "oxygen_sensor"),
        ("P0141", "oxygen_sensor_heater"),
        ("P0401-00", "egr_vvt"),
        ("P0011", "egr_vvt"),
        ("P20EE", "nox_scr"),
        ("P2463", "pm_filter"),
        ("P0299", "boost_pressure"),
        ("P0117", "component"),
        ("C0034", None),
        ("U0121", None),
        ("SPN 100 FMI 1", None),
    ],
)
def test_a_code_names_the_monitor_that_must_have_run(
    catalogue: Catalogue, code: str, monitor: str | None
) -> None:
    """Own judgement from the monitor names of SAE J1979."""
    assert catalogue.monitor(code) == monitor


@pytest.mark.parametrize(
    ("code", "ecu", "caution"),
    [
        ("C0034", "brakes", "brakes"),
        ("C0051", "steering", "steering"),
        ("B0001", "airbag", "restraints"),
        ("P0AA6", "hybrid", "high_voltage"),
        ("B1A41", "airbag", "restraints"),  # by the unit alone
        ("acme:9", "radar control unit", "assistance"),
    ],
)
def test_dangerous_systems_bring_their_caution(
    catalogue: Catalogue, code: str, ecu: str, caution: str
) -> None:
    family = catalogue.family(code, ecu=ecu)
    assert caution in {found.id for found in catalogue.cautions(family.key, code, ecu)}


def test_a_misfire_brings_no_caution_of_its_own(catalogue: Catalogue) -> None:
    assert catalogue.cautions("misfire:cylinder_1", "P0301", "engine") == ()


def test_evidence_distances_fall_back_to_the_default(catalogue: Catalogue) -> None:
    default = catalogue.evidence_distance("no such family")
    assert catalogue.min_distance_after_clear_km("misfire:cylinder_1") < default.km
    assert catalogue.min_distance_after_clear_km("evap_leak") > default.km
    assert default.why


@given(
    code=st.one_of(st.text(max_size=12), st.sampled_from(["P0301", "C0035", "acme:1", "U0121"])),
    description=st.one_of(st.none(), st.text(max_size=40)),
    make=st.one_of(st.none(), st.text(max_size=8)),
    ecu=st.one_of(st.none(), st.text(max_size=8)),
)
@settings(deadline=None)
def test_any_code_and_description_have_a_family_and_a_meaning(
    catalogue: Catalogue, code: str, description: str | None, make: str | None, ecu: str | None
) -> None:
    family = catalogue.family(code, description, make, ecu)
    assert family.key
    assert catalogue.meaning(code, description).text
    assert catalogue.min_distance_after_clear_km(family.key) > 0
    catalogue.cautions(family.key, code, ecu)
    catalogue.pointer(code, description)


def test_every_failure_mode_but_the_reserved_ones_has_words(config_dir: Path) -> None:
    """SAE J1939-73: 22 to 30 are reserved."""
    lines = (config_dir / "codes" / "fmi.csv").read_text(encoding="utf-8").splitlines()
    told = {line.split(",")[0] for line in lines if line[:1].isdigit()}
    assert told == {str(number) for number in range(32) if number not in RESERVED_FMI}


def test_cautions_read_by_themselves_are_those_of_the_catalogue(
    catalogue: Catalogue, config_dir: Path
) -> None:
    """A vehicle's history in a terminal reads the cautions only."""
    alone = Cautions.load(config_dir)
    assert {caution.id for caution in alone.general} == {"symptom", "clearing"}
    for family, code, ecu in (
        ("wheel_speed_sensor:front_left", "C0035", "ABS module"),
        ("misfire:cylinder_1", "P0301", "Motorsteuergerät"),
        ("code:B0001", "B0001-13", None),
    ):
        assert alone.of(family, code, ecu) == catalogue.cautions(family, code, ecu)


@pytest.mark.parametrize(
    ("code", "places"),
    [
        ("P0302", {"cylinder": "2"}),
        ("P0352", {"cylinder": "2"}),
        ("P0430", {"bank": "2"}),
        ("P0137", {"bank": "1", "oxygen_sensor sensor": "2"}),
        ("P0300", {}),
        ("P1234", {}),
    ],
)
def test_a_code_names_the_places_of_its_part(
    catalogue: Catalogue, code: str, places: dict[str, str]
) -> None:
    assert catalogue.places_of(code) == places
