"""How the false alarms of a year are shared among what is searched (own judgement)."""

from typing import Final

# One of these is the whole search of vehicles, as its bound allows.  In simulated fleets there are
# a fifth of them, 0.6 a year, so that the aim of one holds with room
ALARMS_A_YEAR: Final = 3.0
LEVELS: Final = ("fleet", "model", "model_year", "site")
# of one component in each level, and of all together
SHARES: Final = ((0.10, 0.25, 0.10, 0.15), (0.10, 0.15, 0.05, 0.10))
PART_LEVELS: Final = ("fitted", "brand", "part_number", "fitted_month")
# beside these, two of five in all; all fitted parts are only what the others are compared with
PART_SHARES: Final = (0.0, 0.26, 0.20, 0.20)
