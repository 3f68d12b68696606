"""What a vehicle identification number says about itself, and what is wrong with it.

Nothing is corrected: a suggestion is given beside the original text.  Sources: 49 CFR 565
(characters, check digit, positions); ISO 3779 and 3780 (regions, from memory); model years from
memory, 1988 to 2003 also in a published list.
"""

from dataclasses import dataclass
from typing import Final, Literal, TypeAlias

LENGTH = 17

CheckDigit: TypeAlias = Literal["valid", "wrong", "not_computable"]

_LETTERS = "ABCDEFGHJKLMNPRSTUVWXYZ"  # without I, O, Q (49 CFR 565)
_LEGAL = frozenset(_LETTERS + "0123456789")
_LOOKALIKES = str.maketrans("OQI", "001")

# 49 CFR 565: values of letters and weights of positions for the check digit
_VALUE = {
    **{str(digit): digit for digit in range(10)},
    **dict(zip("ABCDEFGH", range(1, 9), strict=True)),
    **dict(zip("JKLMN", range(1, 6), strict=True)),
    "P": 7,
    "R": 9,
    **dict(zip("STUVWXYZ", range(2, 10), strict=True)),
}
_WEIGHTS = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)

# position 10 never is I, O, Q, U, Z or 0; the cycle is 30 years
_YEAR_CODES = "ABCDEFGHJKLMNPRSTVWXY123456789"
_FIRST_YEAR = 1980
_CYCLE = 30

_REGIONS = (
    ("ABCDEFGH", "Africa"),
    ("JKLMNPR", "Asia"),
    ("STUVWXYZ", "Europe"),
    ("12345", "North America"),
    ("67", "Oceania"),
    ("890", "South America"),
)
_NORTH_AMERICA = frozenset("12345")
_CHECKED = _NORTH_AMERICA | {"L"}  # where the check digit is required: North America and China


def _sql_digit_sum(vin: str) -> str:
    """Write SQL for ``check_digit_sum`` of a well-formed VIN."""
    values = "".join(str(_VALUE[letter]) for letter in _LETTERS)
    digits = f"translate({vin}, '{_LETTERS}', '{values}')"
    weighted = (f"{w} * substr({digits}, {n}, 1)::INT" for n, w in enumerate(_WEIGHTS, 1))
    return f"({' + '.join(weighted)})"


# Doubts about a VIN, for the database: every connection knows the function by this name; NULL:
# none.  The check digit has a verdict only if it is required, the model year (position 10 in 49 CFR
# 565) only in North America.
VIN_DOUBT_MACRO: Final = f"""
CREATE TEMP MACRO vin_doubt(told, model_year) AS CASE
    WHEN told IS NULL OR plain_vin(told) = '' THEN NULL
    WHEN length(plain_vin(told)) <> {LENGTH}
        THEN 'a VIN has {LENGTH} characters, this has ' || length(plain_vin(told))
    WHEN NOT regexp_full_match(plain_vin(told), '[{_LETTERS}0-9]*')
        THEN 'a VIN has the letters A to Z without I, O, Q and digits'
    WHEN NOT regexp_matches(plain_vin(told), '^[{"".join(sorted(_CHECKED))}]') THEN NULL
    WHEN substr('0123456789X', 1 + {_sql_digit_sum("plain_vin(told)")} % 11, 1)
            <> substr(plain_vin(told), 9, 1)
        THEN 'the check digit is wrong: a typing error is likely'
    WHEN NOT regexp_matches(plain_vin(told), '^[{"".join(sorted(_NORTH_AMERICA))}]') THEN NULL
    WHEN strpos('{_YEAR_CODES}', substr(plain_vin(told), 10, 1)) = 0
        THEN 'the tenth character stands for no model year'
    WHEN (model_year - {_FIRST_YEAR - 1} - strpos('{_YEAR_CODES}', substr(plain_vin(told), 10, 1)))
            % {_CYCLE} <> 0
        THEN 'its tenth character is not of model year ' || model_year
    END
"""
PLAIN_VIN_MACRO: Final = r"""
CREATE TEMP MACRO plain_vin(told) AS upper(regexp_replace(told, '[\s*''"-]', '', 'g'))
"""

_TYPING_ERRORS = 2  # characters; more than two differ: another vehicle (own judgement)


