"""Page models -> HTML.  Each page is one self-contained file that needs no script."""

import hashlib
from base64 import b64encode
from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import cache
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from jinja2.runtime import Context, Macro
from markupsafe import Markup

from afterclear.digest.audience.fleet_model import FleetPage
from afterclear.digest.audience.garage_model import (
    FunnelChart,
    GaragePage,
    HeldChart,
    IntervalChart,
    LifeChart,
    OrdersPage,
)
from afterclear.digest.audience.stock import StockPage
from afterclear.digest.build_digests import DigestModel
from afterclear.digest.charts.funnel import draw_funnel
from afterclear.digest.charts.held import draw_held
from afterclear.digest.charts.intervals import draw_intervals
from afterclear.digest.charts.layout import NARROW, WIDE
from afterclear.digest.charts.life import draw_life
from afterclear.digest.charts.odometer_chart import draw_odometer
from afterclear.digest.charts.rise import draw_rise
from afterclear.digest.charts.timeline_chart import draw_timeline
from afterclear.digest.charts.verdict_bars import draw_verdicts
from afterclear.digest.common import file_names
from afterclear.digest.common.choosing import MOST
from afterclear.digest.common.model import IndexPage, ListPage, PageHead
from afterclear.digest.common.rise_lines import RisesView
from afterclear.digest.common.text import fit_text
from afterclear.digest.dossier.dossier_model import Dossier
from afterclear.digest.output.filters import filters
from afterclear.digest.output.fleet_index import fleet_index
from afterclear.digest.output.identifiers import keep_identifiers
from afterclear.digest.output.letter import Brief
from afterclear.digest.output.page_style import (
    TEMPLATES,
    compact_html,
    page_style,
    sections,
    used_signs,
)
from afterclear.digest.sheet.sheet_model import Sheet
from afterclear.digest.sheet.sheet_page import build_sheet
from afterclear.digest.vehicle.vehicle_model import OdometerChart, TimeLine, VehiclePage
from afterclear.wording.cells import Cells, Dash
from afterclear.wording.work import ASK_FIRST

_LAYOUTS = (WIDE, NARROW)
# what fits on the sheet for a meeting in letters read from the other end of a table
_SHEET_ROWS, _SHEET_QUARTERS = 5, 8


def render_overviews(model: DigestModel) -> Iterator[tuple[str, str]]:
    """Yield every page but those of single vehicles; the index last."""
    for dossier in model.dossiers:
        yield file_names.dossier(dossier.ref.vehicle_id), render_dossier(dossier)
    yield from render_audiences(model)
    for page in model.lists:
        yield page.own.page, render_list(page)
    if model.index.lists:
        lines = (line for page in model.lists for line in page.vehicles)
        yield file_names.FLEET_INDEX, fleet_index(lines, _cells(model.index.head))
    yield file_names.INDEX, render_index(model.index)


def render_audiences(model: DigestModel) -> Iterator[tuple[str, str]]:
    """Yield the pages of the audiences asked for."""
    if model.fleet is not None:
        yield file_names.FLEET, render_fleet(model.fleet)
    if model.garage is not None:
        for orders in model.garage.orders:
            yield orders.page, render_orders(orders)
        yield file_names.QUALITY_SHEET, render_quality_sheet(model.garage)
        yield file_names.GARAGE, render_garage(model.garage)
    if model.stock is not None:
        yield file_names.STOCK, render_stock(model.stock)


def render_fleet(page: FleetPage) -> str:
    """Render the fleet manager's page."""
    cells = _cells(page.head)
    title = cells.t("All fixes by verdict")
    pictures: dict[str, str] = {
        f"verdicts_{layout.name}": draw_verdicts(page.tallies, layout, title, cells)
        for layout in _LAYOUTS
    }
    year = cells.t("Fixes of the last year, by the quarter of the work and what became of them")
    pictures |= {
        f"year_{layout.name}": draw_verdicts(page.year, layout, year, cells, "year")
        for layout in _LAYOUTS
    }
    return _render(
        "fleet.html",
        page.head,
        page=page,
        here=file_names.FLEET,
        script=_script(),
        rises=_rises(page.rises, cells),
        **pictures,
    )


