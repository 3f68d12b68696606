"""Times as sources write them, checked against Python's own zone data."""

from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from afterclear.readers.mapped.map_times import TimeRules, dates, instants

ZONES = ("Europe/Berlin", "America/Chicago", "Australia/Lord_Howe", "UTC", "Asia/Kolkata")


def read(cells: list[str | None], formats: tuple[str, ...] = (), **rules: Any) -> list[str | None]:
    made = TimeRules(formats, **({"zone": "UTC"} | rules))
    return instants(pl.Series(cells, dtype=pl.String), made).text.to_list()


@pytest.mark.slow
@given(
    st.lists(st.datetimes(datetime(1970, 1, 2), datetime(2037, 12, 30)), min_size=1, max_size=20),  # noqa: DTZ001
    st.sampled_from(ZONES),
    st.sampled_from(["earlier", "later"]),
)
def test_wall_clocks_become_the_instants_python_gives(
    clocks: list[datetime], zone: str, choice: str
) -> None:
    """Each existing wall-clock time, in either fold, by zoneinfo (IANA zone data)."""
    fold = 0 if choice == "earlier" else 1
    place = ZoneInfo(zone)
    wanted = []
    for clock in clocks:
        instant = clock.replace(microsecond=0, tzinfo=place, fold=fold).astimezone(UTC)
        exists = instant.astimezone(place).replace(tzinfo=None) == clock.replace(microsecond=0)
        wanted.append(f"{instant:%Y-%m-%dT%H:%M:%SZ}" if exists else None)
    cells = [f"{clock:%d.%m.%Y %H:%M:%S}" for clock in clocks]
    found = read(cells, ("%d.%m.%Y %H:%M:%S",), zone=zone, ambiguous=choice)  # type: ignore[arg-type]
    assert found == wanted


def test_a_year_no_calendar_has_is_not_read_and_its_neighbours_are() -> None:
    cells = ["11/02/-2025 01:30", "11/02/2025 01:30", "11/02/+12025 01:30"]
    assert read(cells, ("%d/%m/%Y %H:%M",)) == [None, "2025-02-11T01:30:00Z", None]


def test_the_doubtful_hours_are_counted() -> None:
    cells = pl.Series(["2025-10-26 02:30", "2025-03-30 02:30", "2025-06-01 02:30"])
    times = instants(cells, TimeRules((), "Europe/Berlin"))
    assert times.twice is not None
    assert times.left_out is not None
    assert times.twice.to_list() == [True, False, False]
    assert times.left_out.to_list() == [False, True, False]
    assert times.text.to_list() == ["2025-10-26T00:30:00Z", None, "2025-06-01T00:30:00Z"]


def test_a_doubtful_hour_is_refused_where_the_map_says_so() -> None:
    assert read(["2025-10-26 02:30"], zone="Europe/Berlin", ambiguous="refuse") == [None]


def test_a_left_out_hour_may_be_taken_an_hour_later() -> None:
    """02:30 never was on 30 March 2025 in Berlin; an hour later is 03:30 at UTC+2."""
    found = read(["2025-03-30 02:30"], zone="Europe/Berlin", missing="later")
    assert found == ["2025-03-30T01:30:00Z"]


@pytest.mark.parametrize(
    ("serial", "system", "wanted"),
    [
        # ECMA-376 part 1, 18.17.4.1: 1900 system, 1 = 1 January 1900 (and a 29 February 1900
        # that never was, so 61 = 1 March); 1904 system, 0 = 1 January 1904
        ("61", "1900", "1900-03-01"),
        ("45721.5", "1900", "2025-03-05"),
        ("0", "1904", "1904-01-01"),
        ("44259", "1904", "2025-03-05"),
    ],
)
def test_day_numbers_of_both_date_systems(serial: str, system: Any, wanted: str) -> None:
    assert dates(pl.Series([serial]), TimeRules((), "UTC", serial=system)).to_list() == [wanted]


def test_a_day_number_keeps_its_time_to_the_second() -> None:
    assert read(["45721.4375"], serial="1900") == ["2025-03-05T10:30:00Z"]
    assert read(["45721 0.4375"], serial="1900") == ["2025-03-05T10:30:00Z"]  # two columns, joined


@given(st.datetimes(datetime(1960, 1, 1), datetime(2099, 1, 1)))  # noqa: DTZ001
def test_iso_times_come_back_as_they_are(moment: datetime) -> None:
    """With an offset or without, with milliseconds or seconds; the zone is UTC."""
    moment = moment.replace(microsecond=moment.microsecond // 1000 * 1000)
    wanted = f"{moment:%Y-%m-%dT%H:%M:%S}" + (
        f".{moment.microsecond // 1000:03d}Z" if moment.microsecond else "Z"
    )
    plus_two = (moment + timedelta(hours=2)).isoformat() + "+02:00"
    assert read([moment.isoformat()]) == [wanted]
    assert read([plus_two]) == [wanted]


def test_formats_are_tried_in_turn_and_the_rest_is_not_read() -> None:
    formats = ("%d.%m.%Y", "%m/%d/%y")
    cells = ["31.12.2025", "12/31/25", "2025-12-31", "31.02.2025", None]
    assert read(cells, formats) == ["2025-12-31T00:00:00Z"] * 2 + [None] * 3
