"""What a vehicle's control units remember: the rules of design section 6, from the inside.

A code is set pending, confirmed a while later, and stays until it is cleared or has passed 40
warm-ups without its fault.  A clear erases codes and sets counters and monitors back; it
repairs nothing.  Permanent codes outlive it until their monitor has passed.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from tests.scenario.catalogue import MONITOR_KM, Fault, Model, Sign
from tests.scenario.chance import Chance

WARMUPS_TO_AGE = 40
RETURN_KM = (2200.0, 1.15)  # Weibull scale and shape of the way back after a failed fix
NEVER = float("inf")


@dataclass(slots=True)
class Ailment:
    """A fault that a vehicle really has, until it is healed."""

    fault: Fault
    onset_km: float
    signs: tuple[Sign, ...]  # the fault's own first, then the echoes it sets
    shows_km: dict[Sign, float]  # where each code will be set next
    transient: bool = False  # heals with the next clear
    hard: bool = False  # there again at once after a clear
    returns_after: list[float] = field(default_factory=list)  # km, one for each coming clear
    clears: int = 0
    repairs: int = 0
    healed: bool = False


@dataclass(slots=True)
class Entry:
    """One code in one control unit's memory."""

    sign: Sign
    set_km: float
    confirm_km: float
    occurrences: int = 1
    passed_at: int | None = None  # warm-ups when its fault was gone; None: still failing
    expires_km: float = NEVER  # a passing disturbance leaves without a clear
    uds: str = ""  # a status byte that a story wants


class Memory:
    """The code memories of one vehicle's control units."""

    def __init__(self, model: Model, chance: Chance, cleared_km: float, cleared_at: int) -> None:
        self.model = model
        self._chance = chance
        self.ailments: list[Ailment] = []
        self.entries: dict[Sign, Entry] = {}
        self.permanent: dict[Sign, float] = {}  # the monitor passes here, and it leaves
        self.untested: dict[Sign, float] = {}  # erased codes: the test runs again here
        self.cleared_km = dict.fromkeys(model.ecus, cleared_km)
        self.cleared_at = dict.fromkeys(model.ecus, cleared_at)  # warm-ups
        self.monitors_km = dict.fromkeys(model.monitors, cleared_km)

    def onset(self, fault: Fault, km: float, *, echoes: Sequence[str] | None = None) -> Ailment:
        """Start a fault.  ``echoes``: the units that echo it; None leaves that to chance."""
        signs = [fault.sign]
        for sign, probability in fault.echoes:
            drawn = self._chance.happens(probability)
            if sign.ecu in self.model.ecus and (drawn if echoes is None else sign.ecu in echoes):
                signs.append(sign)
        ailment = Ailment(
            fault,
            km,
            tuple(signs),
            self._shows(signs, km),
            transient=self._chance.happens(fault.transient_share),
            hard=fault.hard,
        )
        self.ailments.append(ailment)
        return ailment

    def glitch(self, sign: Sign, km: float, lasts_km: float) -> None:
        """Set a code pending once; it leaves by itself."""
        self.entries.setdefault(sign, Entry(sign, km, NEVER, expires_km=km + lasts_km))

    def advance(self, km: float, warmups: int) -> None:
        """Let everything happen that is due by these km."""
        for ailment in self.ailments:
            for sign, shows in ailment.shows_km.items():
                if not ailment.healed and shows <= km:
                    self._set(sign, shows, confirms_after=0 if ailment.hard else None)
        for entry in list(self.entries.values()):
            aged = entry.passed_at is not None and warmups - entry.passed_at >= WARMUPS_TO_AGE
            if aged or entry.expires_km <= km:
                del self.entries[entry.sign]
        self.permanent = {sign: end for sign, end in self.permanent.items() if end > km}
        self.ailments = [a for a in self.ailments if not a.healed]

    def heal(self, ailment: Ailment, warmups: int) -> None:
        """End a fault for good; what is stored of it stays until cleared or aged."""
        ailment.healed = True
        for sign in ailment.signs:
            if sign in self.entries:
                self.entries[sign].passed_at = warmups

    def clear(self, km: float, warmups: int, ecus: Iterable[str] | None = None) -> None:
        """Erase codes, of all control units or of those named."""
        named = tuple(self.model.ecus if ecus is None else ecus)
        if "engine" in named:
            self.monitors_km = {
                name: km + self._chance.between(*MONITOR_KM[name]) for name in self.model.monitors
            }
        for entry in [e for e in self.entries.values() if e.sign.ecu in named]:
            self._erase(entry, km)
        for name in named:
            self.cleared_km[name] = km
            self.cleared_at[name] = warmups
        for ailment in self.ailments:
            if not ailment.healed:
                self._after_clear(ailment, named, km)

    def codes(self, ecu: str) -> list[Entry]:
        """Give the stored codes of a control unit, in a fixed order."""
        found = [e for e in self.entries.values() if e.sign.ecu == ecu]
        return sorted(found, key=lambda e: (e.sign.code, e.sign.failure_type))

    def monitors_incomplete(self, km: float) -> list[str]:
        """Name the monitors that have not run since the clear."""
        return [name for name, done in self.monitors_km.items() if done > km]

    def _shows(self, signs: Iterable[Sign], km: float) -> dict[Sign, float]:
        own, *echoes = signs
        return {own: km} | {sign: km + self._chance.between(0, 40) for sign in echoes}

    def _set(self, sign: Sign, km: float, *, confirms_after: float | None) -> None:
        if sign in self.entries:
            return
        delay = self._chance.between(15, 90) if confirms_after is None else confirms_after
        self.entries[sign] = Entry(sign, km, km + delay, self._chance.whole(1, 9))
        self.untested.pop(sign, None)

    def _erase(self, entry: Entry, km: float) -> None:
        sign = entry.sign
        monitor = self._monitor_km(sign, km)
        if sign.ecu == "engine" and sign.code.startswith("P0") and entry.confirm_km <= km:
            # it goes when its own monitor has passed (13 CCR 1968.2 (d)(2.5.2)(A))
            self.permanent[sign] = max(monitor, km + self._chance.between(40, 200))
        self.untested[sign] = max(monitor, km + self._chance.between(4, 60))
        del self.entries[sign]

    def _monitor_km(self, sign: Sign, km: float) -> float:
        for fault in self.model.faults:
            if fault.sign == sign and fault.monitor in self.monitors_km:
                return self.monitors_km[fault.monitor]
        return km

    def _after_clear(self, ailment: Ailment, ecus: tuple[str, ...], km: float) -> None:
        if ailment.fault.sign.ecu not in ecus:  # only echoes were erased: they are set again soon
            for sign in ailment.signs[1:]:
                if sign.ecu in ecus:
                    ailment.shows_km[sign] = km + self._chance.between(1, 40)
            return
        ailment.clears += 1
        if ailment.transient and not ailment.returns_after:
            ailment.healed = True
            return
        if ailment.returns_after:
            back = km + ailment.returns_after.pop(0)
        elif ailment.hard:
            back = km
        else:
            back = km + self._chance.weibull(*RETURN_KM)
            back = max(back, self._monitor_km(ailment.fault.sign, km))
        shown = self._shows(ailment.signs, back)
        ailment.shows_km = {s: k for s, k in shown.items() if s.ecu in ecus} | {
            s: k for s, k in ailment.shows_km.items() if s.ecu not in ecus
        }
