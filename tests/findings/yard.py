"""Vehicles in stock as a test tells them, through the store, the histories and the audit."""

import json
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl

from afterclear.config import shipped
from afterclear.findings.common.rule_files import (
    StockRules,
    WorklistRules,
    read_stock_rules,
    read_worklist_rules,
)
from afterclear.findings.roles.find_roles import find_roles
from afterclear.findings.stock.audit import audit_stock
from afterclear.findings.verdicts import judge_attempts
from afterclear.findings.work.urgency import read_urgency_rules
from afterclear.findings.work.worklist import build_worklist
from afterclear.reasons import StockReason
from afterclear.records import PlainRows
from afterclear.store.engine.database import Connection, open_store, query
from afterclear.store.intake.absorb import absorb
from afterclear.take_in import SPELLERS
from afterclear.wording.cells import Cells
from afterclear.wording.exported import with_sentences
from afterclear.wording.stock import stock_words
from tests.histories.story import CATALOGUE, RULES, Story, build, put_empty_store

STOCK_RULES = read_stock_rules(shipped("config") / "stock_rules.toml")
URGENCY_RULES = read_urgency_rules(shipped("config") / "urgency.csv")
WORKLIST_RULES = read_worklist_rules(shipped("config") / "worklist_rules.toml")
BEGIN = datetime.fromtimestamp(1735718400, UTC)  # day 0 of a story

FULL = {"engine": [], "brakes": [], "airbag": []}


def full_scan(story: Story, day: float, km: float, **units: Any) -> Story:
    """Tell of a scan of every unit; keywords as in ``Story.scan``."""
    return story.scan(day, km, scan_scope="full", **(FULL | units))


def put_vehicles(con: Connection, *rows: dict[str, str | None]) -> None:
    """Bring vehicle rows into the store."""
    names = {name: pl.String for row in rows for name in row}
    frame = pl.DataFrame(list(rows), schema=names).with_row_index("_line", 1)
    part = PlainRows("vehicles", frame.with_columns(pl.col("_line").cast(pl.Int64)))
    assert not absorb(con, part, 99, zone="UTC", spellers=SPELLERS).rejections


@contextmanager
def analysed(
    tmp_path: Path,
    *stories: Story,
    as_of_day: float = 400,
    vehicles: tuple[dict[str, str | None], ...] = (),
    stock_rules: StockRules = STOCK_RULES,
    worklist_rules: WorklistRules = WORKLIST_RULES,
    visit_hours: float = RULES.visit_hours,
) -> Iterator[Connection]:
    """Give a store with every finding of this part made, as of a day of the stories."""
    as_of = BEGIN + timedelta(days=as_of_day)
    with open_store(put_empty_store(tmp_path / "store.duckdb")) as con:
        for number, story in enumerate(stories, start=1):
            story.load(con, number)
        if vehicles:
            put_vehicles(con, *vehicles)
        build(con, replace(RULES, as_of=as_of, visit_hours=visit_hours))
        judge_attempts(con, 0.05)
        find_roles(con, CATALOGUE)
        audit_stock(con, CATALOGUE, stock_rules, as_of)
        build_worklist(con, CATALOGUE, worklist_rules, URGENCY_RULES, as_of)
        yield con


def in_stock(vehicle_id: str = "V1", **columns: str) -> dict[str, str | None]:
    """Tell of a vehicle in stock."""
    return {"vehicle_id": vehicle_id, "stock_status": "in_stock", "make": "Tarrovane",
            "model": "Pellick"} | columns  # fmt: skip


def reasons(con: Connection, vehicle_id: str = "V1") -> dict[str, dict[str, Any]]:
    """Reasons of the audit by name."""
    rows = query(con, "FROM stock_reasons WHERE vehicle_id = ?", [vehicle_id]).to_dicts()
    for row in rows:
        said = stock_words(StockReason(row["reason"]), json.loads(row["facts"]), Cells())
        row["because"] = said.replace("\u00a0", " ")
    return {row["reason"]: row for row in rows}


def verdict(con: Connection, vehicle_id: str = "V1") -> str:
    """Verdict of the audit."""
    found = query(con, "SELECT verdict FROM stock WHERE vehicle_id = ?", [vehicle_id])
    return str(found.item())


def lines(con: Connection, audience: str = "fleet") -> list[dict[str, Any]]:
    """Ranked lines of one audience."""
    return _said(con, "WHERE audience = ? AND rank IS NOT NULL ORDER BY rank", audience)


def set_aside(con: Connection, audience: str = "fleet") -> list[dict[str, Any]]:
    """Lines decided away."""
    return _said(con, "WHERE audience = ? AND rank IS NULL ORDER BY vehicle_id", audience)


def _said(con: Connection, where: str, audience: str) -> list[dict[str, Any]]:
    return with_sentences("worklist", query(con, f"FROM worklist {where}", [audience])).to_dicts()
