"""Pages of vehicles of which nothing changed stay; all pages are as if each were made anew."""

from collections.abc import Collection, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest
from hypothesis import Phase, given, settings

from afterclear.commands.analysis.analysing import analyse
from afterclear.commands.app import App
from afterclear.commands.intake.loading import Whose, load_paths
from afterclear.commands.pages.page_frames import StoreDetails
from afterclear.commands.pages.told_figures import as_told
from afterclear.commands.pages.write_digests import DigestAsked, digest, digest_again
from afterclear.digest.common.assess import Setting
from afterclear.digest.common.file_names import sheet_page, vehicle_page
from afterclear.digest.input.frames import DigestSettings
from afterclear.digest.page_facts import PageFacts, _cures_told
from afterclear.store.engine.database import open_store
from afterclear.wording.cells import Cells
from tests.campaigns import repeats
from tests.commands.fleet_bench import Bench
from tests.commands.random_fleets import UNHURRIED, Delivery, Fleet, fleets
from tests.commands.small_fleet import AS_OF, small_fleet
from tests.findings.test_cures import cure

_QUIET_NIGHTS = (1, 30, 70)  # days between digests in which nothing comes
_DAY = datetime(2026, 5, 1, tzinfo=UTC)
_SCAN = (
    "scan_id,vehicle_id,scanned_at,odometer_km,scan_scope,ecu,code\n"
    "later,K-4,2026-05-19T08:00:00Z,38000,full,engine,P0171\n"
)


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    return Bench(tmp_path_factory.mktemp("bench"))


def written(app: App) -> dict[str, tuple[int, int]]:
    """When each file was written; a page that is written is a new file."""
    files = (path for path in app.reports.rglob("*.html") if path.is_file())
    told = {path: path.stat() for path in files}
    return {
        path.relative_to(app.reports).as_posix(): (stat.st_ino, stat.st_mtime_ns)
        for path, stat in told.items()
    }


def differing(app: App) -> tuple[str, ...]:
    """Write a digest, make all its pages anew, and name those that differ."""
    return digest_again(app, digest(app).digest_id).differing


@pytest.mark.slow
def test_a_page_is_written_again_when_something_about_its_vehicle_changed(tmp_path: Path) -> None:
    app = small_fleet(tmp_path)
    digest(app)
    before = written(app)
    file = tmp_path / "inbox" / "more.csv"
    file.write_text(_SCAN, encoding="utf-8")
    load_paths(app, [file], Whose(), lambda _: None)
    analyse(app, as_of=AS_OF + timedelta(hours=1))
    assert differing(app) == ()
    after = written(app)
    assert after["index.html"] != before["index.html"]
    assert after[vehicle_page("K-4")] != before[vehicle_page("K-4")]
    assert after[vehicle_page("K-3")] == before[vehicle_page("K-3")]


@pytest.mark.slow
def test_what_somebody_changed_or_removed_in_the_folder_is_written_again(tmp_path: Path) -> None:
    app = small_fleet(tmp_path)
    digest(app)
    wanted = {path: path.read_bytes() for path in app.reports.rglob("*.html")}
    (app.reports / vehicle_page("K-2")).write_text("scribbled over", encoding="utf-8")
    (app.reports / vehicle_page("K-3")).unlink()
    (app.reports / sheet_page("K-1")).unlink()
    untouched = written(app)[vehicle_page("K-4")]
    digest(app)
    assert {path: path.read_bytes() for path in app.reports.rglob("*.html")} == wanted
    assert written(app)[vehicle_page("K-4")] == untouched


