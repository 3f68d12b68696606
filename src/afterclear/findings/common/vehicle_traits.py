"""What vehicles are compared by: platform, engine and age; and when each was observed."""

from datetime import datetime

from afterclear.store.engine.database import Connection
from afterclear.store.queries.results import naive

# Years in service at the middle of the observed period; the limits are usual for warranty, middle
# age and old age (common practice, no source).
_BANDS = """
    CASE WHEN age_years IS NULL THEN 'age not known' WHEN age_years < 3 THEN 'under 3 years'
         WHEN age_years < 6 THEN '3 to 6 years' WHEN age_years < 10 THEN '6 to 10 years'
         ELSE '10 years and more' END"""

MODEL_NOT_KNOWN = "model not known"  # only a group to compare within; no finding stores it

_TRAITS = f"""
    CREATE OR REPLACE TEMP TABLE vehicle_traits AS
    WITH watched AS (
        SELECT vehicle_id, min(happened_at) AS first_at, max(happened_at) AS last_at,
            min(km) AS first_km, max(km) AS last_km
        FROM store.moment_km WHERE happened_at <= $1 GROUP BY vehicle_id
    ), aged AS (
        SELECT w.*, v.make, v.model, v.powertrain,
            date_diff('day', coalesce(v.in_service_on, make_date(v.model_year, 7, 1)),
                (w.first_at + (w.last_at - w.first_at) / 2)::DATE) / 365.25 AS age_years
        FROM watched w LEFT JOIN store.vehicles v USING (vehicle_id)
    )
    SELECT vehicle_id, first_at, last_at, first_km, last_km,
        coalesce(nullif(concat_ws(' ', make, model), ''), '{MODEL_NOT_KNOWN}') AS platform,
        coalesce(powertrain, 'engine not known') AS engine, {_BANDS} AS age_band
    FROM aged ORDER BY vehicle_id"""


def put_traits(con: Connection, as_of: datetime) -> None:
    """Put platform, engine, age band and observed span of each vehicle into ``vehicle_traits``.

    A platform is a make and model.  Age counts from ``in_service_on``, otherwise from the middle of
    the model year.
    """
    con.execute(_TRAITS, [naive(as_of)])
