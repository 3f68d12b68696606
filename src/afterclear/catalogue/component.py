"""The component of a family: what attempts, work orders and costs are pooled by.  Pure.

A family is a component with its place (``wheel_speed_sensor:front_right``), or a code or part no
component is known of (``code:P1234``, ``part:hose``), which then stands for itself.
"""

from typing import Final

_STAND_ALONE: Final = ("code", "part")

# the same rule for the database, where every connection knows it by this name
COMPONENT_MACRO: Final = f"""
CREATE TEMP MACRO component_of(family) AS
    CASE WHEN split_part(family, ':', 1) IN {_STAND_ALONE} THEN family
         ELSE split_part(family, ':', 1) END
"""


def component_of(family: str) -> str:
    """Give a family's component, without its place.

    >>> component_of("wheel_speed_sensor:front_right"), component_of("code:P1234")
    ('wheel_speed_sensor', 'code:P1234')
    """
    return split_family(family)[0]


def is_stand_alone(family: str) -> bool:
    """Whether a family is a code or part no component is known of.

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
