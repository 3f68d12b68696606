"""What a planted story is, and the few acts that most stories are made of."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from tests.scenario.car import Car
from tests.scenario.catalogue import Sign
from tests.scenario.memory import Ailment

# What a script found out while it ran: km, dates and money, for the text and the tests.
Facts = dict[str, int | float | str]


@dataclass(frozen=True, slots=True)
class Story:
    """One thing a reader can find in the sample data."""

    key: str
    vehicle_id: str
    title: str
    starts: str  # until then the vehicle lives an ordinary life
    script: Callable[[Car], Facts]
    told: str  # what happened; {facts} are filled in
    expect: str  # what afterclear ought to find; {facts} are filled in
    spares: tuple[str, ...] = ()  # part families in which nothing else happens to the vehicle
    lives_on: bool = False  # ordinary life goes on after the script
    facts: Facts = field(default_factory=dict)


def here(car: Car) -> int:
    """Give the km the instrument shows, as a whole number."""
    return round(car.shown_km or 0)


def day(car: Car) -> str:
    """Give today's date as text."""
    return f"{car.now:%Y-%m-%d}"


def comes_in(car: Car, after_km: float, reason: str = "complaint", **how: object) -> None:
    """Drive so many km, come in on the next working morning, and be scanned."""
    car.go_to(car.morning_with(car.km + after_km))
    car.scan(reason, **how)  # type: ignore[arg-type]


def wipe(
    car: Car, ailment: Ailment | None = None, *, returns_after: Sequence[float] = (),
    recorded: bool = True, post: bool = False,
) -> None:  # fmt: skip
    """Clear everything and repair nothing; the ailment comes back after so many km."""
    car.pause(35)
    if ailment is not None:
        ailment.returns_after = [*returns_after]
        car.truth(ailment, "clear_only", cured=False, site=car.vehicle.site)
    car.clear(recorded=recorded)
    if post:
        car.test_drive()
        car.scan("post_repair")


def mend(  # noqa: PLR0913 - the ways one visit can differ
    car: Car, ailment: Ailment, *, cures: bool = True, brand: str = "Norvandel", action: str = "",
    returns_after: Sequence[float] = (), post: bool = True, notes: str = "",
    codes: Sequence[Sign] | None = None, site: str | None = None,
) -> None:  # fmt: skip
    """Repair, clear, drive a little and scan again: one visit as it should be."""
    car.pause(60)
    ailment.returns_after = [*returns_after]
    car.fix(ailment, cures=cures, brand=brand, action=action, notes=notes, codes=codes, site=site)
    car.pause(45)
    car.clear(reason="after repair", site=site)
    if post:
        car.test_drive()
        car.scan("post_repair", site=site)
