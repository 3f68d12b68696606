"""Change the settings that a person changes: names, units, recipients, times, sources."""

import json
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Final

from starlette.responses import Response

from afterclear.commands.settings_file import NEW, change_settings, fields_of, place_of
from afterclear.config import Config
from afterclear.desk.request import Asked, go_to
from afterclear.errors import AfterclearError, UsageError, told_by, worded
from afterclear.schedule.times import check_times, fire_times

_CHOICES: Final = {"digest.units": ("km", "mi"), "digest.language": ("en", "de")}


def settings(asked: Asked) -> Response:
    """Show the settings."""
    return _page(asked)


def change(asked: Asked) -> Response:
    """Write what was changed."""
    try:
        config, changed = change_settings(
            asked.desk.app,
            _seen(asked.form),
            _wanted(asked.form),
            lambda old, new: _check(asked, old, new),
        )
    except AfterclearError as error:
        return _page(asked, problem=told_by(error), status=400)
    asked.desk.change_settings(config)
    asked.tell(", ".join(changed) or "nothing")
    return go_to("/settings")


def _page(asked: Asked, problem: str = "", status: int = 200) -> Response:
    app = asked.desk.app
    config = app.config if app.config.folder is None else Config(app.config.folder)
    fields = fields_of(config)
    return asked.page(
        "settings.html",
        status=status,
        problem=problem,
        has_folder=config.folder is not None,
        fields=fields,
        seen=json.dumps(fields),
        typed=fields | {name: asked.form[name] for name in asked.form if name in fields},
        new={name: text for name, text in asked.form.items() if name.startswith(NEW)},
        choices=_CHOICES,
        jobs=[(job, _next(config, job.name, app.clock())) for job in config.timetable.jobs],
        sources=config.sources,
    )


def _next(config: Config, name: str, now: datetime) -> datetime | None:
    """Give when a job is due next, by its cron fields; None: it counts from its last run."""
    job = next(job for job in config.timetable.jobs if job.name == name)
    return None if job.every else next(fire_times(job, now))


def _seen(form: Mapping[str, str]) -> dict[str, str]:
    try:
        found = json.loads(form.get("seen", ""))
    except ValueError:
        found = None
    if not isinstance(found, dict):
        raise UsageError(worded("This form is not whole. Load the page again."))
    return {str(name): str(text) for name, text in found.items()}


def _wanted(form: Mapping[str, str]) -> dict[str, str]:
    kinds = ("digest.", "mail.", "job.", "source.", NEW)
    return {name: text for name, text in form.items() if name.startswith(kinds)}


def _check(asked: Asked, old: Config, new: Config) -> None:
    """Check times, and where sources are: whoever is not at this machine adds none elsewhere.

    A folder elsewhere would show any file of this account, and another address, even that of
    another source, would be sent the password of the old one.
    """
    check_times(new.timetable.jobs, asked.desk.app.clock())
    if not asked.session.user:
        return
    before = {source.name: place_of(source) for source in old.sources}
    for source in new.sources:
        inside = source.folder is not None and _is_free(asked, source.folder)
        if before.get(source.name) != place_of(source) and not inside:
            raise UsageError(
                worded(
                    "The source {source!r} would be at {place!r}. From here a source can only be a "
                    "folder below the garage's, and none where the program keeps files of its own; "
                    "any other is named at the machine itself, in config/sources.toml.",
                    source=source.name,
                    place=place_of(source),
                )
            )


def _is_free(asked: Asked, folder: Path) -> bool:
    """Whether a folder is below the garage's, and holds nothing the program keeps for itself."""
    app = asked.desk.app
    assert app.config.folder is not None  # noqa: S101 - settings are changed in a folder only
    place, base = app.config.beside(folder).resolve(), app.config.folder.parent.resolve()
    own = [p.resolve() for p in (app.config.folder, app.archive, asked.desk.uploads.folder)]
    touches_own = any(place.is_relative_to(p) or p.is_relative_to(place) for p in own)
    return base in place.parents and not touches_own
