"""Numbers in the sentences of findings, as expressions over their frames.

Sentences name no vehicle, site or person: those stand in columns of their own, where a setting
may replace them by tokens.
"""

import polars as pl


def counted(column: str, one: str, many: str) -> pl.Expr:
    """Spell a count with its noun: ``1 time``, ``1,234 times``."""
    return pl.format(
        "{} {}",
        whole(pl.col(column)),
        pl.when(pl.col(column) == 1).then(pl.lit(one)).otherwise(pl.lit(many)),
    )


def whole(value: pl.Expr) -> pl.Expr:
    """Spell a whole number with thousands apart: ``12,345``; a dash where there is none."""
    number = value.round(0).cast(pl.Int64, strict=False)
    digits = number.abs().cast(pl.String).str.reverse().str.replace_all(r"(\d{3})", "$1,")
    sign = pl.when(number < 0).then(pl.lit("-")).otherwise(pl.lit(""))
    return pl.format("{}{}", sign, digits.str.strip_chars_end(",").str.reverse()).fill_null("-")


def decimal(value: pl.Expr, digits: int = 1) -> pl.Expr:
    """Spell a number with a fixed count of decimals; a dash where there is none."""
    scaled = (value * 10**digits).round(0).cast(pl.Int64, strict=False)
    after = (scaled.abs() % 10**digits).cast(pl.String).str.zfill(digits)
    sign = pl.when(scaled < 0).then(pl.lit("-")).otherwise(pl.lit(""))
    return pl.format("{}{}.{}", sign, whole(scaled.abs() // 10**digits), after).fill_null("-")


def percent(share: pl.Expr) -> pl.Expr:
    """Spell a share as a whole percentage: ``12 %``."""
    return pl.format("{} %", whole(share * 100))
