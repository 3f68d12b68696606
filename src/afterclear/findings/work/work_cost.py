"""What a come-back costs: from the fleet's own work orders if there are enough, or the setting.

After a come-back the work has to be done again: its cost is that of a usual work order on the same
component, in the currency of the vehicle's work orders. Pure.
"""

from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from statistics import median

from afterclear.findings.common.rule_files import WorklistRules
from afterclear.findings.work.work_items import reason
from afterclear.reasons import WorkReason

R = WorkReason


@dataclass(frozen=True, slots=True)
class Order:
    """One work order on one component."""

    vehicle_id: str
    site: str | None
    component: str
    cost: float
    currency: str


@dataclass(frozen=True, slots=True)
class Cost:
    """What one come-back costs, and the source of the figure."""

    amount: float
    currency: str
    basis: str  # a reason with its facts (JSON)


class ComeBackCosts:
    """Costs of come-backs by component, from work orders."""

    def __init__(self, orders: Iterable[Order], rules: WorklistRules) -> None:
        self._rules = rules
        self._by_component: dict[tuple[str, str], list[float]] = defaultdict(list)
        self._all: dict[str, list[float]] = defaultdict(list)
        paid: dict[tuple[str, str], Counter[str]] = defaultdict(Counter)
        for order in orders:
            self._by_component[order.component, order.currency].append(order.cost)
            self._all[order.currency].append(order.cost)
            paid["vehicle", order.vehicle_id][order.currency] += 1
            if order.site:
                paid["site", order.site][order.currency] += 1
        self._paid = {key: _most(counts) for key, counts in paid.items()}
        self._known = cache(self._of)  # each median is computed once, not for every line
        self._usual = _most(Counter({c: len(v) for c, v in self._all.items()}))

    def of(self, component: str, vehicle_id: str, site: str | None) -> Cost:
        """Return the cost of a come-back of a component on a vehicle."""
        currency = (
            self._paid.get(("vehicle", vehicle_id))
            or self._paid.get(("site", site or ""))
            or self._usual
            or self._rules.currency
        )
        return self._known(component, currency)

    def _of(self, component: str, currency: str) -> Cost:
        own = self._by_component.get((component, currency), [])
        if len(own) >= self._rules.min_orders:
            of_component = reason(R.COST_OF_COMPONENT, orders=len(own), component=component)
            return Cost(median(own), currency, of_component)
        every = self._all.get(currency, [])
        if len(every) >= self._rules.min_fleet_orders:
            of_all = reason(R.COST_OF_ALL_ORDERS, orders=len(every), currency=currency)
            return Cost(median(every), currency, of_all)
        as_set = reason(R.COST_SET, setting="come_back")
        return Cost(self._rules.come_back, self._rules.currency, as_set)


def _most(counts: Counter[str]) -> str:
    """Name the most frequent; of equals, the first by name."""
    return min(counts, key=lambda c: (-counts[c], c)) if counts else ""
