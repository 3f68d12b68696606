"""What the catalogue says about one code in one scan, as the role rules need it. Pure."""

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache, cached_property
from typing import Final

from afterclear.catalogue.code_meaning import Catalogue
from afterclear.catalogue.codes import NormalCode, normal_code
from afterclear.catalogue.component import component_of
from afterclear.catalogue.knock_on import Harm, Pointer, Relation

# Failure types and FMIs with which a unit reports its own circuit or component (own judgement from
# SAE J2012 failure types 1x 2x 3x 7x 9x, SAE J1939-73 FMI 3-8, 12, 13).
_CIRCUIT_TYPES: Final = frozenset("12379")
_CIRCUIT_FMI: Final = frozenset({3, 4, 5, 6, 7, 8, 12, 13})
_RECEIVED_FMI: Final = frozenset({9, 19})

# Which of the sender's own faults can corrupt the signal a ``consequence`` code is about.
_MAKES_SIGNAL: Final = {
    "brakes": ("wheel_speed_sensor", "tone_ring", "wheel_bearing", "abs_unit", "control_unit"),
    "engine": ("crankshaft_sensor", "camshaft_sensor", "cam_crank_correlation", "control_unit"),
}
# The unit itself, not one of its sensors: what can silence it or change its software version.
_THE_UNIT: Final = ("control_unit", "abs_unit", "supply_voltage", "power_relay", "data_bus")
_SOFTWARE: Final = ("control_unit", "software_match")

# Supply codes from cause to symptom: what charges, what feeds everything, what feeds one unit (own
# judgement).
_SUPPLY_ORDER: Final = (
    ("alternator",),
    ("P0560", "P0561", "P0562", "P0563", "SPN 168"),
    ("supply_voltage",),
    ("power_relay",),
)
_SYSTEM_RANK: Final = 1  # up to this rank it is the vehicle's voltage


@dataclass(frozen=True, slots=True)
class SeenCode:
    """One code in one scan."""

    ecu: str  # the control unit as the scan spells it
    code: str
    family: str
    is_sign: bool = False  # pending only: a sign, not yet a fault
    description: str | None = None
    is_older: bool = False  # it once began while no code was there that could have caused it


@dataclass(frozen=True)
class CodeFact:
    """A code with what the tables say about it."""

    seen: SeenCode
    unit: str  # the control unit's function; its own spelling if not in the tables
    pointer: Pointer | None  # the unit it points at; None: it points at none
    common: Relation | None  # supply or bus: may explain many
    harm: Harm | None  # what may have caused it, although it is a separate fault
    targets: tuple[str, ...]  # units that may contain the function it points at
    parsed: NormalCode | None
    subsystem: str
    meaning: str

    @property
    def key(self) -> tuple[str, str]:
        """Control unit and code: the key of the fleet's own data."""
        return (self.unit, self.seen.code)

    @cached_property
    def component(self) -> str:
        """The family without its place."""
        return component_of(self.seen.family)

    @cached_property
    def is_circuit(self) -> bool:
        """Whether the code names a fault of a circuit or component of its own unit."""
        parsed = self.parsed
        if parsed is None or self.pointer is not None:
            return False
        by_type = (parsed.failure_type or "0")[0] in _CIRCUIT_TYPES
        return by_type or parsed.fmi in _CIRCUIT_FMI

    @property
    def own_fault(self) -> bool:
        """Whether the code is about the unit that stores it."""
        return self.pointer is None and self.common is None

    @cached_property
    def supply_rank(self) -> int:
        """How far up the supply a code is; lower is nearer to the cause."""
        base = self.parsed.base if self.parsed else self.seen.code
        for rank, members in enumerate(_SUPPLY_ORDER):
            if base in members or self.component in members:
                return rank
        return len(_SUPPLY_ORDER)

    def can_spoil(self, other: "CodeFact") -> bool:
        """Whether this code, in the unit that ``other`` points at, can be what that reports."""
        if other.pointer is None or not self.own_fault:
            return False
        relation = other.pointer.relation
        if relation == "software":
            return self.component in _SOFTWARE
        if relation == "consequence":
            return self.component in _MAKES_SIGNAL.get(other.pointer.ecu, ())
        # one control unit may contain both functions; then only its own codes count
        return self.unit != other.unit or self.subsystem == other.pointer.ecu

    @property
    def is_system_voltage(self) -> bool:
        """Whether it is about the voltage of the whole vehicle, not the supply of one unit."""
        return self.common == "supply" and self.supply_rank <= _SYSTEM_RANK

    @property
    def is_hearsay(self) -> bool:
        """Whether it reports missing or bad messages of another unit."""
        return self.pointer is not None and self.pointer.relation in {"lost", "invalid"}

    def is_about(self, what: str) -> bool:
        """Whether it is about a component, or is a code."""
        return what == self.component or (self.parsed is not None and what == self.parsed.base)

    def is_older_than(self, other: "CodeFact") -> bool:
        """Whether it was there before ``other``, which could otherwise have caused it."""
        return self.seen.is_older and self.harm is not None and other.is_about(self.harm.by)

    def can_silence(self, other: "CodeFact") -> bool:
        """Whether this is the supply of the unit whose messages ``other`` misses."""
        return self.common == "supply" and self.unit != other.unit and other.is_hearsay

    def relevance(self, relation: Relation) -> int:
        """How well this code fits as the cause of such a report; higher is better."""
        if relation == "lost":
            return int(self.component in _THE_UNIT)
        return int("sensor" in self.component or self.component == "tone_ring")


