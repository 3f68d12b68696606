"""The timetable: one job, never overlapping, missed runs made up for once.

The job is the same ``run_once`` that ``afterclear run`` calls; an error of one night is told
and the next night tries again.
"""

from collections.abc import Callable
from datetime import timedelta

from apscheduler.schedulers.blocking import BlockingScheduler
from apscheduler.triggers.cron import CronTrigger

from afterclear.config import Job
from afterclear.errors import AfterclearError, ConfigError
from afterclear.records import LoadResult
from afterclear.runs.app import App
from afterclear.runs.whole import run_once

# A run missed while the machine was off is made up for as long as the next is not due.
_MAKE_UP_FOR = timedelta(days=7)


def trigger_of(job: Job) -> CronTrigger:
    """Turn a line of the timetable into its fire times.

    Raises:
        ConfigError: the five cron fields are not valid.

    """
    try:
        return CronTrigger.from_crontab(job.at, timezone=job.zone)
    except ValueError as error:
        raise ConfigError(
            f"schedule.toml: run.at = {job.at!r} is no cron time ({error}). "
            "Use five fields, such as '15 3 * * *' for 3:15 every night."
        ) from error


def keep_timetable(
    app: App, told_load: Callable[[LoadResult], None], told: Callable[[str], object]
) -> None:
    """Run on the timetable until interrupted."""
    scheduler = BlockingScheduler(timezone=app.config.timetable.run.zone)
    trigger = trigger_of(app.config.timetable.run)
    scheduler.add_job(
        lambda: _one_run(app, told_load, told),
        trigger,
        max_instances=1,
        coalesce=True,
        misfire_grace_time=int(_MAKE_UP_FOR.total_seconds()),
    )
    next_at = trigger.get_next_fire_time(None, app.clock())
    told(f"Next run at {next_at:%Y-%m-%d %H:%M %Z}. Ctrl-C stops.")
    try:
        scheduler.start()
    except (KeyboardInterrupt, SystemExit):
        told("Stopped.")


def _one_run(
    app: App, told_load: Callable[[LoadResult], None], told: Callable[[str], object]
) -> None:
    try:
        report = run_once(app, told_load)
    except AfterclearError as error:
        told(f"This run failed: {error} The next one tries again.")
        return
    told(f"{report.analysis.verdicts.n_attempts} fix attempts judged; {report.digest.index}")
