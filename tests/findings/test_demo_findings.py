"""What was planted in the sample data is found, and what is ordinary is not flagged.

The stories stand in sample_data/STORIES.md.  What was true of each fault is known to the
simulation (``tests.scenario``), so flags can be held against it.
"""

from datetime import UTC, timedelta

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from afterclear.commands.analysis.analysing import analyse, last_event
from afterclear.commands.app import App
from afterclear.commands.init_and_demo import DemoReport
from afterclear.commands.queries.exporting import export_frame
from afterclear.finding_tables.registry import FINDINGS, PAGE_FINDINGS
from afterclear.findings.parts import part_units
from afterclear.store.engine.database import open_store, query
from afterclear.wording.cells import Cells
from afterclear.wording.exported import with_sentences
from tests.scenario.simulate import simulate

CONTRACT = {  # columns others read, first and in this order
    "recurring": "vehicle_id ecu code family n_episodes exposure_km rate_per_10000km "
    "peer_rate_per_10000km p_excess q_value flagged",
    "worsening": "vehicle_id n_events exposure_km trend p_value q_value shape",
    "parts": "part_number part_brand part_family position n_fitted n_failed km_observed b10_km "
    "b10_low_km b10_high_km shape life_ratio_to_peers ratio_low ratio_high q_value flagged method",
    "sites": "site n_attempts n_judged observed expected ratio ratio_low ratio_high limit flagged "
    "lost_to_follow_up",
}
for _level in ("technicians", "brands", "grades"):
    CONTRACT[_level] = CONTRACT["sites"].replace("site", _level.removesuffix("s"), 1)


@pytest.fixture(scope="module")
def app(demo_run: tuple[App, DemoReport]) -> App:
    return demo_run[0]


@pytest.fixture(scope="module")
def tables(app: App) -> dict[str, pl.DataFrame]:
    return {name: export_frame(app, name) for name in PAGE_FINDINGS}


@pytest.mark.parametrize("name", CONTRACT)
def test_exports_begin_with_the_columns_of_the_contract(
    tables: dict[str, pl.DataFrame], name: str
) -> None:
    wanted = CONTRACT[name].split()
    assert tables[name].columns[: len(wanted)] == wanted
    assert len(tables[name])


@pytest.mark.parametrize("name", [f.name for f in FINDINGS if f.method or f.name == "parts"])
def test_every_finding_has_a_sentence_without_names(
    tables: dict[str, pl.DataFrame], name: str
) -> None:
    """Names stand in columns of their own, where they can be replaced by tokens."""
    told = tables[name]["sentence"]
    assert told.null_count() == 0
    assert told.str.ends_with(".").all()
    named = "Orrinby|Velmarsh|Tessgarth|Quarrowsend|Ostrelle|P-208|M-102|Cadrowen"
    assert not told.str.contains(named).any()


@pytest.mark.parametrize("name", [f.name for f in FINDINGS if f.says])
def test_another_unit_or_language_needs_no_new_analysis(app: App, name: str) -> None:
    """The same stored rows, told in miles and in German: no km, and no English left."""
    with open_store(app.store, read_only=True) as con:
        stored = query(con, PAGE_FINDINGS[name])
    english = with_sentences(name, stored, Cells("mi"))["sentence"]
    german = with_sentences(name, stored, Cells("mi", language="de"))["sentence"]
    assert len(stored)
    assert not english.str.contains(r"\bkm\b").any()
    assert not german.str.contains(r"\bkm\b|\b(the|of|and|with|to|peers)\b").any()


@pytest.mark.parametrize("name", ["recurring", "parts", "sites", "process"])
def test_every_flag_carries_its_n_effect_interval_q_and_method(
    tables: dict[str, pl.DataFrame], name: str
) -> None:
    own = {
        "recurring": ["n_onsets", "ratio", "ratio_low", "ratio_high"],
        "parts": ["n_failed", "life_ratio_to_peers", "ratio_low", "ratio_high"],
        "process": ["n", "odds_ratio", "odds_low", "odds_high"],
    }.get(name, ["n_judged", "ratio", "ratio_low", "ratio_high"])
    flagged = tables[name].filter("flagged")
    assert len(flagged)
    assert flagged.select(*own, "q_value", "method").null_count().sum_horizontal().item() == 0


def test_the_weak_brand_is_the_only_one_flagged_short_lived(
    tables: dict[str, pl.DataFrame],
) -> None:
    """Cadrowen's sensors: 20 fitted, 17 taken out; simulated lives 4,500 to 220,000 km.

    Four came back so soon that the fix is likelier to have failed than the sensor.
    """
    flagged = tables["parts"].filter("flagged")
    assert flagged["part_brand"].to_list() == ["Cadrowen"]
    (weak,) = flagged.to_dicts()
    assert (weak["part_number"], weak["part_family"]) == ("CW4410", "wheel_speed_sensor")
    assert (weak["n_fitted"], weak["n_failed"], weak["n_not_held"]) == (20, 13, 4)
    assert weak["ratio_high"] < 0.25
    assert weak["to_expected_high"] < 1


