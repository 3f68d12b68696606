"""When the jobs of the timetable would run next, for a person who asks."""

from datetime import datetime
from zoneinfo import ZoneInfo

from afterclear.commands.app import App
from afterclear.commands.scheduler_state import times_attended
from afterclear.schedule.times import next_time


def upcoming(app: App) -> dict[str, datetime]:
    """Give each job's next time, in the job's own zone; soonest first."""
    attended = times_attended(app, read_only=True)
    now = app.clock()
    found = {
        job.name: next_time(job, attended.get(job.name), now).at.astimezone(ZoneInfo(job.zone))
        for job in app.config.timetable.jobs
    }
    return dict(sorted(found.items(), key=lambda pair: pair[1]))
