"""Which check tells the causes of a code apart, as far as the code itself can say.  Pure.

A code's failure type says in which way something failed: SAE J2012 and ISO 15031-6 sort them by
their first digit (1 electrical, 2 signal, 3 pulse signal, 4 internal, 5 programming, 6 algorithm,
7 mechanical, 8 network, 9 component; from memory), SAE J1939-73 by failure mode identifiers. What
to look at first is common practice, without a source. No sentence here gives a measured value: the
maker's procedure has those.
"""

import re
from typing import Final, Literal

from afterclear.digest.common.model import Fault
from afterclear.wording.cells import Cells
from afterclear.wording.language import mark

Way = Literal[
    "short",
    "open",
    "electrical",
    "signal",
    "internal",
    "setup",
    "contradiction",
    "mechanical",
    "network",
    "component",
    "effect",
]

_CHECKS: Final[dict[Way, str]] = {
    "short": mark(
        "The circuit is shorted. Unplug the part: a short that stays lies in the wiring, a "
        "connector or the control unit, one that goes lies in the part."
    ),
    "open": mark(
        "The circuit is open. Look at connector pins, seals and the wire on its whole way; then "
        "measure the part by itself before another one is fitted."
    ),
    "electrical": mark(
        "An electrical value is out of range. Check supply, earth, connector and wiring up to the "
        "part first, then the part by itself."
    ),
    "signal": mark(
        "A signal is wrong or missing. Compare it with another value that must agree; check "
        "supply, earth, wiring and the way the sensor sits before another one is fitted."
    ),
    "internal": mark(
        "The control unit reports a fault of its own. Check its supply and earth before it is "
        "replaced."
    ),
    "setup": mark(
        "Coding, calibration or software is missing or does not fit. The part may be sound: set it "
        "up, then read again."
    ),
    "contradiction": mark(
        "Values contradict each other. Find out which of them is wrong before a part is fitted."
    ),
    "mechanical": mark(
        "Something does not move as it should, or leaks. Check that by eye and hand first, then "
        "what drives it, then its circuit."
    ),
    "network": mark(
        "A message is missing or wrong. Read the unit that should send it first, then check its "
        "supply, its earth and the network's wiring. The unit that stores this code only reports."
    ),
    "component": mark(
        "The part itself is named. Check that the right one is fitted, sits well and is connected "
        "before another one is fitted."
    ),
    "effect": mark(
        "The code names an effect that several causes can have. Find the cause before a part is "
        "fitted."
    ),
}
# where an open or shorted circuit may hurt whoever unplugs or probes it
_WITH_CAUTION: Final = mark(
    "The fault lies in a circuit. Look at connector and wiring before the part, but unplug and "
    "measure nothing here except as the maker's procedure says."
)
_CIRCUIT: Final = frozenset({"short", "open", "electrical"})

_BY_FIRST_DIGIT: Final[dict[str, Way]] = {
    "1": "electrical",
    "2": "signal",
    "3": "signal",
    "4": "internal",
    "5": "setup",
    "6": "contradiction",
    "7": "mechanical",
    "8": "network",
    "9": "component",
}
_BY_FAILURE_TYPE: Final[dict[str, Way]] = {
    "07": "mechanical",
    "08": "network",
    "09": "component",
    "11": "short",
    "12": "short",
    "13": "open",
    "4A": "component",
}
_BY_FMI: Final[dict[int, Way]] = {
    2: "signal",
    3: "electrical",
    4: "electrical",
    5: "electrical",
    6: "electrical",
    7: "mechanical",
    8: "signal",
    9: "network",
    10: "signal",
    12: "component",
    13: "setup",
    19: "network",
    20: "signal",
    21: "signal",
}
# words of the tables' meanings, the surest first
_BY_WORDS: Final[tuple[tuple[str, Way], ...]] = (
    ("circuit open|open circuit", "open"),
    ("circuit shorted|short to ground|short to battery", "short"),
    ("circuit|voltage", "electrical"),
    ("signal|pulses|range or performance|slow|intermittent", "signal"),
    ("calibration|not programmed|not configured", "setup"),
    ("do not fit together", "contradiction"),
    ("leak|stuck", "mechanical"),
)
_FAILURE_TYPE: Final = re.compile(r"^[PCBU][0-9A-F]{4}-([0-9A-F]{2})")
# only the maker knows what such a code is about: airbags too (ranges of SAE J2012, from memory)
_OF_THE_MAKER: Final = re.compile(r"^(?:P1|P3[0-3]|[BCU][12])")
_FMI: Final = re.compile(r"^SPN \d+ FMI (\d+)$")


def way_of_failing(code: str, meaning: str | None) -> Way:
    """Return in which way a code says that something failed; ``meaning`` in the tables' English.

    >>> way_of_failing("C0034-13", None), way_of_failing("U0121", None)
    ('open', 'network')
    """
    if found := _FAILURE_TYPE.match(code):
        byte = found[1]
        known = _BY_FAILURE_TYPE.get(byte) or _BY_FIRST_DIGIT.get(byte[0])
        if known:
            return known
    if found := _FMI.match(code):
        return _BY_FMI.get(int(found[1]), "effect")
    if re.match(r"^U0", code):
        return "network"
    words = (meaning or "").lower()
    return next(
        (way for any_of, way in _BY_WORDS if re.search(rf"\b(?:{any_of})\b", words)), "effect"
    )


def check_words(fault: Fault, cells: Cells) -> str:
    """Say what tells the causes of a fault apart; where a caution holds, nothing to be unplugged.

    Whatever is said here, the maker's procedure comes first; the sheet says so once.
    """
    way = way_of_failing(fault.code, fault.meaning)
    if (fault.safety or _OF_THE_MAKER.match(fault.code)) and way in _CIRCUIT:
        return cells.t(_WITH_CAUTION)
    return cells.t(_CHECKS[way])
