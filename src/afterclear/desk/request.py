"""What a page function gets and gives."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.datastructures import UploadFile
from starlette.responses import HTMLResponse, RedirectResponse, Response

from afterclear.commands.app import App, Kept
from afterclear.config import Config
from afterclear.desk.door import Session
from afterclear.desk.long_work.bench import Bench, Then
from afterclear.desk.long_work.judging import Judge
from afterclear.desk.speech.speaking import cells_of, helps
from afterclear.desk.uploads import Uploads
from afterclear.errors import UsageError, worded
from afterclear.wording.cells import Cells

BUSY = worded("Something else is being worked on. Try again when it is done.")
MOST_FILES = 200  # at once
FOREIGN_FORM = worded(
    "This form is of another user or of an earlier start of the desk. Go back and load its page "
    "again."
)
_TEMPLATES = Path(__file__).parent / "templates"


@dataclass(slots=True)
class Desk:
    """What every page works with."""

    app: App
    bench: Bench
    uploads: Uploads
    on_settings: Callable[[App], None] = lambda _: None
    most_bytes: int = 0  # of files that are brought at once
    judge: Judge = field(init=False)
    readings: Kept = field(init=False)

    def __post_init__(self) -> None:
        self.judge = Judge(self.bench)
        self.readings = self.app.kept_readings()

    @property
    def cells(self) -> Cells:
        """How numbers, times and texts are written on its pages."""
        return cells_of(self.app)

    def change_settings(self, config: Config) -> None:
        """Go on with other settings."""
        self.app = replace(self.app, config=config)
        self.on_settings(self.app)


@dataclass(slots=True)
class Told:
    """What a page says it did, for the list of who did what."""

    about: str = ""
    vehicles: tuple[str, ...] = ()
    is_nothing: bool = False  # it was done before: a second click


@dataclass(frozen=True, slots=True)
class Asked:
    """One request, its form read and its token checked."""

    desk: Desk
    session: Session
    path: Mapping[str, str] = field(default_factory=dict)
    query: Mapping[str, str] = field(default_factory=dict)
    form: Mapping[str, str] = field(default_factory=dict)
    chosen: tuple[str, ...] = ()  # boxes that were ticked
    codes: tuple[str, ...] = ()  # those of codes
    files: tuple[UploadFile, ...] = ()
    told: Told = field(default_factory=Told)

    def tell(self, about: str, vehicles: Iterable[str] = ()) -> None:
        """Say what was done, for the list of who did what; ``vehicles``: their numbers."""
        self.told.about, self.told.vehicles = about, tuple(vehicles)

    def page(self, template: str, status: int = 200, **facts: object) -> Response:
        """Render a page."""
        return HTMLResponse(self.text(template, **facts), status_code=status)

    def text(self, template: str, **facts: object) -> str:
        """Render the text of a page."""
        facts |= {"session": self.session, "bench": self.desk.bench}
        return text_of(template, self.desk.cells, **facts)

    @property
    def language(self) -> str:
        """The language of the pages."""
        return self.desk.cells.language

    def begin(
        self,
        title: str,
        commands: Sequence[Sequence[str]],
        then: Then | None = None,
        key: str = "",
        *,
        can_be_cancelled: bool = True,
    ) -> Response:
        """Begin long work and show it; ``key``: what it is about, where titles may be alike.

        Raises:
            UsageError: something else is being worked on.

        """
        begin, by = self.desk.bench.begin, self.session.person
        if not begin(title, commands, then, by, key, can_be_cancelled=can_be_cancelled):
            raise UsageError(BUSY)
        return go_to("/bench")


def text_of(template: str, cells: Cells, **facts: object) -> str:
    """Render the text of a page; ``session`` and ``bench`` are among what every page needs."""
    return _environment().get_template(template).render(facts | helps(cells))


def shut_out(text: str, cells: Cells) -> Response:
    """Answer whoever has to sign in before a form is sent again."""
    page = text_of("problem.html", cells, session=None, bench=None, text=text, sign_in=True)
    return HTMLResponse(page, status_code=403)


def go_to(place: str) -> Response:
    """Send the browser on, after a form has done its work."""
    return RedirectResponse(place, status_code=303)


@cache
def _environment() -> Environment:
    return Environment(
        loader=FileSystemLoader(_TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
