"""Objects whose keys are no headings: codes, or the control units whose codes they hold."""

from collections.abc import Mapping

from afterclear.catalogue.control_units import ControlUnits
from afterclear.readers.formats.nested import LINE_KEY, Node
from afterclear.readers.suggest.columns.profiles import has_code, is_a_code


def has_names_as_keys(node: Mapping[str, Node], units: ControlUnits) -> bool:
    """Whether all keys are codes, or all are control units, each with a list of its codes.

    An object *engine* with other things than codes is a part of its reading, no list.
    """
    things = {key: value for key, value in node.items() if key != LINE_KEY}
    if not things:
        return False
    if all(map(is_a_code, things)):
        return True
    lists = list(things.values())
    return (
        all(units.named(key) is not None for key in things)
        and all(isinstance(each, list) or _is_of_codes(each) for each in lists)
        and any(map(names_code, lists))
    )


def _is_of_codes(node: Node) -> bool:
    return isinstance(node, dict) and all(is_a_code(key) for key in node if key != LINE_KEY)


def names_code(node: Node) -> bool:
    """Whether a code stands in a list, in one of its objects, or is a key."""
    if isinstance(node, dict):
        return any(map(is_a_code, node)) or any(map(names_code, node.values()))
    if isinstance(node, list):
        return any(map(names_code, node))
    return node is not None and has_code(str(node))  # JSON has true and false
