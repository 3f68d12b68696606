"""How long one visit to a workshop lasts: a setting the histories were built with."""

from datetime import timedelta

from afterclear.store.engine.database import Connection, scalar


def visit_length(con: Connection) -> timedelta:
    """Return the time within which clear, repair and scan are one visit (``evidence.visit_hours``).

    The settings of the histories must be set (``histories.build.set_rules``).
    """
    return timedelta(microseconds=scalar(con, "SELECT epoch_us(getvariable('visit'))"))