def _rises(view: RisesView | None, cells: Cells) -> dict[str, list[Markup]]:
    """Draw each new rise, by its place on the page."""
    return {
        rise.target: [
            draw_rise(rise.chart, layout, rise.target, rise.name, cells) for layout in _LAYOUTS
        ]
        for rise in (view.new if view else ())
    }


def render_garage(page: GaragePage) -> str:
    """Render the page for a chain's quality lead."""
    cells = _cells(page.head)
    pictures: dict[str, Any] = {"funnels": {}, "lives": {}, "intervals": {}}
    if isinstance(page.held, HeldChart):
        title = cells.t("Share of fixes that held, by quarter")
        for layout in _LAYOUTS:
            pictures[f"held_{layout.name}"] = draw_held(page.held, layout, title, cells)
    for table in page.groups:
        chart = table.funnel
        if isinstance(chart, FunnelChart):
            title = cells.t("Observed come-backs per expected one, with the limits of chance")
            pictures["funnels"][table.level] = [
                draw_funnel(chart, layout, table.level, title, cells) for layout in _LAYOUTS
            ]
    charts = {table.level: table.intervals for table in page.groups} | {"parts": page.lives}
    if page.changed and page.changed.chart:
        charts["changed"] = page.changed.chart
    for name, intervals in charts.items():
        if isinstance(intervals, IntervalChart):
            title = f"{intervals.axis}, {cells.t('with 95 % ranges')}"
            pictures["intervals"][name] = [
                draw_intervals(intervals, layout, name, title, cells) for layout in _LAYOUTS
            ]
    for view in page.parts:
        if isinstance(view.life, LifeChart):
            title = cells.t("How many of part {part} still work", part=view.name)
            pictures["lives"][view.target] = [
                draw_life(view.life, layout, view.target, title, cells) for layout in _LAYOUTS
            ]
    return _render(
        "garage.html",
        page.head,
        page=page,
        here=file_names.GARAGE,
        most=MOST,
        rises=_rises(page.rises, cells),
        script=_script(),
        **pictures,
    )


def render_quality_sheet(page: GaragePage) -> str:
    """Render the garage page's essence on one sheet for a meeting."""
    cells = _cells(page.head)
    drawn: dict[str, list[Markup]] = {}
    charts = [table.intervals for table in page.groups if table.level == "site"]
    if charts and isinstance(charts[0], IntervalChart):
        few = replace(charts[0], rows=charts[0].rows[:_SHEET_ROWS])
        drawn["compared"] = [
            draw_intervals(few, layout, "site", few.axis, cells) for layout in _LAYOUTS
        ]
    if isinstance(page.held, HeldChart):
        late = replace(page.held, points=page.held.points[-_SHEET_QUARTERS:])
        title = cells.t("Share of fixes that held, by quarter")
        drawn["held"] = [draw_held(late, layout, title, cells) for layout in _LAYOUTS]
    sheets = ("style.css", "quality_sheet.css")
    return _render("quality_sheet.html", page.head, page=page, here="", sheets=sheets, drawn=drawn)


def render_orders(page: OrdersPage) -> str:
    """Render the work behind the figures of a site, technician, brand, grade or part."""
    return _render("quality.html", page.head, page=page, here="", root="../")


def render_stock(page: StockPage) -> str:
    """Render the page for people who hand vehicles over."""
    return _render("stock.html", page.head, page=page, here=file_names.STOCK, script=_script())


def render_dossier(dossier: Dossier) -> str:
    """Render what the records show of one vehicle, to be printed and signed."""
    return _render("dossier.html", dossier.head, page=dossier, here="", root="../")


def render_index(page: IndexPage) -> str:
    """Render the way in; the lists of vehicles have a script, but work without it."""
    whole = {"script": _script() + _file("fleet_search.js"), "fleet_index": file_names.FLEET_INDEX}
    own = whole if page.lists else {"script": _script()}
    return _render("index.html", page.head, page=page, here=file_names.INDEX, **own)


def render_list(page: ListPage) -> str:
    """Render part of the list of a large fleet."""
    return _render("list.html", page.head, page=page, here="", root="../", script=_script())


