"""What cured it: which work held how often for each fault, compared within the same situation.

Harder cases get other work: a repeat gets the dearer part, a fault that comes alone the cheap one.
So works are compared only where the code, the number of attempts before, other codes beside it and
the vehicle's distance are alike; what nobody wrote down may still differ, and pages say so.
"""

from collections.abc import Iterator, Mapping
from importlib.resources import files
from typing import Final

import numpy as np
import polars as pl

from afterclear.catalogue.code_meaning import Catalogue
from afterclear.estimators.arrays.validation import FloatArray
from afterclear.estimators.rates.work_shares import WorkShares, WorkTrials, work_shares
from afterclear.finding_tables.cures import ENOUGH, JoinedBy
from afterclear.findings.common.component_names import component_labels
from afterclear.findings.common.numbering import numbered
from afterclear.findings.common.tables import forget, keep, keep_all
from afterclear.findings.parts.order_parts import NOT_NAMED
from afterclear.findings.verdicts import RATHER_FAILED, Judged
from afterclear.store.engine.database import Connection, query

_SQL = files("afterclear.findings") / "sql" / "cures.sql"
# parts that only orders name
_PART_LABELS = """
    SELECT component, min(family_label) FROM order_parts
    WHERE starts_with(component, 'part:') GROUP BY ALL ORDER BY ALL"""
_UNNAMED: Final = "unnamed part"
_MOST_WORKS = 3  # more pieces of work on one order are not told apart (own judgement)
# nobody asks whether a repair is better or worse than these where there is another one
_ASIDE: Final = ("clear", "not_told", "several")
_Q_BELOW = 0.05
# what leads to ``cure_fixes``
_ON_THE_WAY: Final = (
    "order_works_told", "faults_of_orders", "counted_fixes", "fix_works", "fixes_beside",
)  # fmt: skip
_SITUATION: Final = ("fault", "code", "is_repeat", "is_alone", "km_band")
# level -> the column that tells its works apart beside the work; only fixes that have it count
_LEVELS: Final[dict[str, str | None]] = {"work": None, "grade": "grade", "brand": "brand"}


def find_cures(con: Connection, catalogue: Catalogue, judged: Judged | None) -> None:
    """Replace ``cures`` and ``cure_fixes``.

    Needs verdicts and roles of this analysis, ``order_parts``, the settings of the histories.
    """
    if judged is None:
        keep(con, "cures", None)
        keep(con, "cure_fixes", None)
        return
    con.execute("SET VARIABLE not_named = ?", [NOT_NAMED])
    con.execute("SET VARIABLE most_works = ?", [_MOST_WORKS])
    con.script(_SQL.read_text(encoding="utf-8"))
    forget(con, _ON_THE_WAY)  # before as many rows again come as a frame
    fixes = query(con, "FROM cure_fixes ORDER BY attempt_id").join(
        judged.evidence(), on="attempt_id", how="inner", maintain_order="left"
    )
    forget(con, ["cure_fixes"])
    labels = component_labels(con, catalogue) | dict(query(con, _PART_LABELS).iter_rows())
    labels[NOT_NAMED] = _UNNAMED
    keep_all(con, "cures", _levels(fixes, labels, _known(con, catalogue)))
    keep(con, "cure_fixes", fixes.rename({"brand": "part_brand", "grade": "part_grade"}))


def _known(con: Connection, catalogue: Catalogue) -> dict[tuple[str, str], JoinedBy]:
    """Give the pairs of work and fault that orders without codes are joined by."""
    linked = query(con, "SELECT work, fault FROM store.cure_links WHERE counts = 'orders'")
    of_orders: dict[tuple[str, str], JoinedBy] = dict.fromkeys(linked.iter_rows(), "orders")
    return of_orders | dict.fromkeys(catalogue.cures, "table")


def _levels(
    fixes: pl.DataFrame, labels: dict[str, str], known: Mapping[tuple[str, str], JoinedBy]
) -> Iterator[pl.DataFrame]:
    """Compare works, then the same works by the grade and by the brand of their parts."""
    for level, part in _LEVELS.items():
        own = fixes if part is None else fixes.filter(pl.col(part).is_not_null())
        if not len(own):
            continue
        rows = own.with_columns(
            part=pl.lit(None, pl.String) if part is None else pl.col(part),
            # parts are compared with others of the same work, works with others for the fault
            group=pl.col("fault")
            if part is None
            else pl.concat_str("fault", "work", separator="|"),
        )
        found = _rows(rows, labels)
        pairs = found.select("work", "fault").iter_rows()
        joined = [joined_by(work, fault, known) for work, fault in pairs]
        yield found.with_columns(pl.Series("joined_by", joined, pl.String), level=pl.lit(level))


