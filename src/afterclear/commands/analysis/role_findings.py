"""Roles, stock and worklist: findings made from the store's histories and the settings."""

from datetime import datetime

from afterclear.commands.app import App
from afterclear.findings.common.rule_files import read_stock_rules, read_worklist_rules
from afterclear.findings.roles.find_roles import find_roles
from afterclear.findings.stock.audit import audit_stock
from afterclear.findings.work.urgency import read_urgency_rules
from afterclear.findings.work.worklist import build_worklist
from afterclear.store.engine.database import Connection


def tell_roles(app: App, con: Connection) -> None:
    """Say which codes are the fault and which only follow: other findings leave the latter out."""
    find_roles(con, app.catalogue)


def find_stock_and_work(app: App, con: Connection, as_of: datetime) -> None:
    """Say which stock is ready, and what to do first."""
    stock_rules = read_stock_rules(app.config.table("stock_rules.toml"))
    audit_stock(con, app.catalogue, stock_rules, as_of)
    rank_work(app, con, as_of)


def rank_work(app: App, con: Connection, as_of: datetime) -> None:
    """Make the worklist again from the stored findings."""
    rules = read_worklist_rules(app.config.table("worklist_rules.toml"))
    urgency = read_urgency_rules(app.config.table("urgency.csv"))
    build_worklist(con, app.catalogue, rules, urgency, as_of)