def test_the_claim_sheet_lists_each_of_its_units_with_work_orders(
    tables: dict[str, pl.DataFrame],
) -> None:
    sheet = tables["claims"].filter(part_brand="Cadrowen")
    failed = sheet.filter(ended_by="failure")
    assert (len(sheet), len(failed)) == (20, 13)
    names = "fitted_at fitted_km fitted_repair_id removed_at removed_km removed_repair_id part_cost"
    told = failed.select("vehicle_id", "km_run", "currency", *names.split())
    assert told.null_count().sum_horizontal().item() == 0
    assert (failed["km_run"] - (failed["removed_km"] - failed["fitted_km"])).abs().max() < 1e-6
    assert failed["km_run"].max() < 15_000


def test_parts_taken_out_after_failed_fixes_are_no_failures(
    tables: dict[str, pl.DataFrame],
) -> None:
    """The simulation knows which work cured: told apart are mostly sound parts.

    Orders for one fault only: of an order for several a part would be held against the other
    faults' cures, too.
    """
    truths = pl.DataFrame(
        [
            (t.vehicle_id, t.at.replace(tzinfo=UTC), t.cured)
            for t in simulate()[1].truths
            if t.kind == "repair"
        ],
        schema={"vehicle_id": pl.String, "at": pl.Datetime("us", "UTC"), "cured": pl.Boolean},
        orient="row",
    ).filter(pl.len().over("vehicle_id", "at") == 1)
    ended = (
        tables["claims"].filter(pl.col("p_fix_failed").is_not_null()).join(truths, on="vehicle_id")
    )
    ended = ended.filter((pl.col("fitted_at") - pl.col("at")).abs() < timedelta(hours=12))
    share = dict(ended.group_by("ended_by").agg(pl.col("cured").mean()).iter_rows())
    assert share["failure"] >= 0.75  # 13 of 14
    assert share["not_held"] < 0.3  # 7 of 42


def test_orrinbys_fixes_do_not_hold_and_the_others_do(tables: dict[str, pl.DataFrame]) -> None:
    """51 of 128 did not cure there, 21 of 145 elsewhere."""
    sites = {row["site"]: row for row in tables["sites"].to_dicts()}
    assert [site for site, row in sites.items() if row["flagged"]] == ["Orrinby"]
    assert sites["Orrinby"]["ratio_low"] > 1
    assert sites["Orrinby"]["rank"] == 1
    assert sites["Orrinby"]["n_seen_elsewhere"] >= 1  # P-212, seen at Velmarsh


def test_the_weak_brand_lives_short_but_its_fixes_hold(tables: dict[str, pl.DataFrame]) -> None:
    """Cadrowen's sensors die young: that is told of the part, not of the work that fitted it."""
    brands = {row["brand"]: row for row in tables["brands"].to_dicts()}
    assert [brand for brand, row in brands.items() if row["flagged"]] == []
    assert brands["Cadrowen"]["apart_from"] == "site"
    orrinby = next(row for row in tables["sites"].to_dicts() if row["site"] == "Orrinby")
    assert orrinby["apart_from"] == "brand"
    assert orrinby["ratio_apart"] > 1.5  # its own effect is there beside the brand's


def test_no_technician_is_flagged_for_a_sites_habit(tables: dict[str, pl.DataFrame]) -> None:
    """All of Orrinby's fail alike; none stands out beside colleagues."""
    own = tables["technicians"]
    assert not own["flagged"].any()
    assert (own["ratio_apart_low"] > 1).sum() <= 1  # of ten, at 95 % each


def test_the_habits_of_sites_are_found(tables: dict[str, pl.DataFrame]) -> None:
    flagged = {
        (row["finding"], row["site"]) for row in tables["process"].filter("flagged").to_dicts()
    }
    assert flagged == {
        ("bare_clears", "Tessgarth"),
        ("no_scan_after_repair", "Quarrowsend"),
        # nobody planted it: Orrinby's fixes fail, so it fits again; worn parts are no waste
        ("part_fitted_again", "Orrinby"),
    }
    again = tables["process"].filter(finding="part_fitted_again")
    assert again.sort("share")["site"][-1] == "Orrinby"
    assert again.filter(site="Orrinby")["odds_low"].item() > 1
    quarrowsend = tables["process"].filter(site="Quarrowsend", finding="no_scan_after_repair")
    assert quarrowsend["share"].item() == 1


