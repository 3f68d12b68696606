"""The component of a family, and the circuit of a code: what codes have in common.  Pure.

Attempts, work orders and costs are pooled by component.

A family is a component with its place (``wheel_speed_sensor:front_right``), or a code or part
without a known component (``code:P1234``, ``part:hose``), which is then its own component.

A circuit is narrower.  A sensor that failed with one code and fails again with its neighbour
("open" before, "erratic" now) is the same fault for whoever repaired it.  Codes of what a sensor
*measures* ("range or performance", FMI 0 "above normal"), of self-tests and of other control units
are not: a hot engine is no faulty thermometer.  Source: the failure type categories of SAE J2012
(1x electrical, 2x signal, 3x frequency) and the failure modes of SAE J1939-73; which of their words
mean the circuit is own judgement, and doubtful ones are left out.
"""

from typing import Final

from afterclear.catalogue.codes import NormalCode

_STAND_ALONE: Final = ("code", "part")

# how the tables of ``config/codes`` say that a circuit fails, after the name of the part
_OF_CIRCUIT: Final = frozenset(
    {
        "",
        *("circuit", "circuit open", "circuit low", "circuit high", "circuit shorted"),
        *("control circuit", "control circuit open", "control circuit low"),
        *("control circuit high", "electrical", "intermittent", "supply", "resistance"),
        *("signal low", "signal high", "no signal", "voltage low", "voltage high"),
        *("current low", "current high", "phase open", "primary or secondary circuit"),
        *("primary circuit low", "primary circuit high", "secondary circuit"),
    }
)
_GENERAL_TYPES: Final = frozenset({"01", "02", "03", "09"})  # "general electrical", "component"
_ELECTRICAL: Final = "123"  # the first digit of a failure type
# voltage and current out of bounds, erratic, frequency, device bad
_ELECTRICAL_FMI: Final = frozenset({2, 3, 4, 5, 6, 8, 12})

# the same rule for the database, where every connection knows it by this name
COMPONENT_MACRO: Final = f"""
CREATE TEMP MACRO component_of(family) AS
    CASE WHEN split_part(family, ':', 1) IN {_STAND_ALONE} THEN family
         ELSE split_part(family, ':', 1) END
"""
# two places are not apart: bank 1 sensor 1 is at bank 1, and what names no place may be anywhere
PLACES_MACRO: Final = """
CREATE TEMP MACRO places_meet(one, other) AS
    '' IN (one, other)
    OR starts_with(one || '_', other || '_') OR starts_with(other || '_', one || '_')
"""
# a code without its failure type: what people write on work orders, and some tools show
BASE_CODE_MACRO: Final = """
CREATE TEMP MACRO base_code(code) AS split_part(split_part(code, ' FMI ', 1), '-', 1)
"""


def component_of(family: str) -> str:
    """Give a family's component, without its place.

    >>> component_of("wheel_speed_sensor:front_right"), component_of("code:P1234")
    ('wheel_speed_sensor', 'code:P1234')
    """
    return split_family(family)[0]


def is_stand_alone(family: str) -> bool:
    """Whether a family is a code or part without a known component.

    >>> is_stand_alone("part:hose")
    True
    """
    return family.partition(":")[0] in _STAND_ALONE


def split_family(family: str) -> tuple[str, str | None]:
    """Give a family's component and its place.

    >>> split_family("wheel_speed_sensor:front_right")
    ('wheel_speed_sensor', 'front_right')
    """
    component, _, place = family.partition(":")
    return (family, None) if is_stand_alone(family) else (component, place or None)


def circuit_of(
    code: NormalCode, family: str, meaning: str | None, *, certain: bool = True
) -> str | None:
    """Name the circuit a code is about; None: it is not about one, or that is not sure.

    ``meaning``: the tables' words for the code without its failure type; None: none.  Not
    ``certain``: makers use the number for different places, so only the number itself is alike.

    >>> from afterclear.catalogue.codes import normal_code
    >>> circuit_of(normal_code("P0117"), "thermometer", "coolant sensor 1: signal low")
    'thermometer|coolant sensor 1'
    >>> circuit_of(normal_code("P0116"), "thermometer", "coolant sensor 1: range or performance")
    """
    if not _tells_circuit(code):
        return None
    if meaning is None:
        return f"{family}|{code.base}"
    part, _, how = meaning.partition(": ")
    if how not in _OF_CIRCUIT:
        return None
    return f"{family}|{part if certain else code.base}"


def _tells_circuit(code: NormalCode) -> bool:
    """Whether the failure is given as electrical, or not given."""
    if code.spn is not None:
        return code.fmi is None or code.fmi in _ELECTRICAL_FMI
    if code.sub_code is not None:
        return False  # only its maker knows its meaning
    kind = code.failure_type
    return kind is None or kind in _GENERAL_TYPES or kind[0] in _ELECTRICAL
