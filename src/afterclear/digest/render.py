"""Page models -> HTML.  Each page is one self-contained file that needs no script."""

import hashlib
from base64 import b64encode
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from afterclear.digest import cells as cell_words
from afterclear.digest import names
from afterclear.digest.build import DigestModel
from afterclear.digest.cells import Cells, Dash, capital, unit_name
from afterclear.digest.charts.growth import draw_growth
from afterclear.digest.charts.layout import NARROW, WIDE
from afterclear.digest.charts.odometer import draw_odometer
from afterclear.digest.charts.timeline import draw_timeline
from afterclear.digest.charts.verdicts import draw_verdicts
from afterclear.digest.model import AttemptView, FleetPage, IndexPage, PageHead
from afterclear.digest.reasons import VERDICT_WORDS
from afterclear.digest.rows import Evidence, Repair
from afterclear.digest.text import fit_text
from afterclear.digest.vehicle_model import OdometerChart, TimeLine, VehiclePage

_TEMPLATES = Path(__file__).parent / "templates"

FINDING_WORDS: dict[str, str] = {
    "clean": "read, without the fault",
    "returned": "showed the fault again",
    "stayed": "still showed the fault",
    "sign": "a sign only",
    "no_evidence": "says nothing",
}
ASIDE_WORDS: dict[str, str] = {
    "single": "one reading off the line",
    "units": "miles taken for km, or km for miles",
    "decimal": "a digit too many or too few",
    "jump": "a leap no vehicle could drive",
    "lasting_drop": "lower from here on: instrument replaced or turned back",
}


def render_pages(model: DigestModel) -> Iterator[tuple[str, str]]:
    """Yield every page's file name and HTML, one at a time; the index last."""
    for page in model.vehicles:
        yield page.ref.page, render_vehicle(page)
    yield names.FLEET, render_fleet(model.fleet)
    yield names.INDEX, render_index(model.index)


def render_digest(model: DigestModel) -> dict[str, str]:
    """Render the whole digest: HTML by file name, relative to the digest's folder."""
    return dict(render_pages(model))


def render_fleet(page: FleetPage) -> str:
    """Render the fleet manager's page."""
    pictures = {
        f"verdicts_{layout.name}": draw_verdicts(page.tallies, layout, "All fixes by verdict")
        for layout in (WIDE, NARROW)
    }
    return _render("fleet.html", page.head, page=page, here=names.FLEET, **pictures)


def render_index(page: IndexPage) -> str:
    """Render the list of all vehicles."""
    return _render("index.html", page.head, page=page, here=names.INDEX)


def render_vehicle(page: VehiclePage) -> str:
    """Render one vehicle's page."""
    pictures: dict[str, Markup] = {}
    name = page.ref.vehicle_id
    if isinstance(page.timeline, TimeLine):
        title = f"History of {name}: what each scan read, what was done, what it proves"
        for layout in (WIDE, NARROW):
            pictures[f"timeline_{layout.name}"] = draw_timeline(page.timeline, layout, title)
    if isinstance(page.odometer, OdometerChart):
        title = f"Odometer of {name} over time"
        for layout in (WIDE, NARROW):
            drawn = draw_odometer(page.odometer, layout, page.head.units, title)
            pictures[f"odometer_{layout.name}"] = drawn
    return _render("vehicle.html", page.head, page=page, here="", root="../", **pictures)


def _render(template: str, head: PageHead, **context: Any) -> str:  # noqa: ANN401
    environment = _environment(Cells(head.units, head.zone))
    return environment.get_template(template).render({"root": "", **context})


@cache
def _environment(cells: Cells) -> Environment:
    css = (_TEMPLATES / "style.css").read_text(encoding="utf-8")
    digest = b64encode(hashlib.sha256(css.encode("utf-8")).digest()).decode("ascii")
    environment = Environment(
        loader=FileSystemLoader(_TEMPLATES),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=StrictUndefined,
        finalize=_finalize,
    )
    environment.filters.update(_filters(cells))
    environment.tests["dash"] = lambda value: isinstance(value, Dash)
    environment.globals.update(
        css=Markup(css),  # noqa: S704  (our own file)
        # nothing is fetched, sent or run; the one style sheet is known by its hash
        policy=f"default-src 'none'; style-src 'sha256-{digest}'; "
        "base-uri 'none'; form-action 'none'",
    )
    return environment


def _finalize(value: object) -> object:
    """Make text from outside fit for a page; escaping comes after."""
    if isinstance(value, str) and not isinstance(value, Markup):
        return fit_text(value)
    return value


def _filters(cells: Cells) -> dict[str, Any]:
    return {
        "amount": cells.amount,
        "aside_word": lambda cause: ASIDE_WORDS.get(cause, cause),
        "clean_so_far": lambda view: _clean_so_far(view, cells),
        "day": cells.day,
        "distance": cells.distance,
        "finding_words": finding_words,
        "growth_bar": _growth_bar,
        "moment": cells.moment,
        "money": cell_words.money,
        "n": cell_words.count,
        "number": cell_words.number,
        "percent": cell_words.percent,
        "repair_line": _repair_line,
        "sentence": _sentence,
        "unit_name": unit_name,
        "verdict_word": lambda outcome: VERDICT_WORDS[outcome],
    }


def _clean_so_far(view: AttemptView, cells: Cells) -> str:
    row = view.row
    return cells.amount(row.clean_days if row.clock == "days" else row.clean_km, row.clock)


def _growth_bar(view: AttemptView) -> Markup:
    row = view.row
    clean = row.clean_days if row.clock == "days" else row.clean_km
    if clean is None or row.km_to_go is None or clean + row.km_to_go <= 0:
        return Markup("")
    return draw_growth(clean / (clean + row.km_to_go))


def finding_words(row: Evidence) -> str:
    """Say what a scan says about an attempt: its own reason, if the histories gave one."""
    words = FINDING_WORDS[row.finding]
    if not row.why:
        return capital(words)
    return capital(f"{words}: {row.why}" if row.finding == "no_evidence" else row.why)


def _repair_line(line: Repair) -> str:
    words = " ".join(
        part for part in (line.action, line.part_family, line.position, line.part_number) if part
    )
    text = f"{words} ({line.part_brand})" if line.part_brand else words
    return _sentence(text or line.notes or "not described", end="")


def _sentence(text: str, end: str = ".") -> str:
    return f"{capital(text)}{end}" if text else ""
