"""The garage page: what stands out, funnels, quarters, habits, parts and claim sheets."""

import re
from dataclasses import replace

import pytest

from afterclear.digest.audience.chart_numbers import funnel_chart
from afterclear.digest.audience.compared import ROWS
from afterclear.digest.audience.garage_model import (
    FunnelChart,
    GaragePage,
    HeldChart,
    Interval,
    IntervalChart,
    LifeChart,
    OrdersPage,
)
from afterclear.digest.charts.funnel import draw_funnel
from afterclear.digest.charts.held import draw_held
from afterclear.digest.charts.intervals import draw_intervals
from afterclear.digest.charts.layout import NARROW, WIDE, Layout
from afterclear.digest.charts.life import draw_life
from afterclear.digest.common.savings import price_of, saving, saving_words
from afterclear.digest.input.finding_rows import RepeatPrice
from afterclear.digest.output.render import render_garage, render_orders, render_quality_sheet
from afterclear.estimators.rates.funnels import funnel
from afterclear.finding_tables.sites import ProcessCost
from afterclear.wording.cells import Cells, Dash
from tests.digest.every_row import build_digest
from tests.digest.findings_fixture import ROWS as FOUND
from tests.digest.findings_fixture import day, findings
from tests.digest.fleet_fixture import fleet

LARGEST = 40_000  # bytes; issue 6


@pytest.fixture(scope="module")
def page() -> GaragePage:
    built = build_digest(fleet(findings=findings())).garage
    assert built is not None
    return built


def test_what_was_flagged_is_listed_sites_then_parts_then_habits(page: GaragePage) -> None:
    assert [(look.name, look.target) for look in page.looks] == [
        ("Northquay", "level-site"),
        ("Brellow", "level-brand"),
        ("Wheel speed sensor: Brellow KX-11", "part-1"),
        ("Northquay: Codes cleared without a repair", "habit-1"),
    ]
    assert all(look.sentence for look in page.looks)


def test_every_place_the_list_points_at_is_on_the_page(page: GaragePage) -> None:
    html = render_garage(page)
    for look in page.looks:
        assert f'id="{look.target}"' in html


def test_a_habit_rarer_than_elsewhere_is_not_called_what_chance_gives(page: GaragePage) -> None:
    """Only an excess is tested for: of the others no more is known than that they show none."""
    habits = render_garage(page).partition('id="habits"')[2].partition("<section")[0]
    assert "not clearly more" in habits
    assert "no clear difference" not in habits


@pytest.fixture(scope="module")
def northquay() -> OrdersPage:
    """Northquay's work: a clear of two codes, and a work order needed a second time."""
    work = {"site": "Northquay", "vehicle_id": "HX-211", "happened_at": day(4, 1)}
    cleared = {"finding": "bare_clears", "code": "C0034 P0301", "shown_code": "P0301"}
    repeated = {"finding": "come_backs", "code": "P0301", "cost": 88.0, "currency": "CHF",
                "outcome": "held"}  # fmt: skip
    rows = FOUND | {"habit_work": [work | cleared | {"n_all": 22}, work | repeated | {"n_all": 9}]}
    built = build_digest(fleet(findings=findings(rows))).garage
    assert built is not None
    return next(page for page in built.orders if page.name == "Northquay")


def test_a_clear_of_several_codes_names_all_and_has_the_cautions_of_all(
    northquay: OrdersPage,
) -> None:
    """Shown by the misfire, the brake code cleared with it is still one of the brakes."""
    (line,) = northquay.lists[-2].lines
    assert (line.fault.code, line.beside, line.fault.safety) == ("P0301", "C0034", True)
    html = render_orders(northquay)
    assert "and C0034" in re.sub("<[^>]+>", "", html)
    assert "Work on brakes belongs to licensed people" in html


def test_a_part_is_named_in_the_readers_language_whatever_its_brand_is_called() -> None:
    """The kind has a column of its own: no word of a brand or number is taken for it."""
    work = {"site": "Northquay", "vehicle_id": "HX-211", "happened_at": day(4, 1), "n_all": 1}
    part = {"part_brand": "Misfire, Sons", "part_number": "EGR valve", "part_label": "EGR valve"}
    row = work | part | {"finding": "parts_that_changed_nothing", "code": "P0401"}
    paid = FOUND["process_costs"][0] | {"finding": row["finding"]}
    rows = FOUND | {"habit_work": [row], "process_costs": [paid]}
    frames = fleet(findings=findings(rows))
    shown = replace(frames, settings=replace(frames.settings, language="de"))
    built = build_digest(shown).garage
    assert built is not None
    lists = next(p for p in built.orders if p.name == "Northquay").lists
    (line,) = next(own for own in lists if own.anchor == row["finding"]).lines
    assert line.what == "Misfire, Sons EGR valve AGR-Ventil"


