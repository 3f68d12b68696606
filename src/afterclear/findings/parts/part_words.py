"""What is said of a part's life, in one sentence a manager and a supplier understand."""

import polars as pl

from afterclear.findings.common.words import counted, decimal, whole

METHODS = {  # by the rule for few failures in ``analyses.few_failures``
    "none": "nothing was seen of it",
    "bound": "Weibull with the usual shape; no failure yet: lower bound only (90 %)",
    "prior": "Weibull with a prior on the shape, 1 to 9 failures (90 % interval)",
    "likelihood": "Weibull by maximum likelihood, likelihood ratio interval (90 %)",
}


def sentence() -> pl.Expr:
    """Tell how many failed, by when one in ten does, and against what that is short."""
    return pl.concat_str(_failed(), _life(), _against_peers(), _against_expected()).alias(
        "sentence"
    )


def _failed() -> pl.Expr:
    """Count the parts whose life is known; where others were fitted, or found there, say so."""
    followed = counted("n_followed", "part", "parts")
    whole_story = pl.col("n_followed").eq_missing(pl.col("n_fitted"))
    return pl.format(
        "{} of {} failed in {} km together{}.",
        pl.col("n_failed"),
        pl.when(whole_story).then(followed).otherwise(pl.format("{} followed", followed)),
        whole(pl.col("km_observed")),
        pl.when(whole_story)
        .then(pl.lit(""))
        .otherwise(pl.format(" ({} fitted)", pl.col("n_fitted"))),
    )


def _life() -> pl.Expr:
    between = pl.format(
        " One in ten fails by {} km (90 % interval {} km to {}).",
        whole(pl.col("b10_km")),
        whole(pl.col("b10_low_km")),
        pl.when(pl.col("b10_high_km").is_null())
        .then(pl.lit("no limit"))
        # each with its unit: pages write every km in the reader's
        .otherwise(pl.format("{} km", whole(pl.col("b10_high_km")))),
    )
    bound = pl.format(
        " Nine in ten may be taken to reach {} km (90 % sure).", whole(pl.col("b10_low_km"))
    )
    return (
        pl.when(pl.col("b10_km").is_not_null())
        .then(between)
        .when(pl.col("b10_low_km").is_not_null())
        .then(bound)
        .otherwise(pl.lit(""))
    )


def _against_peers() -> pl.Expr:
    """Say the ratio to other parts of the family, where there are any."""
    told = pl.format(
        " It lives {} times as long as {} of the same family (95 % interval {} to {}){}.",
        decimal(pl.col("life_ratio_to_peers"), 2),
        counted("n_peers", "other part", "other parts"),
        decimal(pl.col("ratio_low"), 2),
        pl.when(pl.col("ratio_high").is_null())
        .then(pl.lit("no limit"))
        .otherwise(decimal(pl.col("ratio_high"), 2)),
        _short_lived(),
    )
    limit_only = pl.format(
        " Of {} of the same family none has failed: the ratio has no more than an upper limit, "
        "{} (95 % interval){}.",
        counted("n_peers", "other part", "other parts"),
        decimal(pl.col("ratio_high"), 2),
        _short_lived(),
    )
    ratio = pl.col("life_ratio_to_peers")
    has_limit = pl.col("ratio_high").is_not_null()
    return (
        pl.when(ratio.is_null() | ratio.is_infinite() | ratio.is_nan())
        .then(pl.lit(""))
        .when(pl.col("n_peers_failed") > 0)
        .then(told)
        .when(has_limit)
        .then(limit_only)
        .otherwise(pl.lit(""))
    )


def _short_lived() -> pl.Expr:
    return pl.when(pl.col("flagged")).then(pl.lit(": short-lived")).otherwise(pl.lit(""))


def _against_expected() -> pl.Expr:
    short = pl.format(
        " Less than the {} km expected ({}).",
        whole(pl.col("expected_km")),
        pl.col("expected_source"),
    )
    is_short = (pl.col("to_expected_high") < 1).fill_null(value=False)
    return pl.when(is_short).then(short).otherwise(pl.lit(""))
