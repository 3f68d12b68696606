"""The tables under ``config/codes``: what a code, an SPN, an FMI or a failure type says."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from afterclear.catalogue.codes import NormalCode
from afterclear.catalogue.config_tables import Row, read_table
from afterclear.errors import ConfigError

_GENERIC = ("code", "meaning", "component", "position", "certain", "source")
_UNLISTED = {
    "standard": "standard code ({subsystem}), meaning not in the tables",
    "maker": "maker-specific {subsystem} code",
    "reserved": "reserved {subsystem} code",
}
_OWN_NUMBERING = "own numbering"
_NOT_ASSIGNED = "unassigned"


@dataclass(frozen=True, slots=True)
class CodeEntry:
    """One code or SPN in a table."""

    meaning: str
    component: str  # a key of the lexicon; empty: none
    position: str  # in words: front right, bank 1 sensor 2; empty: none
    certain: bool  # False: makers disagree on the place
    source: str


@dataclass(frozen=True, slots=True)
class CodeTables:
    """All code tables, by key."""

    codes: dict[str, CodeEntry]
    spns: dict[int, CodeEntry]
    fmis: dict[int, str]
    failure_types: dict[str, str]
    blocks: tuple[tuple[str, str, str, str], ...]  # first, last, owner, subsystem; both included
    schemes: dict[tuple[str, str], CodeEntry]  # (scheme, code) -> entry of makers using it
    make_schemes: dict[str, str]  # make, lower case -> scheme

    @classmethod
    def load(cls, codes_dir: Path) -> "CodeTables":
        """Read every table.

        Raises:
            ConfigError: a table is missing or wrong, or a code occurs twice.

        """
        codes: dict[str, CodeEntry] = {}
        for path in sorted(codes_dir.glob("generic_*.csv")):
            _collect(codes, read_table(path, _GENERIC), path)
        network = codes_dir / "network.csv"
        _collect(
            codes,
            read_table(network, ("code", "meaning", "component", "position", "source")),
            network,
        )
        spn_path = codes_dir / "spn.csv"
        spn_rows = read_table(spn_path, ("spn", "meaning", "component", "position", "source"))
        by_spn: dict[str, CodeEntry] = {}
        _collect(by_spn, ({**row, "code": row["spn"]} for row in spn_rows), spn_path)
        failure_types = read_table(
            codes_dir / "failure_types.csv", ("failure_type", "meaning", "source")
        )
        fmis = read_table(codes_dir / "fmi.csv", ("fmi", "meaning", "source"))
        blocks = read_table(
            codes_dir / "blocks.csv", ("first", "last", "owner", "subsystem", "source")
        )
        schemes = read_table(codes_dir / "corner_schemes.csv", ("scheme", *_GENERIC))
        makes = read_table(codes_dir / "make_schemes.csv", ("make", "scheme"))
        return cls(
            codes=codes,
            spns={int(spn): entry for spn, entry in by_spn.items()},
            fmis={int(row["fmi"]): row["meaning"] for row in fmis},
            failure_types={row["failure_type"]: row["meaning"] for row in failure_types},
            blocks=tuple((r["first"], r["last"], r["owner"], r["subsystem"]) for r in blocks),
            schemes={(row["scheme"], row["code"]): _entry(row) for row in schemes},
            make_schemes={row["make"].casefold(): row["scheme"] for row in makes},
        )

    def entry(self, code: NormalCode, make: str | None = None) -> CodeEntry | None:
        """Find a code's entry in the tables; a make's own scheme before the general table."""
        if code.spn is not None:
            return self.spns.get(code.spn)
        scheme = self.make_schemes.get((make or "").casefold().strip())
        if scheme and (found := self.schemes.get((scheme, code.base))):
            return found
        return self.codes.get(code.base)

    def block(self, code: NormalCode) -> tuple[str, str]:
        """Owner (standard, maker, reserved) and subsystem of the block a code is in.

        The third character is a hint only: the 2016 edition of SAE J2012 no longer groups
        codes by function.
        """
        if code.space == "j1939":
            return "standard", "heavy vehicle network"
        if code.space == "maker":
            return "maker", _OWN_NUMBERING
        for first, last, owner, subsystem in self.blocks:
            if first <= code.base <= last:
                return owner, subsystem
        return "reserved", _NOT_ASSIGNED

    def detail(self, code: NormalCode) -> str:
        """Words for the failure type or FMI; empty if none is given or known."""
        if code.fmi is not None:
            return self.fmis.get(code.fmi, "reserved failure mode")
        if code.failure_type is not None:
            return self.failure_types.get(code.failure_type, f"failure type {code.failure_type}")
        return f"maker's sub-code {code.sub_code}" if code.sub_code else ""


def unlisted_words(owner: str, subsystem: str) -> str:
    """Describe a code the tables do not have: who gives it its meaning, and its area.

    >>> unlisted_words("maker", "body")
    'maker-specific body code'
    """
    if subsystem == _OWN_NUMBERING:
        return "code of the maker's own numbering"
    return _UNLISTED[owner].format(subsystem=subsystem)


def _entry(row: Row) -> CodeEntry:
    return CodeEntry(
        meaning=row["meaning"],
        component=row["component"],
        position=row.get("position", ""),
        certain=row.get("certain", "") != "no",
        source=row["source"],
    )


def _collect(into: dict[str, CodeEntry], rows: Iterable[Row], path: Path) -> None:
    for row in rows:
        if row["code"] in into:
            raise ConfigError(f"{path} line {row['_line']}: {row['code']} stands here twice.")
        into[row["code"]] = _entry(row)


# --- places --------------------------------------------------------------------------------------

_PlacesOf = Callable[[str], Mapping[str, str]]  # of a code, by axis: {"cylinder": "1"}


def n_places(rows: Iterable[Sequence[str]], places_of: _PlacesOf) -> int:
    """Count the different places that the codes of a line's rows name; 1: they do not differ.

    >>> n_places([["P0301"], ["P0302"]], lambda code: {"cylinder": code[-1]})
    2
    """
    by_axis: dict[str, set[frozenset[str]]] = {}
    for codes in rows:
        told: dict[str, set[str]] = {}
        for axis, value in (place for code in codes for place in places_of(code).items()):
            told.setdefault(axis, set()).add(value)
        for axis, values in told.items():
            by_axis.setdefault(axis, set()).add(frozenset(values))
    differing = (frozenset().union(*told) for told in by_axis.values() if len(told) > 1)
    return max(map(len, differing), default=1)


def position_of(codes: Sequence[str], places_of: _PlacesOf) -> str:
    """Say in words which place codes name; empty: none, or not the same.

    >>> position_of(["P0302"], lambda code: {"cylinder": code[-1]})
    'cylinder 2'
    """
    told = {
        " ".join(f"{axis.split()[-1]} {at}" if at.isdigit() else at for axis, at in named.items())
        for named in map(places_of, codes)
    }
    return told.pop() if len(told) == 1 else ""