@dataclass(frozen=True, slots=True)
class Vin:
    """One VIN as it was written, and what can be said about it."""

    vin: str  # upper case, without blanks and dashes
    problems: tuple[str, ...]  # why it is no VIN; empty: it may be one
    suggestion: str | None  # look-alikes replaced (O and Q by 0, I by 1); never applied
    check_digit: CheckDigit  # not_computable: wrong length or characters
    check_is_required: bool  # by its region; elsewhere a wrong one is a hint and no more
    region: str | None  # where its maker's code was given; None: cannot be known
    model_years: tuple[int, ...]  # years position 10 can mean, oldest first; empty: none
    model_year: int | None  # the one left by the 30-year rule; None: two are possible, or none

    @property
    def doubts(self) -> tuple[str, ...]:
        """List everything a person should look at, hints included."""
        if self.check_digit != "wrong":
            return self.problems
        if self.check_is_required:
            return (*self.problems, "the check digit is wrong: a typing error is likely")
        return (
            *self.problems,
            "the check digit does not fit, which may be so outside North America and China",
        )


def read_vin(text: str, latest_year: int) -> Vin:
    """Read a text as a VIN. Never raises, never corrects.

    ``latest_year`` is the newest model year there can be, usually next year.

    >>> read_vin("1m8gdm9axkp042788", 2026).check_digit
    'valid'
    >>> read_vin("IM8GDM9AXKP042788", 2026).suggestion
    '1M8GDM9AXKP042788'
    """
    vin = "".join(text.upper().split()).replace("-", "").strip("*'\"")
    illegal = sorted({char for char in vin if char not in _LEGAL})
    problems = []
    if len(vin) != LENGTH:
        problems.append(f"a VIN has {LENGTH} characters, this has {len(vin)}")
    if illegal:
        problems.append(
            f"a VIN has the letters A to Z without I, O, Q and digits, not {', '.join(illegal)}"
        )
    repaired = vin.translate(_LOOKALIKES)
    useful = repaired != vin and len(repaired) == LENGTH and _LEGAL.issuperset(repaired)
    years = () if problems else model_years(vin, latest_year)
    return Vin(
        vin=vin,
        problems=tuple(problems),
        suggestion=repaired if useful else None,
        check_digit="not_computable" if problems else _check_digit(vin),
        check_is_required=vin[:1] in _CHECKED,
        region=next((name for letters, name in _REGIONS if vin[:1] and vin[0] in letters), None),
        model_years=years,
        model_year=_one_year(vin, years),
    )


def check_digit_sum(vin: str) -> int:
    """Weighted sum of a well-formed VIN; modulo 11 it is the check digit, 10 being X."""
    return sum(_VALUE[char] * weight for char, weight in zip(vin, _WEIGHTS, strict=True))


def model_years(vin: str, latest_year: int) -> tuple[int, ...]:
    """Years position 10 can mean, oldest first, none later than ``latest_year``.

    In Europe the character need not be a year at all (ISO 3779).
    """
    place = _YEAR_CODES.find(vin[9])
    if place < 0:
        return ()
    return tuple(range(_FIRST_YEAR + place, latest_year + 1, _CYCLE))


def difference(one: Vin, other: Vin) -> Literal["same", "typing error", "other vehicle"]:
    """Compare two readings of a vehicle's VIN, such as the car's and a control unit's.

    Look-alikes count as the same.  Up to two differing characters, or two neighbours swapped,
    look like a typing error; more is another vehicle, or a unit out of one (own judgement).
    """
    a, b = (seen.suggestion or seen.vin for seen in (one, other))
    if a == b:
        return "same"
    differing = sum(x != y for x, y in zip(a, b, strict=False)) + abs(len(a) - len(b))
    return "typing error" if differing <= _TYPING_ERRORS else "other vehicle"


def _check_digit(vin: str) -> CheckDigit:
    expected = "0123456789X"[check_digit_sum(vin) % 11]
    return "valid" if vin[8] == expected else "wrong"


def _one_year(vin: str, years: tuple[int, ...]) -> int | None:
    """Pick the year if one is left, or position 7 decides.

    Light vehicles for North America: position 7 is a digit up to model year 2009 and a letter
    from 2010 on (49 CFR 565.15).  Heavy ones need not follow, so it is used only to choose
    between years that are both possible.
    """
    if len(years) == 1:
        return years[0]
    if not years or vin[0] not in _NORTH_AMERICA:
        return None
    return years[0] if vin[6].isdecimal() else years[1]
