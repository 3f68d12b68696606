"""Of each group compared, what part of its come-backs its latest work had: people act on that.

They are parts of the group's own figures; what remains of these is the work before.
"""

import numpy as np
import polars as pl

from afterclear.estimators.arrays.ragged import group_sums
from afterclear.estimators.arrays.validation import FloatArray, IntArray

_LATEST = 5  # quarters: the present one and the year before it (own judgement)


def since_quarter(quarters: pl.Series) -> int | None:
    """Return the quarter that the latest ones begin with; None: there is no work before them."""
    times = quarters.unique().sort()
    return None if len(times) <= _LATEST else int(times[-_LATEST])


def latest_work(
    quarters: pl.Series,
    since: int | None,
    number: IntArray,
    returned: FloatArray,
    expected: FloatArray,
) -> pl.DataFrame:
    """Give come-backs of the latest work and those expected of it, a row for each group.

    Of each piece of work, shape (n,): its quarter, the ``number`` of its group, whether it
    ``returned``, and what was ``expected`` of it.  Empty rows: there is no work before.
    """
    late = (quarters >= (since or 0)).to_numpy()
    observed, awaited = (
        group_sums(np.where(late, row, 0.0), number, int(number.max(initial=-1)) + 1)
        for row in (returned, expected)
    )
    found = pl.DataFrame({"observed_late": observed.astype(np.int32), "expected_late": awaited})
    named = "" if since is None else f"{since // 4}-Q{since % 4 + 1}"
    found = found.with_columns(pl.lit(named).alias("late_since"))
    return found.clear(len(found)) if since is None else found