def test_money_is_kept_apart_by_currency(tables: dict[str, pl.DataFrame]) -> None:
    costs = tables["process_costs"]
    assert set(costs["currency"]) == {"EUR", "CHF"}
    orders = tables["process_orders"].drop_nulls("cost")
    own = orders.select(pl.col("repair_id").str.head(1).alias("by"), "currency").unique()
    assert dict(own.iter_rows()) == {"A": "EUR", "B": "EUR", "C": "EUR", "D": "CHF"}
    again = tables["process_orders"].filter(finding="part_fitted_again", vehicle_id="P-211")
    assert any("NV-3107" in what for what in again["what"])
    wasted = tables["process_orders"].filter(
        finding="parts_that_changed_nothing", vehicle_id="P-203"
    )
    assert wasted["cost"].drop_nulls().len() >= 1  # the steering angle sensor for an echo


def test_the_worsening_vehicle_is_the_only_one(tables: dict[str, pl.DataFrame]) -> None:
    """P-208: eleven faults, each mended for good, at ever shorter distances."""
    worse = tables["worsening"].filter(trend="worsening")
    assert worse["vehicle_id"].to_list() == ["P-208"]
    assert worse["n_events"].item() == 11
    few = tables["worsening"].filter(pl.col("n_events") < 8)
    assert set(few["trend"]) == {"too_few"}


def test_the_recurring_code_is_flagged(tables: dict[str, pl.DataFrame]) -> None:
    row = tables["recurring"].filter(vehicle_id="M-102", code="P0171")
    assert row["flagged"].item()
    assert row["n_episodes"].item() == 7


def test_few_flags_of_recurring_codes_are_chance(app: App, tables: dict[str, pl.DataFrame]) -> None:
    """Flags rest on q below .1: at most one in ten may be of a code nothing was wrong with.

    Something was, where an attempt at it did not cure (the simulation knows), or where it began
    three times (a weak sensor fitted again and again cures, and dies).
    """
    flagged = tables["recurring"].filter("flagged")
    truths = pl.DataFrame(
        [(t.vehicle_id, t.at.replace(tzinfo=UTC)) for t in simulate()[1].truths if not t.cured],
        schema={"vehicle_id": pl.String, "at": pl.Datetime("us", "UTC")},
        orient="row",
    )
    near = (pl.col("attempted_at") - pl.col("at")).abs() < timedelta(hours=12)
    wrong = (
        export_frame(app, "attempts")
        .join(truths, on="vehicle_id")
        .filter(near)
        .select("vehicle_id", "code")
        .unique()
    )
    by_chance = flagged.join(wrong, on=["vehicle_id", "code"], how="anti").filter(
        pl.col("n_onsets") < 3
    )
    assert len(by_chance) <= 0.1 * len(flagged), by_chance.select("vehicle_id", "code")


@pytest.mark.slow
def test_a_second_analysis_says_the_same_to_the_last_digit(
    app: App, tables: dict[str, pl.DataFrame]
) -> None:
    analyse(app, full=True, as_of=last_event(app))
    for name, before in tables.items():
        assert export_frame(app, name).equals(before), name


@pytest.mark.slow
def test_families_followed_one_by_one_live_as_all_at_once(
    app: App, tables: dict[str, pl.DataFrame], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A large fleet's families do not fit into memory together."""
    monkeypatch.setattr(part_units, "_ROWS_AT_ONCE", 1)
    analyse(app, full=True, as_of=last_event(app))
    for name in ("parts", "claims"):
        assert_frame_equal(export_frame(app, name), tables[name], rel_tol=1e-9)


def test_every_frame_for_the_pages_can_be_made(app: App) -> None:
    with open_store(app.store, read_only=True) as con:
        made = {name: len(query(con, sql)) for name, sql in PAGE_FINDINGS.items()}
    assert all(made.values()), made


def test_no_code_erased_beside_an_order_is_told_as_a_bare_clear(app: App) -> None:
    """Of the sample's codes erased, those of a visit with an order name it, and no site clears."""
    with open_store(app.store, read_only=True) as con:
        erased = query(
            con,
            """SELECT a.attempt_id, a.beside_repair_id FROM attempts a
               WHERE a.kind = 'clear_only' AND a.counted_with IS NULL AND EXISTS (
                   FROM moment_km m WHERE m.vehicle_id = a.vehicle_id AND m.origin = 'repair'
                   AND abs(epoch(m.happened_at - a.attempted_at)) <= 12 * 3600)""",
        )
        bare = query(con, "FROM process_orders WHERE finding = 'bare_clears'")
    assert len(erased) > 20
    assert erased["beside_repair_id"].null_count() == 0
    assert len(bare) > 20
    assert not set(erased["attempt_id"]) & set(bare["attempt_id"])
