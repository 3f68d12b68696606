"""When a job is due: due times as instants, right in both nights when clocks change.

Cron fields are wall-clock times of a zone.  As with cron itself (common practice, no source):

- A job at fixed hours runs once a night.  Where its time is skipped in spring, it runs as much
  later as the clock jumped; where its time comes twice in autumn, it runs the first time.
- A job whose hour field has a star or a step runs by elapsed time: not at skipped times, and at
  both of the doubled ones.

Numbers of weekdays are those of POSIX (IEEE Std 1003.1, crontab: 0-6 from Sunday) and of cron(5),
where 7 is Sunday too.  The trigger library counts from Monday, so it is given names.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from heapq import heappop, heappush
from zoneinfo import ZoneInfo

from apscheduler.triggers.cron import CronTrigger

from afterclear.config import NamedJob
from afterclear.errors import ConfigError

_UNITS = {"m": timedelta(minutes=1), "h": timedelta(hours=1), "d": timedelta(days=1)}
_HOUR_FIELD, _WEEKDAY_FIELD = 1, 4
_DAYS = ("sun", "mon", "tue", "wed", "thu", "fri", "sat", "sun")
# one item of a list of weekdays: a star or a day or a range, and a step
_DAY = r"[0-7]|sun|mon|tue|wed|thu|fri|sat"
_WEEKDAY = re.compile(rf"(?:\*|(?P<first>{_DAY})(?:-(?P<last>{_DAY}))?)(?:/(?P<step>[1-7]))?")
# A last due time this far ahead of now was written by a clock that was wrong.
_WRONG_CLOCK = timedelta(days=1)
# More missed times than this are not counted one by one.
_COUNTED = 10_000
_DST_REACH = timedelta(hours=3)  # no zone's clock jumps further than this at once in our times


@dataclass(frozen=True, slots=True)
class Next:
    """When a job is to run: ``at`` in the past means at once, for all that was missed."""

    at: datetime
    n_missed: int  # earlier times it makes up for, ``at`` itself not counted


def fire_times(job: NamedJob, after: datetime) -> Iterator[datetime]:
    """Yield the instants (UTC) at which a job is due after ``after``, ascending, for ever.

    An interval counts from ``after``.

    Raises:
        ConfigError: the cron fields are not valid.

    """
    if job.every is not None:
        step = interval(job.every)
        at = after
        while True:
            at += step
            yield at.astimezone(UTC)
    yield from _cron_times(job, after)


def interval(every: str) -> timedelta:
    """Turn 30m, 6h or 1d into a length of time."""
    return int(every[:-1]) * _UNITS[every[-1]]


def next_time(job: NamedJob, last: datetime | None, now: datetime) -> Next:
    """Give the time a job runs next, from its last due time; None: it was never due.

    What was missed is made up for by one run, at once.  A clock that was set back makes no time
    come twice, unless the last due time is so far ahead that the clock must have been wrong.
    """
    if last is None:
        return Next(now if job.every else next(fire_times(job, now)), 0)
    if last > now + _WRONG_CLOCK:
        last = now
    latest, n_missed = None, 0
    for at in fire_times(job, last):
        if at > now:
            return Next(at, 0) if latest is None else Next(latest, n_missed)
        n_missed += latest is not None
        latest = at
        if n_missed >= _COUNTED:
            break
    return Next(now, n_missed)


def weekday_notice(job: NamedJob) -> str | None:
    """Say which days the numbers of a job's weekday field mean; None: it has no numbers.

    Earlier versions counted them from Monday, one off against cron.
    """
    field = (job.at or "").split()[_WEEKDAY_FIELD : _WEEKDAY_FIELD + 1]
    if not field or not re.search(r"(?<!/)[0-7]|\*/", field[0]):
        return None
    days = ", ".join(day.capitalize() for day in _weekdays(field[0]).split(","))
    return (
        f"{job.name}: the weekday {field[0]!r} means {days}, as in cron (0 and 7 are Sunday, 1 is "
        "Monday). Before, 0 was taken for Monday. Write names, such as mon, and this line goes."
    )


def check_times(jobs: tuple[NamedJob, ...], now: datetime) -> None:
    """Check that every job has a time.

    Raises:
        ConfigError: cron fields are not valid, or name a day that never comes.

    """
    for job in jobs:
        next(fire_times(job, now))


def _cron_times(job: NamedJob, after: datetime) -> Iterator[datetime]:
    zone = ZoneInfo(job.zone)
    fixed = not {"*", "/"} & set("".join((job.at or "").split()[_HOUR_FIELD : _HOUR_FIELD + 1]))
    last = after.astimezone(UTC)
    begin = (last - _DST_REACH).astimezone(zone).replace(tzinfo=None)
    # near a change of the clock, later times on the wall may be earlier instants
    waiting: list[datetime] = []
    for wall in _wall_times(job, begin):
        for at in _instants(wall, zone, fixed=fixed):
            heappush(waiting, at)
        safe_until = wall.replace(tzinfo=zone).astimezone(UTC) - _DST_REACH
        while waiting and waiting[0] <= safe_until:
            at = heappop(waiting)
            if at > last:
                last = at
                yield at


def _weekdays(field: str) -> str:
    """Spell a weekday field of cron as a list of names, or leave a lone star.

    >>> _weekdays("1-5")
    'mon,tue,wed,thu,fri'
    >>> _weekdays("7,*/3")
    'sun,wed,sat'

    Raises:
        ValueError: it is none.

    """
    if field == "*":
        return field
    found: set[int] = set()
    for item in field.lower().split(","):
        parts = _WEEKDAY.fullmatch(item)
        if parts is None:
            raise ValueError(f"{item!r} is no weekday: use 0 to 7, sun to sat, or a range of them")
        first = _day_number(parts["first"]) if parts["first"] else 0
        last = _day_number(parts["last"]) if parts["last"] else first
        if parts["first"] is None or (parts["last"] is None and parts["step"]):
            last = 6
        if last == 0 and first > 0 and not (parts["last"] or "").isdigit():
            last = 7  # fri-sun: a week may end with Sunday
        if last < first:
            raise ValueError(f"{item!r} begins after it ends")
        found |= {day % 7 for day in range(first, last + 1, int(parts["step"] or 1))}
    return ",".join(_DAYS[day] for day in sorted(found))


def _day_number(text: str) -> int:
    return int(text) if text.isdigit() else _DAYS.index(text)


def _wall_times(job: NamedJob, begin: datetime) -> Iterator[datetime]:
    """Yield the times on the wall that match the cron fields, without a zone."""
    try:
        # UTC has no changes of the clock, so it can stand for the wall
        fields = (job.at or "").split()
        fields[_WEEKDAY_FIELD:] = [_weekdays(field) for field in fields[_WEEKDAY_FIELD:]]
        trigger = CronTrigger.from_crontab(" ".join(fields), timezone=UTC)
    except (ValueError, IndexError) as error:
        raise ConfigError(
            f"schedule.toml: the job {job.name!r} has at = {job.at!r}, which is no cron time "
            f"({error}). Use five fields, such as '15 3 * * *' for 3:15 every night."
        ) from error
    now, previous = begin.replace(tzinfo=UTC), None
    while True:
        found = trigger.get_next_fire_time(previous, now)
        if found is None:
            raise ConfigError(
                f"schedule.toml: the job {job.name!r} would never run: {job.at!r} never comes."
            )
        yield found.replace(tzinfo=None)
        previous, now = found, found + timedelta(microseconds=1)


def _instants(wall: datetime, zone: ZoneInfo, *, fixed: bool) -> list[datetime]:
    """Give the instants at which a wall clock of the zone shows a time: none, one or two."""
    first = wall.replace(tzinfo=zone, fold=0).astimezone(UTC)
    second = wall.replace(tzinfo=zone, fold=1).astimezone(UTC)
    is_skipped = first.astimezone(zone).replace(tzinfo=None) != wall
    if is_skipped:
        # with the offset from before the jump: as much later as the clock jumped
        return [first] if fixed else []
    return [first] if fixed or first == second else [first, second]
