"""VINs: check digit, characters, model year, region."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from afterclear.catalogue.vin import check_digit_sum, difference, model_years, read_vin

LATEST = 2026

# VIN, weighted sum, check digit state, its source
CHECKED = [
    # worked example of the check digit rule, as printed by a forum copy of 49 CFR 565 and a
    # calculator page
    ("1M8GDM9AXKP042788", 351, "valid"),
    # the sample of 49 CFR 565 itself
    ("1G4AH59H45G118341", 411, "valid"),
    # all ones: every weight once, 89 = 8 * 11 + 1 (worked by hand)
    ("11111111111111111", 89, "valid"),
    # an encyclopedia article prints this pair as sharing a check digit; by the rule they do not
    ("5GZCZ43D13S812715", 408, "valid"),
    ("SGZCZ43D13S812715", 384, "wrong"),
    # test vector of an open OBD library: European filler Z in position 9
    ("WP0ZZZ99ZTS392124", 459, "wrong"),
    # test vector of an open packet library, European style
    ("W0L000051T2123456", 236, "wrong"),
    # a published European VIN that passes by chance (1 in 11)
    ("SB164ABN10E082986", 309, "valid"),
    # a regular expression page calls this one valid; by the rule it is not
    ("SALVA2AE4EH877322", 392, "wrong"),
]


@pytest.mark.parametrize(("vin", "total", "state"), CHECKED)
def test_the_check_digit_follows_49_cfr_565(vin: str, total: int, state: str) -> None:
    assert check_digit_sum(vin) == total
    assert read_vin(vin, LATEST).check_digit == state


@pytest.mark.parametrize(
    ("vin", "words"),
    [
        ("5GZCZ43D23S812715", "a typing error is likely"),
        ("LGZCZ43D23S812715", "a typing error is likely"),
        ("WP0ZZZ99ZTS392124", "may be so outside North America and China"),
    ],
)
def test_a_wrong_check_digit_is_only_a_hint_outside_north_america_and_china(
    vin: str, words: str
) -> None:
    report = read_vin(vin, LATEST)
    assert report.check_digit == "wrong"
    assert words in report.doubts[-1]
    assert report.problems == ()  # never a reason to refuse the row


def test_look_alikes_are_suggested_and_never_applied() -> None:
    """The text stays as it came; O and Q may be 0, I may be 1."""
    report = read_vin("IM8GDM9AXKPO42788", LATEST)
    assert report.vin == "IM8GDM9AXKPO42788"
    assert report.suggestion == "1M8GDM9AXKP042788"
    assert "not I, O" in report.problems[0]
    assert report.check_digit == "not_computable"


@pytest.mark.parametrize("text", ["", "1M8GDM9AXKP04278", "1M8GDM9AXKP0427888", "Ä" * 17, "no vin"])
def test_a_text_that_is_no_vin_says_why_and_suggests_nothing(text: str) -> None:
    report = read_vin(text, LATEST)
    assert report.problems
    assert report.suggestion is None
    assert report.model_years == ()


def test_blanks_dashes_and_case_do_not_matter() -> None:
    assert read_vin(" 1m8-gdm9 axkp-042788 ", LATEST).vin == "1M8GDM9AXKP042788"


# position 10: first year of some codes (1988 to 2003 a published list, the rest from memory)
YEARS = {"A": 1980, "H": 1987, "J": 1988, "N": 1992, "P": 1993, "R": 1994, "T": 1996, "V": 1997}
YEARS |= {"Y": 2000, "1": 2001, "9": 2009}


@pytest.mark.parametrize(("code", "first"), YEARS.items())
def test_a_model_year_code_comes_again_after_thirty_years(code: str, first: int) -> None:
    vin = f"1M8GDM9AX{code}P042788"
    assert model_years(vin, first + 30) == (first, first + 30)
    assert model_years(vin, first + 29) == (first,)


@pytest.mark.parametrize("code", "UZ0")
def test_some_characters_are_no_model_year(code: str) -> None:
    assert model_years(f"1M8GDM9AX{code}P042788", LATEST) == ()


def test_position_seven_chooses_between_two_cycles_in_north_america_only() -> None:
    """49 CFR 565.15 (b): a letter there means 2010 or later for light vehicles."""
    assert read_vin("1M8GDM1A0AP042788", LATEST).model_year == 1980
    assert read_vin("1M8GDMCA0AP042788", LATEST).model_year == 2010
    assert read_vin("WM8GDMCA0AP042788", LATEST).model_year is None
    assert read_vin("WM8GDMCA0AP042788", LATEST).model_years == (1980, 2010)


@pytest.mark.parametrize(
    ("first", "region"),
    [("A", "Africa"), ("J", "Asia"), ("W", "Europe"), ("4", "North America"), ("6", "Oceania")],
)
def test_the_first_character_tells_the_region(first: str, region: str) -> None:
    """ISO 3780; letters from memory."""
    assert read_vin(f"{first}M8GDM9AXKP042788", LATEST).region == region


def test_two_readings_of_one_vin_are_told_from_two_vehicles() -> None:
    car = read_vin("1M8GDM9AXKP042788", LATEST)
    assert difference(car, read_vin("1M8GDM9AXKPO42788", LATEST)) == "same"
    assert difference(car, read_vin("1M8GDM9AXKP042878", LATEST)) == "typing error"
    assert difference(car, read_vin("5GZCZ43D13S812715", LATEST)) == "other vehicle"


@given(st.text(max_size=30))
def test_no_text_makes_the_vin_reader_fail(text: str) -> None:
    report = read_vin(text, LATEST)
    assert (report.problems == ()) == (report.check_digit != "not_computable")


@given(
    st.text("ABCDEFGHJKLMNPRSTUVWXYZ0123456789", min_size=17, max_size=17),
    st.integers(0, 16),
    st.sampled_from("0123456789"),
)
def test_a_changed_digit_is_always_seen_unless_its_weight_is_zero(
    vin: str, place: int, digit: str
) -> None:
    """Digits differ by less than 11 and no weight but that of position 9 is a multiple of 11."""
    if not vin[place].isdecimal() or vin[place] == digit or place == 8:
        return
    changed = vin[:place] + digit + vin[place + 1 :]
    assert check_digit_sum(vin) % 11 != check_digit_sum(changed) % 11