def test_a_list_cut_short_says_how_many_there_are(northquay: OrdersPage) -> None:
    assert "The latest 1 of 22." in render_orders(northquay)


def test_money_leads_to_its_work_orders(page: GaragePage, northquay: OrdersPage) -> None:
    """Each amount is a link; behind it stand the amounts of all currencies and of each order."""
    habits = render_garage(page).partition('id="habits"')[2].partition("<section")[0]
    link = f'href="{northquay.page}#come_backs">'
    assert habits.replace("\xa0", " ").count(link) == 2, "EUR and CHF"
    repeated = northquay.lists[-1]
    assert (repeated.anchor, repeated.n) == ("come_backs", 9)
    assert not repeated.shows_verdict, "it is that of the work before"
    assert repeated.amounts.replace("\xa0", " ") == "2,310 EUR, 88 CHF"
    assert [line.cost.replace("\xa0", " ") for line in repeated.lines] == ["88 CHF"]


def test_the_worst_site_stands_first_and_the_too_few_last(page: GaragePage) -> None:
    sites = page.groups[0]
    assert [row.name for row in sites.rows] == [
        "Northquay",
        "Hollin Yard",
        "Marrow Lane",
        "Outpost",
    ]


def test_the_limits_drawn_are_those_the_sites_were_judged_by(page: GaragePage) -> None:
    """The same exact Poisson limits, widened for over-dispersion, as ``analyses.funnels``."""
    chart = funnel_chart(page.groups[0].rows, Cells())
    assert isinstance(chart, FunnelChart)
    seen = [40, 9, 2, 1]
    expected = [21.0, 12.0, 9.0, 0.6]
    judged = funnel(seen, expected)
    widening = 1.4**0.5  # the fixture's spread
    for at, low, high in zip(chart.expected, chart.low, chart.high, strict=True):
        own = funnel([1], [at])  # one site alone: spread of its own, so only the shape is used
        unit_low = 1 - (1 - own.low[0]) / max(1.0, own.phi) ** 0.5 if own.low[0] > 0 else 0.0
        unit_high = 1 + (own.high[0] - 1) / max(1.0, own.phi) ** 0.5
        assert high == pytest.approx(min(chart.top, 1 + widening * (unit_high - 1)), rel=1e-9)
        if unit_low > 0:
            assert low == pytest.approx(max(0.0, 1 - widening * (1 - unit_low)), abs=1e-9)
    assert judged.ratio[0] == pytest.approx(chart.points[0].ratio, rel=1e-12)


def test_a_quarter_with_next_to_nothing_settled_has_no_share(page: GaragePage) -> None:
    """Two fixes judged, both on watch or just back: 100 % would be read as a result."""
    assert isinstance(page.held, HeldChart)
    assert [point.share is None for point in page.held.points] == [False, True, False, True]
    drawn = draw_held(page.held, WIDE, "Held", Cells())
    assert drawn.count('class="dot"') == 2
    assert len(re.findall(r">n\W\d+<", drawn)) == 4, (
        "how many could be judged is told of every quarter"
    )
    told = render_garage(page).partition('id="held"')[2].partition("</section")[0]
    assert "100" not in told.partition("<tbody>")[2].partition("2025-Q2")[2].partition("</tr>")[0]
    assert "too few held or came back" in told


def test_the_table_of_quarters_adds_up_to_all_fixes(page: GaragePage) -> None:
    html = render_garage(page).partition('id="held"')[2].partition("</table")[0]
    body = html.partition("<tbody>")[2].split("<tr>")[1:]
    rows = [re.findall(r"<td[^>]*>(\d+)", row) for row in body]
    assert len(rows) == 4
    for row in rows:
        every, *parts = [int(cell) for cell in row[:7]]
        assert every == sum(parts)


def test_the_summary_is_of_the_latest_quarter_with_enough_judged(page: GaragePage) -> None:
    assert isinstance(page.held, HeldChart)
    assert page.held.summary.replace("\xa0", " ").startswith("4 quarters; in 2025-Q1 70 % held")


