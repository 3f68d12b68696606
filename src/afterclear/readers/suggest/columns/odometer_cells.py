"""Cells of an odometer that are written in two ways: about so much, or in several hands.

The numbers are made plain before anything is decided by them; the map is told how they were
written.
"""

import re
from dataclasses import replace

from afterclear.readers.suggest.columns.numbers import GROUP_MARKS, parted
from afterclear.readers.suggest.columns.profiles import Profile

# Before a number that is not exact, in the languages served (common practice, no source).
ABOUT = (
    r"(?i:ca\.?|circa|approx(?:imately|\.)?|about|around|etwa|ungef(?:ä|ae)hr|rund|rd\.|environ"
    r"|env\.?|vers|aprox\.?|unos|ok\.|oko[łl]o|~|≈)\s*"
)
_ABOUT = re.compile(rf"{ABOUT}(?=\d)")
_GROUPS = {
    mark: re.compile(rf"[1-9]\d{{0,2}}(?:{re.escape(mark)}\d{{3}})+")
    for mark in (*".,", *GROUP_MARKS)
}


def written_plainly(profile: Profile) -> Profile:
    """Write the numbers of a column headed as an odometer as if one person had written them."""
    if not profile.means("odometer_km", "odometer_mi"):
        return profile
    return _in_one_hand(_without_about(profile))


def _without_about(profile: Profile) -> Profile:
    about = tuple(v for v in profile.values if _ABOUT.match(v) and parted(_ABOUT.sub("", v, 1)))
    if not about:
        return profile
    return replace(profile, cells=[_ABOUT.sub("", c, 1) for c in profile.cells], about=about)


def _in_one_hand(profile: Profile) -> Profile:
    """Take out the marks of 98.000, 51 310 and 90,450 in one column.

    An odometer shows tenths at most, so each of them parts thousands. Without both a dot and a
    comma it is as any other number: the file as a whole decides.
    """
    found = [p.number for v in profile.values if (p := parted(v))]
    marked = [number for number in found if not number.isdecimal()]
    of_each = [[m for m, shape in _GROUPS.items() if shape.fullmatch(n)] for n in marked]
    met = {mark for own in of_each for mark in own}
    if not all(of_each) or not {*".,"} <= met:
        return profile
    marks = "".join(m for m in _GROUPS if m in met)
    bare = {v: re.sub(rf"(?<=\d)[{re.escape(marks)}](?=\d{{3}})", "", v) for v in profile.values}
    return replace(profile, cells=[bare.get(c, c) for c in profile.cells], marks=marks)
