from datetime import UTC, date, datetime

import pytest

from afterclear.wording.cells import DASH, Cells

KM = Cells()
MILES = Cells("mi", "Europe/Berlin")

NUMBERS = [(None, DASH), (0, "0"), (41_310.4, "41,310"), (-3, "-3")]
SHARES = [
    (None, DASH),
    (0.0, "0 %"),
    (0.004, "under 1 %"),
    (0.5, "50 %"),
    (0.996, "over 99 %"),
    (1.0, "100 %"),
]
# low, high, clock, km, miles (1 mile is 1.609344 km exactly)
INTERVALS = [
    (310, 420, "km", "between 310 and 420 km", "between 193 and 261 mi"),
    (0, 420, "km", "within 420 km", "within 261 mi"),
    (None, 420, "km", "within 420 km", "within 261 mi"),
    (420, 420, "km", "after 420 km", "after 261 mi"),
    (420, None, "km", "more than 420 km", "more than 261 mi"),
    (None, None, "km", DASH, DASH),
    (
        5,
        9,
        "days",
        "between 5 and 9 km (estimated from days)",
        "between 3 and 6 mi (estimated from days)",
    ),
    (
        0,
        35,
        "engine_hours",
        "within 35 km (estimated from engine hours)",
        "within 22 mi (estimated from engine hours)",
    ),
]


def plain(text: str) -> str:
    return text.replace("\u00a0", " ")


def test_a_vehicle_with_an_hour_meter_alone_is_told_in_hours() -> None:
    """35 km stand for an hour: 350 km are 10 h, which nobody estimated."""
    cells = Cells("mi", hour_km=35.0)
    assert plain(cells.amount(350.0, "engine_hours")) == "10 h"
    assert plain(cells.between(None, 350.0, "engine_hours")) == "within 10 h"


@pytest.mark.parametrize(("value", "text"), NUMBERS)
def test_a_number_has_commas_and_its_lack_a_dash(value: float | None, text: str) -> None:
    assert KM.number(value) == text


@pytest.mark.parametrize(("share", "text"), SHARES)
def test_a_chance_is_never_rounded_to_certainty(share: float | None, text: str) -> None:
    assert plain(KM.percent(share)) == text


@pytest.mark.parametrize(("low", "high", "clock", "km", "miles"), INTERVALS)
def test_an_interval_is_words(
    low: float | None, high: float | None, clock: str, km: str, miles: str
) -> None:
    assert plain(KM.between(low, high, clock)) == km  # type: ignore[arg-type]
    assert plain(MILES.between(low, high, clock)) == miles  # type: ignore[arg-type]


def test_a_date_is_the_readers_own_day() -> None:
    """Late in the evening in UTC is already the next day in Berlin."""
    at = datetime(2025, 5, 3, 22, 30, tzinfo=UTC)
    assert plain(KM.day(at)) == "3 May 2025"
    assert plain(MILES.day(at)) == "4 May 2025"
    assert plain(MILES.moment(at)) == "4 May 2025, 00:30 CEST"
    assert plain(KM.day(date(2025, 5, 3))) == "3 May 2025"
    assert KM.day(None) == DASH


def test_an_instant_without_a_zone_is_utc() -> None:
    assert plain(MILES.moment(datetime(2025, 1, 3, 12))) == "3 Jan 2025, 13:00 CET"  # noqa: DTZ001


def test_money_keeps_its_currency() -> None:
    assert plain(KM.money(1234.5, "EUR")) == "1,234 EUR"
    assert plain(KM.money(10, None)) == "10 (no currency given)"
    assert KM.money(None, "EUR") == DASH


def test_a_count_agrees_with_its_noun() -> None:
    assert plain(KM.tn("{n} scan", "{n} scans", 1)) == "1 scan"
    assert plain(KM.tn("{n} scan", "{n} scans", 1_200)) == "1,200 scans"
    assert plain(KM.tn("{n} fix", "{n} fixes", 2)) == "2 fixes"


def test_a_control_unit_reads_as_words() -> None:
    assert KM.unit_name("gateway_front") == "Gateway front"
    assert KM.unit_name(None) == "No control unit"
