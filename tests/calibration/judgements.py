"""Fleets judged by the tool and by what it is compared with, kept so that a long run can go on.

``now`` is the tool.  ``one state`` is the tool without averaging: small fleets, too, are judged by
the one state at which the rounds end, as all were before.  ``law average`` is what the best learner
would say who knows the list of laws (``law_average.py``); ``middle not told`` isn't told how far on
failures come back in the middle, as no tool is.  ``informed`` and ``learner`` know a
fleet's law and all its figures but those of failures.
"""

from collections.abc import Callable, Iterator
from dataclasses import fields
from functools import partial
from pathlib import Path
from typing import Final
from unittest import mock

import numpy as np

from afterclear.estimators.causes import judging
from tests.calibration.fleet import Fleet, simulate
from tests.calibration.informed import informed
from tests.calibration.judged import told
from tests.calibration.law_average import law_average
from tests.calibration.laws import Scenario
from tests.calibration.learner import learner
from tests.calibration.scores import Rows, Told

_LEAST_VEHICLES = 200  # small fleets are drawn several times a seed, for figures to say something


def seeds_of(n_vehicles: int, n_seeds: int, first: int = 1) -> Iterator[int]:
    """Seeds of the fleets that make one line."""
    for seed in range(first, first + n_seeds):
        for again in range(max(1, _LEAST_VEHICLES // n_vehicles)):
            yield 1000 * seed + again


def by_one_state(fleet: Fleet) -> Told:
    """Tell what the model says without averaging over all that fits."""
    with mock.patch.object(judging, "MOST_RETURNS", -1):
        return told(fleet)


MODELS: Final[dict[str, Callable[[Fleet], Told]]] = {
    "now": told,
    "one state": by_one_state,
    "law average": law_average,
    "middle not told": partial(law_average, middle_told=False),
    "informed": informed,
    "learner": learner,
}
USUAL: Final = ("now", "one state", "law average")


def rows(
    scenario: Scenario, n_vehicles: int, seed: int, model: str, folder: Path | None = None
) -> Rows:
    """Judge the fleets of one seed; ``folder``: where they are kept, and found again."""
    name = f"{scenario.name.replace(' ', '_')}-{n_vehicles}-{seed}-{model.replace(' ', '_')}.npz"
    if folder and (folder / name).exists():
        with np.load(folder / name) as kept:
            return Rows(**{field.name: kept[field.name] for field in fields(Rows)})
    found = Rows.joined(list(_judged(scenario, n_vehicles, seed, model)))
    if folder:
        folder.mkdir(parents=True, exist_ok=True)
        np.savez(folder / name, **{f.name: getattr(found, f.name) for f in fields(Rows)})
    return found


def _judged(scenario: Scenario, n_vehicles: int, seed: int, model: str) -> Iterator[Rows]:
    for number in seeds_of(n_vehicles, 1, seed):
        fleet = simulate(scenario.sized(n_vehicles), number)
        if fleet.tries:
            yield Rows.of(fleet, MODELS[model](fleet))
