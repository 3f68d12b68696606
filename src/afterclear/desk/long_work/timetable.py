"""Keep the timetable beside the desk: by ``afterclear schedule``, in a process of its own."""

import subprocess

from afterclear.commands.app import App
from afterclear.desk.long_work.bench import command_of, end


class Timetable:
    """The process that keeps the timetable; begun again when times or sources change."""

    def __init__(self, app: App) -> None:
        self._app = app
        self._process: subprocess.Popen[bytes] | None = None

    def begin(self) -> None:
        """Begin; what it says goes where the desk's own words go."""
        self._process = subprocess.Popen(  # noqa: S603 - our own program
            [*command_of(self._app), "schedule"], stdin=subprocess.DEVNULL
        )

    def follow(self, app: App) -> None:
        """Begin again if times or sources are others now; a job that was under way is undone."""
        before, now = self._app.config, app.config
        self._app = app
        if (before.timetable, before.sources) != (now.timetable, now.sources):
            self.stop()
            self.begin()

    def stop(self) -> None:
        """Stop; what was under way is undone."""
        end(self._process)
