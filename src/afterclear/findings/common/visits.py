"""How long one visit to a workshop lasts: a setting, which the histories were built by."""

from datetime import timedelta

from afterclear.store.engine.database import Connection, scalar


def visit_length(con: Connection) -> timedelta:
    """Give the time within which clear, repair and scan are one visit (``evidence.visit_hours``).

    The settings of the histories are set (``histories.build.set_rules``).
    """
    return timedelta(microseconds=scalar(con, "SELECT epoch_us(getvariable('visit'))"))