def test_sites_tell_of_how_many_repairs_so_many_were_judged(page: GaragePage) -> None:
    """Bare clears are no work that is judged: 85 of the 90 attempts are repairs."""
    sites = render_garage(page).partition('id="level-site"')[2].partition("</section")[0]
    assert "Repairs judged, of all" in sites
    assert "80 of 85" in sites
    assert "of 90" not in sites


def test_a_short_lived_part_has_a_sheet_with_the_units_that_failed(page: GaragePage) -> None:
    part = page.parts[0]
    assert isinstance(part.life, LifeChart)
    assert [line.row.vehicle_id for line in part.claims] == ["HX-204", "HX-211"]
    # by hand: 4 units, one fails at 4,000 of 4 at risk, one at 9,000 of 3: 3/4, 3/4 * 2/3
    assert part.life.share == pytest.approx((1.0, 0.75, 0.5), rel=1e-12)
    assert part.life.km == (0.0, 4_000.0, 9_000.0)
    assert part.life.b10 == (4_000.0, 9_000.0, 16_000.0)


def test_a_claim_says_at_which_place_the_part_sat(page: GaragePage) -> None:
    sheet = render_garage(page).partition('id="part-1"')[2].partition("</section")[0]
    assert '<th scope="col">Place</th>' in sheet
    assert "Front right" in sheet


def test_pages_about_parts_of_brakes_carry_the_caution_for_brakes(page: GaragePage) -> None:
    (units,) = [orders for orders in page.orders if orders.level == "part"]
    caution = "Work on brakes belongs to licensed people"
    assert render_garage(page).count(caution) == 1
    assert caution in render_orders(units)


def test_parts_without_a_failure_are_counted_not_listed(page: GaragePage) -> None:
    assert [view.row.part_number for view in page.parts] == ["KX-11", "TD-9"]
    assert page.unjudged_parts == 1


def test_the_picture_of_parts_has_those_that_could_be_compared(page: GaragePage) -> None:
    """Rows without an interval hide those with one; a long name is divided, never cut."""
    assert isinstance(page.lives, IntervalChart)
    (row,) = page.lives.rows
    assert (row.name, row.under) == ("Wheel speed sensor", "Brellow KX-11, 6 of 12 failed")
    assert row.whole == "Wheel speed sensor: Brellow KX-11"
    parts = render_garage(page).partition('id="parts"')[2]
    assert "kind of part with a failure is only in the table" in parts


def test_money_of_different_currencies_stands_apart(page: GaragePage) -> None:
    costs = next(table.costs for table in page.process if table.finding == "come_backs")
    assert [(cost.currency, cost.cost) for cost in costs] == [("CHF", 88.0), ("EUR", 2_310.0)]


def test_without_findings_the_page_says_so() -> None:
    empty = build_digest(fleet()).garage
    assert empty is not None
    assert empty.looks == ()
    assert isinstance(empty.held, Dash)
    html = render_garage(empty)
    assert "Nothing stands out." in html
    assert "no work order names a site" in html
    sheet = render_quality_sheet(empty)
    assert "Nothing stands out" in sheet
    assert "too few fixes have held or come back yet" in sheet


@pytest.mark.parametrize("layout", [WIDE, NARROW], ids=["wide", "narrow"])
def test_every_picture_is_small_and_inside_its_frame(page: GaragePage, layout: Layout) -> None:
    held, life = page.held, page.parts[0].life
    chart, rows = funnel_chart(page.groups[0].rows, Cells()), page.groups[0].intervals
    assert isinstance(rows, IntervalChart)
    assert isinstance(held, HeldChart)
    assert isinstance(chart, FunnelChart)
    assert isinstance(life, LifeChart)
    many = replace(chart, points=tuple(replace(chart.points[0], name=str(i)) for i in range(200)))
    long = replace(life, km=tuple(map(float, range(150))), share=(0.5,) * 150, low=(0.4,) * 150,
                   high=(0.6,) * 150)  # fmt: skip
    for draw in (
        lambda: draw_held(held, layout, "t", Cells()),
        lambda: draw_funnel(chart, layout, "n", "t", Cells()),
        lambda: draw_funnel(many, layout, "n", "t", Cells()),
        lambda: draw_intervals(rows, layout, "n", "t", Cells()),
        lambda: draw_intervals(_twenty(rows), layout, "n", "t", Cells()),
        lambda: draw_life(life, layout, "n", "t", Cells()),
        lambda: draw_life(long, layout, "n", "t", Cells()),
    ):
        drawn = draw()
        assert len(drawn.encode()) < LARGEST
        assert "<title" in drawn
        assert "<desc" in drawn
        height = float(re.findall(r'viewBox="0 0 [\d.]+ ([\d.]+)"', drawn)[0])
        for x, y in re.findall(r'(?:M|L| x=")(-?[\d.]+)(?:,|" y=")(-?[\d.]+)', drawn):
            assert -1 <= float(x) <= layout.width
            assert -1 <= float(y) <= height


