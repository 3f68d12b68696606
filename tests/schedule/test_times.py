"""When jobs are due: lists of fire times, through both nights when clocks change."""

from datetime import UTC, datetime, timedelta
from itertools import islice, takewhile
from zoneinfo import ZoneInfo

import pytest

from afterclear.config import NamedJob
from afterclear.errors import ConfigError
from afterclear.schedule.times import check_times, fire_times, next_time, weekday_notice


def cron(at: str, zone: str = "UTC") -> NamedJob:
    return NamedJob(name="job", does="run", at=at, zone=zone)


def utc(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


def walls(job: NamedJob, begin: str, end: str) -> list[str]:
    """Fire times in (begin, end] (UTC), as the job's own wall clock with its offset."""
    zone = ZoneInfo(job.zone)
    times = takewhile(lambda at: at <= utc(end), fire_times(job, utc(begin)))
    return [at.astimezone(zone).strftime("%d %H:%M%z") for at in times]


# Europe: clocks go from 02:00 to 03:00 on 29 March 2026 and from 03:00 to 02:00 on 25 October
# 2026, both at 01:00 UTC (Directive 2000/84/EC, articles 2 and 3: last Sundays, 1.00 a.m. GMT).
BERLIN = "Europe/Berlin"


def test_a_nightly_job_runs_once_every_night_through_spring() -> None:
    """02:30 does not exist on the 29th: the job runs as much later as the clock jumped."""
    assert walls(cron("30 2 * * *", BERLIN), "2026-03-27T12:00", "2026-03-31T12:00") == [
        "28 02:30+0100",
        "29 03:30+0200",
        "30 02:30+0200",
        "31 02:30+0200",
    ]


def test_a_nightly_job_runs_once_every_night_through_autumn() -> None:
    """02:30 comes twice on the 25th: the job runs the first time only."""
    assert walls(cron("30 2 * * *", BERLIN), "2026-10-23T12:00", "2026-10-27T12:00") == [
        "24 02:30+0200",
        "25 02:30+0200",
        "26 02:30+0100",
        "27 02:30+0100",
    ]


def test_a_job_every_half_hour_keeps_its_pace_through_spring() -> None:
    assert walls(cron("*/30 * * * *", BERLIN), "2026-03-29T00:00", "2026-03-29T02:00") == [
        "29 01:30+0100",
        "29 03:00+0200",
        "29 03:30+0200",
        "29 04:00+0200",
    ]


def test_a_job_every_half_hour_keeps_its_pace_through_autumn() -> None:
    assert walls(cron("*/30 * * * *", BERLIN), "2026-10-24T23:45", "2026-10-25T02:00") == [
        "25 02:00+0200",
        "25 02:30+0200",
        "25 02:00+0100",
        "25 02:30+0100",
        "25 03:00+0100",
    ]


def test_clocks_that_change_by_half_an_hour_are_followed() -> None:
    """Lord Howe Island moves by 30 minutes (tz database, region Australia)."""
    job = cron("15 2 * * *", "Australia/Lord_Howe")
    assert walls(job, "2026-10-02T12:00", "2026-10-05T12:00") == [
        "03 02:15+1030",
        "04 02:45+1100",
        "05 02:15+1100",
    ]


def test_america_changes_on_other_nights() -> None:
    """Second Sunday of March, first of November, at 2 a.m. local (15 U.S.C. 260a)."""
    job = cron("15 2 * * *", "America/New_York")
    assert walls(job, "2026-03-08T00:00", "2026-03-09T12:00") == ["08 03:15-0400", "09 02:15-0400"]
    job = cron("15 1 * * *", "America/New_York")
    assert walls(job, "2026-11-01T00:00", "2026-11-02T12:00") == ["01 01:15-0400", "02 01:15-0500"]


@pytest.mark.parametrize("zone", [BERLIN, "America/New_York", "Australia/Lord_Howe", "UTC"])
@pytest.mark.parametrize("at", ["30 2 * * *", "15 3 * * *", "0 0 * * *", "59 1 * * *"])
def test_a_nightly_job_runs_365_times_a_year_wherever_it_is(zone: str, at: str) -> None:
    """Every calendar day of 2026 in the zone has exactly one run."""
    begin = datetime(2026, 1, 1, tzinfo=ZoneInfo(zone)).astimezone(UTC) - timedelta(seconds=1)
    times = list(islice(fire_times(cron(at, zone), begin), 365))
    days = [when.astimezone(ZoneInfo(zone)).date() for when in times]
    assert days == [days[0] + timedelta(days=n) for n in range(365)]
    assert times == sorted(set(times))


def test_weekdays_and_months_are_kept() -> None:
    """The 1st, 8th, 15th and 22nd: four digests a month."""
    job = cron("0 6 1,8,15,22 * *")
    times = [
        at.strftime("%m-%d %H:%M") for at in islice(fire_times(job, utc("2026-01-20T00:00")), 4)
    ]
    assert times == ["01-22 06:00", "02-01 06:00", "02-08 06:00", "02-15 06:00"]


# 2026-06-01 is a Monday (ISO 8601 week 23, day 1).  Numbers: IEEE Std 1003.1, crontab ("day of the
# week as integers from 0 to 6 (0=Sunday)"); 7 as Sunday: cron(5).
WEEKDAYS = [
    ("0", "Sun"), ("1", "Mon"), ("2", "Tue"), ("6", "Sat"), ("7", "Sun"),
    ("mon", "Mon"), ("SUN", "Sun"), ("1-5", "Mon Tue Wed Thu Fri"), ("5-7", "Fri Sat Sun"),
    ("fri-sun", "Fri Sat Sun"), ("mon-sun", "Mon Tue Wed Thu Fri Sat Sun"),
    ("sun-tue", "Mon Tue Sun"),
    ("0,6", "Sat Sun"), ("*/2", "Tue Thu Sat Sun"), ("1-5/2", "Mon Wed Fri"),
    ("1,wed,7", "Mon Wed Sun"), ("*", "Mon Tue Wed Thu Fri Sat Sun"),
]  # fmt: skip


@pytest.mark.parametrize(("field", "days"), WEEKDAYS)
def test_weekdays_count_as_in_cron(field: str, days: str) -> None:
    """One week from Monday: the numbers of POSIX, and names."""
    times = takewhile(
        lambda at: at < utc("2026-06-08T00:00"),
        fire_times(cron(f"0 6 * * {field}"), utc("2026-06-01T00:00")),
    )
    assert " ".join(at.strftime("%a") for at in times) == days


@pytest.mark.parametrize("field", ["8", "1-8", "5-1", "mon-", "x", "1//2", "*/0", "-1", ""])
def test_a_weekday_that_is_none_is_refused(field: str) -> None:
    with pytest.raises(ConfigError, match=r"schedule\.toml"):
        check_times((cron(f"0 6 * * {field}"),), utc("2026-06-01T00:00"))


def test_who_wrote_weekdays_as_numbers_is_told_which_they_are() -> None:
    """They were counted from Monday once; names always meant what they say."""
    told = weekday_notice(cron("0 6 * * 1-3"))
    assert told is not None
    assert "means Mon, Tue, Wed" in told
    assert "*/2" in (weekday_notice(cron("0 6 * * */2")) or "")
    for at in ("0 6 * * mon", "0 6 1 1 *", "0 6 * * mon-fri/2"):
        assert weekday_notice(cron(at)) is None
    assert weekday_notice(NamedJob(name="o", does="load", every="1d")) is None


def test_an_interval_counts_from_the_last_time() -> None:
    job = NamedJob(name="often", does="load", every="6h")
    times = [at.strftime("%d %H:%M") for at in islice(fire_times(job, utc("2026-03-29T00:10")), 3)]
    assert times == ["29 06:10", "29 12:10", "29 18:10"]


def test_fixed_times_in_the_skipped_hour_stay_in_order() -> None:
    """2:30 becomes 3:30, after 3:00; the 3:30 of the same job is the same instant, once."""
    assert walls(cron("0,30 2,3 * * *", BERLIN), "2026-03-28T12:00", "2026-03-29T12:00") == [
        "29 03:00+0200",
        "29 03:30+0200",
    ]


# --- what was missed ------------------------------------------------------------------------

NIGHTLY = cron("15 3 * * *")


def test_nothing_missed_waits_for_the_next_time() -> None:
    due = next_time(NIGHTLY, utc("2026-06-01T03:15"), utc("2026-06-01T09:00"))
    assert (due.at, due.n_missed) == (utc("2026-06-02T03:15"), 0)


def test_three_missed_nights_are_made_up_for_by_one_run() -> None:
    """Off since the 1st, on again on the 4th at 9: the run of the 4th, for two earlier ones."""
    due = next_time(NIGHTLY, utc("2026-06-01T03:15"), utc("2026-06-04T09:00"))
    assert (due.at, due.n_missed) == (utc("2026-06-04T03:15"), 2)


def test_a_clock_set_back_an_hour_makes_no_run_come_twice() -> None:
    """It ran at 3:15; the clock says 2:30 again: the next run is tomorrow's."""
    due = next_time(NIGHTLY, utc("2026-06-01T03:15"), utc("2026-06-01T02:30"))
    assert due.at == utc("2026-06-02T03:15")


def test_a_last_time_written_by_a_clock_years_ahead_stops_nothing() -> None:
    due = next_time(NIGHTLY, utc("2036-06-01T03:15"), utc("2026-06-01T09:00"))
    assert due.at == utc("2026-06-02T03:15")


def test_a_new_timetable_waits_but_an_interval_begins_at_once() -> None:
    now = utc("2026-06-01T09:00")
    assert next_time(NIGHTLY, None, now).at == utc("2026-06-02T03:15")
    assert next_time(NamedJob(name="o", does="load", every="1d"), None, now).at == now


def test_a_job_every_minute_after_a_year_off_is_answered_at_once() -> None:
    due = next_time(
        NamedJob(name="o", does="load", every="1m"),
        utc("2025-06-01T09:00"),
        utc("2026-06-01T09:00"),
    )
    assert due.at <= utc("2026-06-01T09:00")
    assert due.n_missed >= 9_999


@pytest.mark.parametrize("at", ["nonsense", "61 3 * * *", "* * *", "0 0 30 2 *"])
def test_a_wrong_or_impossible_time_is_refused(at: str) -> None:
    with pytest.raises(ConfigError, match=r"schedule\.toml"):
        check_times((cron(at),), utc("2026-06-01T09:00"))