class FactBook:
    """Facts of codes, each looked up once."""

    def __init__(self, catalogue: Catalogue) -> None:
        self._catalogue = catalogue
        self.fact = cache(self._fact)
        self.unit = cache(self._unit)

    def _unit(self, ecu: str) -> str:
        return self._catalogue.ecu_name(ecu) or "_".join(ecu.casefold().split())

    def harms(self, met: Iterable[tuple[str, str]]) -> list[tuple[str, str]]:
        """Pair each code that can be damage with the codes that can cause it: (harmed, by).

        ``met``: code and family of every code in the fleet.
        """
        facts = [self._fact(SeenCode("", *identified)) for identified in met]
        return sorted(
            {
                (fact.seen.code, by.seen.code)
                for fact in facts
                if fact.harm is not None
                for by in facts
                if by.is_about(fact.harm.by)
            }
        )

    def label(self, unit: str) -> str:
        """Name a control unit in the words people use."""
        return self._catalogue.control_units.labels.get(unit, unit.replace("_", " "))

    def _fact(self, seen: SeenCode) -> CodeFact:
        catalogue = self._catalogue
        parsed = normal_code(seen.code)
        code = parsed if isinstance(parsed, NormalCode) else None
        common = catalogue.common_cause(seen.code, seen.description)
        pointer = None if common else catalogue.pointer(seen.code, seen.description)
        if pointer and not _is_meant(pointer, code):
            pointer = None
        meaning = catalogue.meaning(seen.code, seen.description)
        component = component_of(seen.family)
        return CodeFact(
            seen=seen,
            unit=self.unit(seen.ecu),
            pointer=pointer,
            common=common,
            harm=None if common or pointer else catalogue.harm(seen.code, component),
            targets=catalogue.boxes_of(pointer.ecu) if pointer else (),
            parsed=code,
            subsystem=meaning.subsystem,
            meaning=meaning.text,
        )


def _is_meant(pointer: Pointer, code: NormalCode | None) -> bool:
    """Let a signal's SPN point at its sender only if the received data are in error."""
    if pointer.relation in {"supply", "bus"}:
        return False
    is_signal = pointer.relation == "consequence" and code is not None and code.spn is not None
    return not is_signal or (code is not None and code.fmi in _RECEIVED_FMI)
