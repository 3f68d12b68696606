# %% [markdown]
# # Three questions the digests leave open
#
# Run in a garage's folder, or after `afterclear demo`, which leaves a store in `reports/demo`:
# `python three_questions.py reports/demo/demo.duckdb`

# %%
import sys

import polars as pl

import afterclear

garage = afterclear.open(".", store=sys.argv[1] if len(sys.argv) > 1 else None)

# %% [markdown]
# ## 1. How long does a fault that comes back stay away?
#
# A return lies between two scans: it is known to be later than one distance and earlier than
# another. So the answer is a range, and the middle of both ends no more than a guide.

# %%
returned = garage.attempts().filter(outcome="came_back", stayed=False)
stayed_away = (
    returned.group_by(pl.col("family").str.split(":").list.first().alias("component"))
    .agg(
        pl.len().alias("returns"),
        pl.col("returned_low_km").median().round(0).alias("at least, km"),
        pl.col("returned_high_km").median().round(0).alias("at most, km"),
    )
    .filter(pl.col("returns") >= 5)
    .sort("returns", descending=True)
)
print(stayed_away)

# %% [markdown]
# ## 2. Which vehicles went unread the longest?
#
# A gap hides returns: what happened in it is dated to its end.

# %%
gaps = (
    garage.table("scans")
    .select("vehicle_id", "scanned_at")
    .unique()
    .sort("vehicle_id", "scanned_at")
    .with_columns(gap=pl.col("scanned_at").diff().over("vehicle_id").dt.total_days())
    .group_by("vehicle_id")
    .agg(pl.len().alias("scans"), pl.col("gap").max().alias("longest gap, days"))
    .sort("longest gap, days", descending=True, nulls_last=True)
    .head(10)
)
print(gaps)

# %% [markdown]
# ## 3. Which part brand fails least for the distance it runs?
#
# Parts that have not failed count with the distance they ran so far, less what nobody can tell.

# %%
brands = garage.sql(
    """
    SELECT part_family, part_brand, count(*) AS fitted, sum(failed::INT) AS failed,
        round(sum(km_run - km_unwatched) / nullif(sum(failed::INT), 0)) AS km_per_failure
    FROM claims WHERE part_brand IS NOT NULL
    GROUP BY ALL HAVING count(*) >= 5
    ORDER BY part_family, km_per_failure DESC NULLS FIRST
    """
)
print(brands)