@pytest.mark.slow
def test_a_page_that_stays_is_known_without_its_scans(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its history is known by a mark; only pages that are made read what grows with the scans."""
    app, fleet_alone = small_fleet(tmp_path), DigestAsked(audiences=("fleet",))
    asked: list[str] = []
    whole = StoreDetails.__call__

    def noted(
        self: StoreDetails, vehicle_ids: Sequence[str], tables: Collection[str]
    ) -> Mapping[str, pl.DataFrame]:
        asked.extend(vehicle for vehicle in vehicle_ids if "observations" in tables)
        return whole(self, vehicle_ids, tables)

    monkeypatch.setattr(StoreDetails, "__call__", noted)
    digest(app, fleet_alone)
    assert asked
    asked.clear()
    digest(app, fleet_alone)
    assert not asked
    with open_store(app.store) as con:
        con.execute("UPDATE vehicle_clocks SET mark = uuid() WHERE vehicle_id = 'K-4'")
    digest(app, fleet_alone)
    assert asked == ["K-4"]


@pytest.mark.slow
def test_another_setting_makes_every_page_again(tmp_path: Path) -> None:
    app = small_fleet(tmp_path)
    digest(app)
    (tmp_path / "config" / "afterclear.toml").write_text('[digest]\nunits = "mi"\n')
    turned = small_fleet_in_miles(app)
    assert differing(turned) == ()
    assert "\u00a0mi" in (app.reports / vehicle_page("K-4")).read_text(encoding="utf-8")


def small_fleet_in_miles(app: App) -> App:
    return type(app)(type(app.config)(app.config.folder), app.store, app.clock)


def check_nights(bench: Bench, fleet: Fleet) -> int:
    """Write a digest after each delivery, at last in quiet nights; give how many pages stay."""
    stayed = 0

    def tell() -> None:
        nonlocal stayed
        before = written(bench.app)
        assert differing(bench.app) == ()
        now = written(bench.app)
        stayed += sum(now.get(name) == own for name, own in before.items() if "again" not in name)

    def analyse_and_tell(delivery: Delivery) -> None:
        analyse(bench.app, full=delivery.is_full, as_of=delivery.as_of)
        for saying in delivery.sayings:
            bench.say(saying)
        tell()

    bench.go(fleet, analyse_and_tell)
    as_of = fleet.deliveries[-1].as_of
    for days in _QUIET_NIGHTS:
        as_of += timedelta(days=days)
        analyse(bench.app, as_of=as_of)
        tell()
    return stayed


@pytest.mark.slow
@settings(UNHURRIED, max_examples=repeats(1), phases=[Phase.generate])
@given(fleet=fleets(fewest=3, turns=("none", "forgotten")))
def test_pages_of_random_nights_are_those_made_anew(bench: Bench, fleet: Fleet) -> None:
    """Fixes fall due and odometers fall silent in between; the vehicles that are quiet stay."""
    assert check_nights(bench, fleet) > 0


@pytest.mark.parametrize(
    ("until", "as_of", "holds"),
    [
        (None, _DAY, True),
        (None, _DAY - timedelta(days=1), False),  # made later than it is asked for
        (_DAY + timedelta(days=2), _DAY + timedelta(days=1), True),
        (_DAY + timedelta(days=2), _DAY + timedelta(days=2), False),
    ],
)
def test_a_page_holds_from_the_day_it_was_made_until_it_would_say_something_else(
    until: datetime | None, as_of: datetime, *, holds: bool
) -> None:
    made = PageFacts("of these", _DAY, until, {})
    assert made.hold("of these", as_of) == holds
    assert not made.hold("of others", as_of)


def test_figures_that_no_page_shows_are_rounded_away_and_none_crosses_a_limit() -> None:
    exact = pl.DataFrame(
        {
            "p_not_held": [1e-9, 0.04961, 0.12345, 0.999, None],
            "p_worn": [0.024, 0.026, 0.4969, 0.5041, None],
            "p_new": [0.59999, 0.6001, 0.999, 1.0, 0.72],
            "km_to_go": [0.0, 13.0, 2281.4, 2300.0000001, None],
            "clean_km": [10.0] * 5,
            "needed_km": [10.0, 23.0, 2291.4, None, None],
        }
    )
    told = as_told(exact)
    assert told["p_not_held"].to_list() == [0.005, 0.05, 0.12, 0.995, None]
    assert told["p_worn"].to_list() == [0.0, 0.05, 0.49, 0.5, None]
    assert told["p_new"].to_list() == [0.59, 0.6, 0.99, 1.0, 0.7]
    assert told["km_to_go"].to_list() == [0.0, 13.0, 2300.0, 2300.0, None]
    assert told["needed_km"].to_list() == [10.0, 23.0, 2310.0, None, None]
    cells = Cells()
    for share, rounded in zip(exact["p_new"], told["p_new"], strict=True):
        assert cells.cause(rounded) == cells.cause(share)
    for km, rounded in zip(exact["km_to_go"][1:4], told["km_to_go"][1:4], strict=True):
        assert cells.to_drive(rounded) == cells.to_drive(round(km, 3))


def test_a_vehicle_with_a_fault_is_told_when_another_fix_cured_such_a_fault() -> None:
    """Its page says what cured it in the fleet; a vehicle whose fault is gone says nothing."""
    episodes = pl.DataFrame(
        {
            "vehicle_id": ["K-1", "K-2", "K-4"],
            "family": ["misfire:cylinder_1", "misfire:cylinder_1", "fuel_mixture"],
            "ended_by": ["open", "clear", "open"],
        }
    )
    before, after = (_cures_told({"episodes": episodes}, _with_cures(n_held)) for n_held in (5, 6))
    assert before.keys() == {"K-1"}
    assert before != after


def _with_cures(n_held: int) -> Setting:
    cures = {"misfire": (cure("replace:ignition_coil", 9, n_held, 2),)}
    return Setting(_DAY, Cells(), DigestSettings(), {}, cures=cures)
