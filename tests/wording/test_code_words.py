"""What codes, components and cautions mean, in another language."""

from afterclear.catalogue.cautions import Cautions
from afterclear.config import shipped
from afterclear.wording.code_words import code_text, code_words
from afterclear.wording.language import MARKS, Language
from tests.histories.story import CATALOGUE

OTHERS = [Language(tag) for tag in MARKS if tag != "en"]
GERMAN = Language("de")


def test_every_code_of_the_tables_is_said_in_every_language() -> None:
    told = {CATALOGUE.meaning(code).text for code in CATALOGUE.codes.codes}
    told |= {CATALOGUE.meaning(f"spn:{spn}:{fmi}").text for spn in (110, 520) for fmi in range(33)}
    told |= {CATALOGUE.meaning(f"C0031-{kind}").text for kind in CATALOGUE.codes.failure_types}
    told |= {CATALOGUE.meaning(code).text for code in ("B1A41-11", "P3FFF", "U3F00", "acme:16705")}
    assert len(told) > 2000
    for language in OTHERS:
        assert [text for text in told if code_words(text, language) is None] == []


def test_every_component_and_its_place_is_said_in_every_language() -> None:
    told = {CATALOGUE.family(code).label for code in CATALOGUE.codes.codes}
    for language in OTHERS:
        assert [t for t in told if " " in t and code_words(t, language) is None] == []


def test_every_caution_has_its_translation() -> None:
    cautions = Cautions.load(shipped("config"))
    found = {*cautions.general, *cautions.of("abs_pump"), *cautions.of("steering_rack")}
    found |= {*cautions.of("airbag"), *cautions.of("hv_cell"), *cautions.of("front_radar")}
    assert len(found) == 7
    for language in OTHERS:
        for caution in found:
            assert language.known(caution.title), caution.title
            assert language.known(caution.text), caution.title


def test_numbers_and_letters_stand_where_the_language_has_them() -> None:
    assert code_words("ignition coil A: primary circuit low", GERMAN) == (
        "Zündspule A: Primärkreis zu niedrig"
    )
    assert code_words("oxygen sensor, bank 1 sensor 2", GERMAN) == "Lambdasonde, Bank 1 Sensor 2"
    assert code_words("camshaft timing, intake bank 2", GERMAN) == (
        "Nockenwellenverstellung, Einlass Bank 2"
    )


def test_a_text_with_a_part_nobody_translated_stays_whole() -> None:
    """Such as a scan tool's own description; half of it in each language helps nobody."""
    for text in ("misfire, in the yard on Monday", "Signal {0}", "standard code (x)", ""):
        assert code_words(text, GERMAN) is None
        assert code_text(text, GERMAN) == text
    for text in (" ".join(map(str, range(99))), "failure type " * 2000, "left: " * 2000):
        assert code_text(text, GERMAN)
    assert code_words("misfire", Language("en")) == "misfire"