def _twenty(chart: IntervalChart) -> IntervalChart:
    """Give the chart as many rows as are ever drawn, the intervals partly beyond its end."""
    wide = Interval(0.3, 9.0, None)
    row = replace(chart.rows[0], name="A name that is far too long for its place " * 2)
    return replace(chart, rows=(replace(row, own=wide, apart=wide),) * ROWS)


def test_a_site_has_its_interval_and_that_without_the_part_brands_in_one_row(
    page: GaragePage,
) -> None:
    """The second has another shape and its own line in the legend, not another colour only."""
    chart = page.groups[0].intervals
    assert isinstance(chart, IntervalChart)
    first = chart.rows[0]
    assert (first.name, first.result) == ("Northquay", "clearly more")
    assert first.own is not None
    assert first.own.at == pytest.approx(40 / 21, rel=1e-12)
    assert first.apart == Interval(1.1, 1.6, 2.3)
    sites = render_garage(page).partition('id="level-site"')[2].partition("</section")[0]
    assert sites.count('class="apart-mark"') == 2 * 3 + 1, "three sites wide and narrow, legend"
    assert "the same with the part brands taken out" in sites


def test_a_legend_explains_only_signs_that_its_picture_has(page: GaragePage) -> None:
    chart = page.groups[0].intervals
    assert isinstance(chart, IntervalChart)
    for rows, n_worse, n_dot in ((chart.rows[:1], 1, 0), (chart.rows, 1, 1)):
        group = replace(page.groups[0], intervals=replace(chart, rows=rows))
        html = render_garage(replace(page, groups=(group,)))
        legend = html.partition('id="level-site"')[2].partition('class="legend"')[2]
        legend = legend.partition("</ul>")[0]
        assert legend.count("clearly worse") == n_worse
        assert legend.count("not clearly different") == n_dot
        assert legend.replace("\u00a0", " ").count("95 % range") == 1


def test_a_name_too_long_for_its_line_goes_on_in_a_second(page: GaragePage) -> None:
    chart = page.groups[0].intervals
    assert isinstance(chart, IntervalChart)
    row = replace(chart.rows[0], name="Orchard Lane measures before it fits a part")
    drawn = draw_intervals(replace(chart, rows=(row,)), WIDE, "n", "t", Cells())
    assert ">Orchard Lane measures before<" in drawn
    assert ">it fits a part<" in drawn


def test_of_too_few_repairs_a_row_has_words_and_no_mark(page: GaragePage) -> None:
    chart = page.groups[0].intervals
    assert isinstance(chart, IntervalChart)
    assert (chart.rows[-1].result, chart.rows[-1].own) == ("too few to say", None)


def test_a_column_that_says_the_same_of_all_is_left_out(page: GaragePage) -> None:
    assert not page.groups[0].shows_lost
    assert "Vehicle not scanned again" not in render_garage(page)


@pytest.mark.parametrize("shown", [False, True])
def test_people_are_compared_only_where_that_is_switched_on(shown: bool) -> None:  # noqa: FBT001
    frames = fleet(findings=findings())
    settings = replace(frames.settings, technicians=shown)
    built = build_digest(replace(frames, settings=settings)).garage
    assert built is not None
    html = render_garage(built)
    assert ("M. Orrel" in html) is shown
    assert ("Technicians are not compared by name" in html) is not shown


def test_a_site_that_stands_out_says_what_would_have_been_spared(page: GaragePage) -> None:
    """By hand: 40 - 21 = 19; limits 0.8 and 1.3 times 40/21, so 32 - 21 = 11 and 52 - 21 = 31.

    A repeat order costs 150 EUR in the median: 2,850, 1,650 and 4,650, told with two figures.
    """
    northquay = page.groups[0].rows[0]
    spared = saving(northquay)
    assert spared is not None
    assert (spared.n, spared.low, spared.high) == pytest.approx((19, 11, 31), rel=1e-12)
    prices = [RepeatPrice("CHF", 3, 90.0), RepeatPrice("EUR", 20, 150.0)]
    spent = [ProcessCost("Northquay", "come_backs", "EUR", 12, 12, 2_000.0)]
    price = price_of(northquay, prices, spent)
    assert saving_words(spared, price, Cells()).replace("\xa0", " ") == (
        "If these repairs had held as elsewhere: about 19 fewer come-backs (between 11 and 31), "
        "about 2,800 EUR (between 1,600 EUR and 4,600 EUR)."
    )


