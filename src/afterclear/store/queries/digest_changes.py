"""What one digest said, asked of tables that keep only what changed since the digest before."""

from typing import Final

# The newest row up to a digest.  A NULL is a change, too: the digest no longer named the attempt or
# vehicle.
_NEWEST: Final = """
    SELECT {columns} FROM {table} WHERE digest_id <= {number}
    QUALIFY row_number() OVER (PARTITION BY {key} ORDER BY digest_id DESC) = 1"""


def said_by(number: str) -> str:
    """Give SQL of attempt_id and outcome as one digest showed them; ``number``: SQL of which."""
    return _NEWEST.format(
        columns="attempt_id, outcome", table="digest_outcomes", key="attempt_id", number=number
    )


def marked_by(number: str) -> str:
    """Give SQL of kind, subject and mark as one digest showed them; ``number``: SQL of which."""
    return _NEWEST.format(
        columns="kind, subject, mark", table="digest_marks", key="kind, subject", number=number
    )
