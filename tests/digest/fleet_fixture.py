"""An invented fleet with one story a vehicle, for tests and for looking at the pages."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import polars as pl

from afterclear.digest.input.frames import FRAME_ROWS, Caution, DigestSettings, StaleSource
from tests.digest.every_row import HistoryFrames, empty_frame
from tests.digest.findings_fixture import findings, nothing_found, work
from tests.digest.story import START, UNITS, Row, Story, Try, vehicle

AS_OF = START + timedelta(days=520, hours=9)
BEFORE = START + timedelta(days=490, hours=9)

_BRAKES = Caution(
    "Brakes",
    "Work on brakes belongs to licensed people and follows the maker's procedure. Erasing a "
    "code repairs nothing.",
)
_AIRBAG = Caution(
    "Airbags",
    "Airbag circuits can fire. Only qualified people work on them, by the maker's procedure.",
)
CAUTIONS = {
    "C0034": (_BRAKES,),
    "C0050": (_BRAKES,),
    "B0012": (_AIRBAG,),
    "C0545": (
        Caution("Steering", "Steering is checked and set up by the maker's procedure only."),
    ),
}

_PARTIAL = ("engine", "transmission")


def stories() -> list[Story]:
    """Tell every story of the fleet."""
    return [*_fixes(), *_safety_stories(), *_odd_ones()]


def _fixes() -> list[Story]:
    held = Story(vehicle("HX-204", "Haul 7", "Northquay", plate="NQ 204"), 41_200)
    held.fault("engine", "P0301", 70, 149).scan(10, 60, 95, 148, 152, 190, 260, 330, 410, 505)
    held.attempt(Try(149, "engine", "P0301", "held", "WO-1041", "replace", "ignition coil",
                     182.5, p=0.018, needed=9_000), "cylinder 1")  # fmt: skip

    back = Story(vehicle("HX-211", "Haul 7", "Northquay", plate="NQ 211"), 88_000, 150)
    back.fault("engine", "P0301", 200, 301).fault("engine", "P0301", 304, 470)
    back.fault("engine", "P0301", 500)
    back.scan(30, 120, 210, 240, units=_PARTIAL).scan(300, 306, 330, 360, 420, 468, 474, 488, 510)
    back.attempt(Try(301, "engine", "P0301", "came_back", "WO-1102", "replace", "spark plugs",
                     140.0, p=0.96, until=470), "cylinder 1")  # fmt: skip
    back.attempt(Try(470, "engine", "P0301", "came_back", "WO-1190", "replace", "ignition coil",
                     211.0, p=0.88, attempt_no=2), "cylinder 1")  # fmt: skip

    bare = Story(vehicle("HX-217", "Haul 9", "Hollin Yard", plate="HY 217"), 131_000, 95)
    bare.fault("engine", "P0401", 100, 329)
    bare.fault("engine", "P0401", 335)
    bare.scan(40, 110, 180, 219, 219.2, 250, 329, 332, 345, 400, 480, 512)
    bare.attempt(Try(219, "engine", "P0401", "came_back", stayed=True, until=329,
                     group=(51, 40)))  # fmt: skip
    bare.attempt(Try(329, "engine", "P0401", "came_back", p=0.99, attempt_no=2, group=(51, 40)))

    watch = Story(vehicle("HX-221", "Haul 9", "Hollin Yard", plate="HY 221"), 20_100, 80)
    watch.fault("engine", "P0299", 380, 460).scan(20, 90, 200, 300, 390, 459, 462, 480, 500, 515)
    watch.attempt(Try(460, "engine", "P0299", "on_watch", "WO-1188", "repair",
                      "charge air hose", 96.0, p=0.14, to_go=3_100))  # fmt: skip

    due = Story(vehicle("HX-226", "Haul 9", "Hollin Yard", plate="HY 226"), 61_000, 210)
    due.fault("transmission", "P0715", 340, 402).scan(15, 130, 260, 350, 401, 430, 455)
    due.attempt(Try(402, "transmission", "P0715", "on_watch", "WO-1161", "replace",
                    "input speed sensor", 233.0, p=0.08, to_go=2_400))  # fmt: skip
    due.read_odometer(500, "WO-1201").read_odometer(516, "WO-1207")
    return [held, back, bare, watch, due]


def _safety_stories() -> list[Story]:
    brake = Story(vehicle("BUS-07", "Omnia 12", "Marrow Lane", plate="ML 07"), 210_000, 240)
    brake.fault("brakes", "C0034", 300, 411).fault("gateway", "U0121", 330, 411)
    brake.fault("brakes", "C0034", 440)
    brake.scan(20, 80, 150, 240, 310, 340, 410, 413, 425).scan(450, 508)
    brake.attempt(Try(411, "brakes", "C0034", "came_back", "WO-1170", "replace",
                      "wheel speed sensor", 305.0, p=0.91), "front right")  # fmt: skip
    brake.attempt(Try(411, "gateway", "U0121", "held", "WO-1170", "replace",
                      "wheel speed sensor", 305.0, p=0.03), "front right")  # fmt: skip

    bag = Story(vehicle("BUS-09", "Omnia 12", "Marrow Lane", plate="ML 09"), 180_400, 220)
    bag.fault("airbag", "B0012", 400, 470).scan(60, 180, 320, 405, 469)
    bag.attempt(Try(470, "airbag", "B0012", "unchecked", "WO-1187", "repair",
                    "connector under the driver's seat", 88.0, p=0.22))  # fmt: skip
    bag.scan(480, 497, units=_PARTIAL)

    steer = Story(vehicle("BUS-12", "Omnia 9", "Marrow Lane", plate="ML 12"), 95_300, 200)
    steer.fault("steering", "C0545", 493).scan(33, 110, 190, 270, 350, 430, 485, 498, 514)

    mixed = Story(vehicle("BUS-15", "Omnia 9", "Marrow Lane", plate="ML 15"), 142_000, 190)
    mixed.fault("body", "B1318", 210, 290).fault("engine", "P0562", 205, 290)
    mixed.fault("engine", "P2002", 260).scan(50, 140, 215, 265, 289, 293, 340, 420, 506)
    mixed.attempt(Try(290, "engine", "P0562", "held", "WO-1096", "replace", "starter battery",
                      260.0, p=0.011, needed=6_000))  # fmt: skip
    mixed.attempt(Try(290, "body", "B1318", "held", "WO-1096", "replace", "starter battery",
                      260.0, p=0.009, needed=5_000))  # fmt: skip
    return [brake, bag, steer, mixed]


def _odd_ones() -> list[Story]:
    hours = Story(vehicle("PLANT-3", "Dray 40", "Hollin Yard"), 0, 9, clock="engine_hours")
    hours.fault("engine", "P2002", 120, 302).scan(30, 130, 220, 301, 320, 400, 490)
    hours.attempt(Try(302, "engine", "P2002", "on_watch", "WO-1105", "clean",
                      "particulate filter", 410.0, p=0.09, to_go=310))  # fmt: skip

    odometer = Story(vehicle("VAN-31", "Courier", "Northquay", plate="NQ 31"), 77_000, 60)
    odometer.scan(20, 75, 160, 240, 330, 420, 500)
    odometer.read_odometer(110, "WO-0999", 52_000, "units")
    odometer.read_odometer(280, "WO-1090", 938_000, "decimal")
    odometer.read_odometer(300, "WO-1099", 91_500, "single")

    left = Story(vehicle("VAN-34", "Courier", "Northquay", plate="NQ 34"), 30_000, 70)
    left.fault("engine", "P0562", 410, 495).scan(40, 150, 260, 370, 415, 480, 505)

    wiped = Story(vehicle("VAN-38", "Courier", "Northquay", plate="NQ 38"), 118_000, 85)
    wiped.fault("engine", "P2002", 180, 499).scan(35, 120, 200, 300, 410, 480, 503, 511)
    wiped.clear(500, "engine", origin="counter", low=497)
    wiped.tries.append(Try(500, "engine", "P2002", "on_watch", p=0.61, to_go=4_800,
                           group=(51, 40)))  # fmt: skip

    silent = Story(vehicle("VAN-40", "Courier", "Northquay", plate="NQ 40"), 56_000, 90)
    silent.fault("brakes", "C0050", 230, 351).scan(60, 160, 240, 350)
    silent.scan(380, 450, 509, silent=("brakes",))
    silent.attempt(Try(351, "brakes", "C0050", "unchecked", "WO-1130", "replace",
                       "wheel speed sensor", 290.0, p=0.2), "rear right")  # fmt: skip

    quiet = Story(vehicle("VAN-44", "Courier", "Hollin Yard"), 64_000, 50)
    quiet.fault("engine", "P0302", 180).scan(25, 100, 190, 250)
    sold = Story(vehicle("VAN-45", "Courier", "Hollin Yard", stock_status="sold"), 99_000, 75)
    sold.fault("engine", "P0302", 250).scan(30, 200, 260)
    unseen = Story(vehicle("VAN-50", "Courier", "Northquay", plate="NQ 50"))
    return [hours, odometer, left, wiped, silent, quiet, sold, unseen]


def frames_of(told: list[Story], **more: Any) -> HistoryFrames:
    """Gather stories into frames as of one day, a month after the digest before."""
    rows: dict[str, list[Row]] = {name: [] for name in FRAME_ROWS}
    for story in told:
        for name, new in story.tell().items():
            rows[name] += new
    made = {
        name: pl.DataFrame(found, infer_schema_length=None) if found else empty_frame(name)
        for name, found in rows.items()
    }
    told_too = {"findings": nothing_found(), **made, **more}
    of_parts = {"wheel_speed_sensor": (_BRAKES,)}
    return HistoryFrames(as_of=AS_OF, cautions=CAUTIONS, part_cautions=of_parts, **told_too)


def fleet(**more: Any) -> HistoryFrames:
    """Make the whole invented fleet, with the digest before and a few data troubles."""
    frames = frames_of(
        stories(),
        previous_at=BEFORE,
        loads=_loads(),
        n_rejections=7,
        stale_sources=(StaleSource("yard tablet", datetime(2025, 5, 2, tzinfo=UTC)),),
        settings=DigestSettings(fleet_name="Quillgate Transport"),
    )
    return replace(frames, previous=_previous(frames), **more)


def _previous(frames: HistoryFrames) -> pl.DataFrame:
    """Say what the digest before said: some verdicts have changed since."""
    changed = {"HX-211/2": "on_watch", "BUS-07/2": "on_watch", "HX-204/1": "on_watch"}
    return frames.attempts.select(
        "attempt_id",
        pl.col("attempt_id").replace_strict(changed, default=pl.col("outcome")).alias("outcome"),
    ).filter(pl.col("attempt_id") != "VAN-38/1")


def _loads() -> pl.DataFrame:
    return pl.DataFrame(
        {
            "source": ["yard tablet", "workshop"],
            "file_name": ["scans_2025-05-02.csv", "orders_may.csv"],
            "rows_read": [412, 96],
            "rows_stored": [400, 94],
            "rows_duplicate": [7, 0],
            "rows_rejected": [5, 2],
            "finished_at": [AS_OF - timedelta(days=38), AS_OF - timedelta(days=3)],
        }
    )


def many(n: int, scans_each: int = 24) -> HistoryFrames:
    """Make a large fleet of like vehicles, for measuring."""
    told = []
    for i in range(n):
        story = Story(vehicle(f"FL-{i:05d}", "Haul 7", "Northquay"), 30_000 + 13 * i, 90 + i % 80)
        story.fault("engine", "P0301", 100, 249).fault("brakes", "C0034", 300 + i % 100)
        story.fault("engine", "P0401", 150, 380)
        days = range(10 + i % 9, 515, 505 // scans_each)
        story.scan(*days, units=UNITS)
        story.attempt(Try(249, "engine", "P0301", "held", f"WO-{i}", "replace", "ignition coil",
                          180.0, p=0.02))  # fmt: skip
        story.attempt(Try(380, "engine", "P0401", "on_watch", p=0.3, to_go=2_000 + i))
        told.append(story)
    ranked = [work(f"FL-{i:05d}", i + 1, "bring_in") for i in range(n)]
    return frames_of(told, findings=findings({"worklist": ranked}))