def joined_by(work: str, fault: str, known: Mapping[tuple[str, str], JoinedBy]) -> JoinedBy:
    """Say why an order that names no code is for a fault by its work.

    ``known``: components worked on with those whose codes such work may cure, and who says so.
    """
    names = [piece.partition(":")[2] for piece in work.split(" ")]
    on = [name for name in names if name and not name.startswith("part:")]
    if not on or ":" in fault:
        return "not_known"
    if fault in on:
        return "own"
    said = {known.get((name, fault)) for name in on}
    return "table" if "table" in said else "orders" if "orders" in said else "neither"


def _rows(rows: pl.DataFrame, labels: dict[str, str]) -> pl.DataFrame:
    rows = rows.with_columns(is_alone=pl.col("n_beside") == 0)
    trials = WorkTrials(
        numbered(rows, ["group"]),
        numbered(rows, ["group", "work", "part"]),
        numbered(rows, ["group", *_SITUATION]),
        numbered(rows, ["vehicle_id"]),
        rows["odds_failed"].to_numpy(),
    )
    counted = _counted(rows.with_columns(pl.Series("number", trials.work)))
    aside = counted["work"].is_in(_ASIDE).to_numpy()
    found = work_shares(trials, least=ENOUGH, aside=aside)
    name = pl.concat_str("work", "part", separator=" ", ignore_nulls=True)
    names = counted.select(name)["work"]
    return (
        counted.with_columns(_estimates(found))
        .with_columns(
            usual=names.gather(found.usual),
            label=pl.col("fault").replace_strict(labels, default=pl.col("fault")),
            works_label=_works_label(labels),
        )
        .with_columns(_told(pl.Series(found.usual == np.arange(found.usual.size))))
        .with_columns(
            pl.when(pl.col("n_judged") >= ENOUGH).then(column).alias(column)
            for column in ("share_held", "share_low", "share_high")
        )
        .with_columns(cost_per_cure=pl.col("cost") / pl.col("share_held"))
    )


def _works_label(labels: dict[str, str]) -> pl.Expr:
    """Name what was worked on.

    A ; in a name is written as a comma: between the names it parts one from the next.
    """
    component = pl.element().str.splitn(":", 2).struct.field("field_1")
    named = component.replace_strict(labels, default=component)
    one = named.str.replace_all(";", ",", literal=True)
    return pl.col("work").str.split(" ").list.eval(one).list.join("; ")


def _counted(rows: pl.DataFrame) -> pl.DataFrame:
    """Count the fixes of each work, in the order of the works' numbers."""
    outcome, came_back = pl.col("outcome"), pl.col("outcome") == "came_back"
    failed = pl.col("p_failed") >= RATHER_FAILED
    one_currency = pl.col("currency").drop_nulls().n_unique() == 1
    counts = {
        "n_fixes": pl.len(),
        "n_first": (~pl.col("is_repeat")).sum(),
        "n_held": (outcome == "held").sum(),
        "n_came_back": (came_back & failed).sum(),
        "n_worn_or_new": (came_back & ~failed).sum(),
        "n_open": outcome.is_in(["on_watch", "unchecked"]).sum(),
        "n_judged": (outcome != "unchecked").sum(),
    }
    return (
        rows.group_by("number")
        .agg(
            pl.col("fault", "work", "part").first(),
            *(count.cast(pl.Int32).alias(name) for name, count in counts.items()),
            pl.when(one_currency).then(pl.col("currency").drop_nulls().first()).alias("currency"),
            pl.when(one_currency)
            .then(pl.col("cost").drop_nulls().len())
            .otherwise(0)
            .cast(pl.Int32)
            .alias("n_priced"),
            pl.when(one_currency).then(pl.col("cost").sort().mean()).alias("cost"),
        )
        .sort("number")
    )


def _estimates(found: WorkShares) -> list[pl.Series]:
    columns: dict[str, FloatArray] = {
        "share_held": found.share,
        "share_low": found.low,
        "share_high": found.high,
        "difference": found.difference,
        "difference_low": found.difference_low,
        "difference_high": found.difference_high,
        "p_value": found.p_value,
        "q_value": found.q_value,
    }
    return [
        *(pl.Series(name, values).fill_nan(None) for name, values in columns.items()),
        pl.Series("n_together", found.n_together.astype(np.int32)),
    ]


def _told(is_usual: pl.Series) -> pl.Expr:
    """Say what the comparison comes to; a difference only beyond chance, and from enough fixes."""
    sure = pl.col("q_value") < _Q_BELOW
    return (
        pl.when(is_usual)
        .then(pl.lit("usual"))
        .when(pl.col("n_judged") < ENOUGH)
        .then(pl.lit("too_few"))
        .when(pl.col("difference").is_null())
        .then(pl.lit("not_side_by_side"))
        .when(sure & (pl.col("difference_low") > 0))
        .then(pl.lit("better"))
        .when(sure & (pl.col("difference_high") < 0))
        .then(pl.lit("worse"))
        .otherwise(pl.lit("no_difference"))
        .alias("told")
    )