def render_vehicle(page: VehiclePage) -> str:
    """Render one vehicle's page."""
    cells = _cells(page.head)
    pictures: dict[str, Markup] = {}
    name = page.ref.vehicle_id
    if isinstance(page.timeline, TimeLine):
        title = cells.t(
            "History of {vehicle}: what each scan read, what was done, what it proves", vehicle=name
        )
        for layout in _LAYOUTS:
            pictures[f"timeline_{layout.name}"] = draw_timeline(page.timeline, layout, title)
    if isinstance(page.odometer, OdometerChart):
        title = cells.t("Odometer of {vehicle} over time", vehicle=name)
        for layout in _LAYOUTS:
            drawn = draw_odometer(page.odometer, layout, page.head.units, title)
            pictures[f"odometer_{layout.name}"] = drawn
    return _render("vehicle.html", page.head, page=page, here="", root="../", **pictures)


def render_with_sheet(page: VehiclePage) -> Iterator[tuple[str, str]]:
    """Yield one vehicle's page and, if there is something to do about it, its workshop sheet."""
    yield page.ref.page, render_vehicle(page)
    sheet = build_sheet(page, _cells(page.head))
    if sheet is not None:
        yield sheet.page, render_sheet(sheet)


def render_sheet(sheet: Sheet) -> str:
    """Render one vehicle's sheet for the workshop."""
    sheets = ("style.css", "sheet.css")
    return _render("sheet.html", sheet.head, page=sheet, here="", root="../", sheets=sheets)


def render_brief(brief: Brief, link: str | None) -> str:
    """Render a mail's HTML part: no style sheet, no script, nothing to fetch."""
    environment = _environment(Cells(language=brief.language))
    html = environment.get_template("mail.html").render(brief=brief, link=link)
    # a mail has no style sheet: what keeps a name whole stands with it
    return keep_identifiers(html).replace('class="id"', 'style="white-space:nowrap"')


def _cells(head: PageHead) -> Cells:
    return Cells(head.units, head.zone, head.language, head.hour_km)


def _render(template: str, head: PageHead, **context: Any) -> str:  # noqa: ANN401
    cells = _cells(head)
    environment = _environment(cells)
    values = {
        "root": "",
        "script": None,
        "fleet_index": "",
        "sheets": ("style.css",),
        "ask_first": cells.t(ASK_FIRST),
        **context,
    }
    html = environment.get_template(template).render(values)
    return compact_html(keep_identifiers(html))


def _policy(style: str, script: object, beside: str) -> str:
    """Forbid a page to fetch or send; its one style sheet and script are known by their hashes.

    ``beside``: a script file it may load; from disk no origin is its own, so the scheme is named.
    """
    allowed = f"default-src 'none'; style-src '{_hash(style)}'"
    if script:
        allowed += f"; script-src '{_hash(str(script))}'" + (" 'self' file:" if beside else "")
    return f"{allowed}; base-uri 'none'; form-action 'none'"


def script_of_pages() -> str:
    """Give the hash of the one script that pages carry, for a policy that is sent with them."""
    return _hash(str(_script()))


def _hash(text: str) -> str:
    digest = b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii")
    return f"sha256-{digest}"


def _script() -> Markup:
    return _file("tables.js")


@cache
def _file(name: str) -> Markup:
    text = (TEMPLATES / name).read_text(encoding="utf-8")
    return Markup(compact_html(text))  # noqa: S704  (our own, as its hash lets it in)


class _Context(Context):
    """Calls what templates call straight away; only a macro wants to know who calls it.

    A page has more than a thousand calls, and to ask each function took as long as they did.
    """

    def call(self, called: Callable[..., object], /, *args: object, **values: object) -> object:
        """Call a function."""
        if isinstance(called, Macro):
            return super().call(called, *args, **values)
        for name in ("_block_vars", "_loop_vars"):  # of the template, beside those of the call
            values.pop(name, None)
        return called(*args, **values)


@cache
def _environment(cells: Cells) -> Environment:
    environment = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=StrictUndefined,
        auto_reload=False,  # templates do not change: no file check for every part of a page
        finalize=_finalize,
    )
    environment.context_class = _Context
    environment.filters.update(
        filters(cells), page_style=page_style, sections=sections, used_signs=used_signs
    )
    environment.tests["dash"] = lambda value: isinstance(value, Dash)
    environment.globals.update(
        policy=_policy,
        language=cells.language,
        t=cells.t,
        tn=cells.tn,
    )
    return environment


def _finalize(value: object) -> object:
    """Make text from outside safe for a page; escaping comes after."""
    if isinstance(value, str) and not isinstance(value, Markup):
        return fit_text(value)
    return value
