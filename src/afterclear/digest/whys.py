"""The histories' reasons why a scan says something or nothing, in the reader's language.  Pure.

They come as English sentences of a fixed set (``histories/sql/80_evidence.sql`` and its
neighbours); one that is not known is shown as it came.
"""

import re
from typing import Final

from afterclear.digest.cells import Cells
from afterclear.digest.language import mark

_FIXED: Final = (
    mark("read, and without the code"),
    mark("shows the code again"),
    mark("active codes only: absence proves nothing"),
    mark("still there in the same visit, after the work"),
    mark("still there, and neither a clear nor a scan without it since"),
    mark("same visit, and no clear is known yet"),
    mark("same visit: nothing was driven yet"),
    mark("its test has not completed since the clear"),
    mark("a permanent code alone outlives a clear: no return"),
    mark("pending once: a sign, not a return"),
    mark("the control unit did not answer"),
)
_FILLED: Final = (
    (
        re.compile(r"only (?P<km>\d+) km since the clear, (?P<needed>\d+) km needed"),
        mark("only {km} since the clear, {needed} needed"),
    ),
    (
        re.compile(r"its self-test \((?P<monitor>[^)]*)\) has not completed since the clear"),
        mark("its self-test ({monitor}) has not completed since the clear"),
    ),
)


def why_words(why: str, cells: Cells) -> str:
    r"""Say a reason of the histories in the reader's language and units.

    >>> why_words("only 2 km since the clear, 30 km needed", Cells("mi"))
    'only 1\xa0mi since the clear, 19\xa0mi needed'
    """
    if why in _FIXED:
        return cells.t(why)
    for pattern, message in _FILLED:
        found = pattern.fullmatch(why)
        if found:
            parts = found.groupdict()
            for name in ("km", "needed"):
                if name in parts:
                    parts[name] = cells.distance(float(parts[name]))
            return cells.t(message, **parts)
    return why