def test_a_difference_within_chance_is_worth_nothing(page: GaragePage) -> None:
    northquay, hollin, *_ = page.groups[0].rows
    assert saving(hollin) is None, "not flagged"
    assert saving(replace(northquay, ratio_low=0.97)) is None, "its range reaches across 1"


def test_no_money_is_told_of_orders_without_prices_or_in_several_currencies(
    page: GaragePage,
) -> None:
    northquay = page.groups[0].rows[0]
    prices = [RepeatPrice("CHF", 30, 90.0), RepeatPrice("EUR", 4, 150.0)]
    euros = ProcessCost("Northquay", "come_backs", "EUR", 4, 4, 600.0)
    francs = ProcessCost("Northquay", "come_backs", "CHF", 6, 6, 600.0)
    assert price_of(northquay, prices, []) is None
    assert price_of(northquay, prices, [euros]) is None, "four prices are too few"
    assert price_of(northquay, prices, [euros, francs]) is None, "no currency has nearly all"
    assert price_of(northquay, prices, [francs]) == prices[0]


def test_a_sheet_for_a_meeting_has_its_points_with_their_figures(page: GaragePage) -> None:
    html = render_quality_sheet(page).replace("\xa0", " ")
    points = html.partition('id="points"')[2].partition("</ol>")[0]
    assert len(page.looks) == 4
    assert points.count("<li>") == 3, "four long ones would run onto a second sheet"
    assert "40 come-backs observed, 21.0 expected: 1.9 times (1.5 to 2.5)" in points
    assert "1 more on the page." in html
    few = render_quality_sheet(replace(page, looks=page.looks[:3])).replace("\xa0", " ")
    assert "more on the page." not in few
    assert html.count("<svg") >= 2


def test_a_part_known_to_last_at_most_so_long_has_its_mark_and_its_words_on_the_sheet() -> None:
    """It had neither: "14 of 23 failed." and a line without a mark."""
    row = next(row for row in FOUND["parts"] if row["part_number"] == "KX-11")
    bound = row | {"life_ratio_to_peers": 0.002, "ratio_low": 0.0001, "ratio_high": 0.4}
    built = build_digest(fleet(findings=findings(FOUND | {"parts": [bound]}))).garage
    assert built is not None
    look = next(look for look in built.looks if look.target == "part-1")
    assert (
        look.short.replace("\xa0", " ")
        == "6 of 12 failed; lasts at most 40 % as long as similar parts."
    )
    assert isinstance(built.lives, IntervalChart)
    assert 'class="out-worse"' in draw_intervals(built.lives, WIDE, "n", "t", Cells())


def test_a_finding_in_km_is_told_in_miles_to_who_reads_miles() -> None:
    built = build_digest(fleet(findings=findings(), units="mi")).garage
    assert built is not None
    text = render_garage(built).replace("\u00a0", " ")
    assert "6 of 12 parts failed in 111,847 mi together." in text
    assert not re.search(r"\d km\b", text)


def test_each_change_is_told_and_those_with_figures_are_drawn(page: GaragePage) -> None:
    """One look as the first line of a row, any number of looks as the one below."""
    changed = page.changed
    assert changed is not None
    assert changed.chart is not None
    assert [line.name for line in changed.lines] == [row["name"] for row in FOUND["interventions"]]
    assert [(row.name, row.mark) for row in changed.chart.rows] == [
        ("Hollin Yard fits hose B", "better"),
        ("Software 4.2", "worse"),
        ("Brellow again", "ordinary"),
    ]
    first = changed.lines[0]
    assert (first.touched.before, first.touched.after_of) == ("18\u00a0%", "80\u00a0fixes")
    assert first.sentence.replace("\u00a0", " ").startswith("Of 100 fixes 9.2 fewer")
    html = render_garage(page)
    assert html.count("chart intervals") >= 2
    assert all(line.name in html for line in changed.lines)
    assert "intervals-changed" not in render_garage(replace(page, changed=None))
