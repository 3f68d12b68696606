"""Names of people, vehicles and documents replaced by stable keyed tokens.  Pure.

A token is the beginning of an HMAC-SHA256 (RFC 2104) of kind and value under the user's key:
the same name has the same token in every digest and export made with that key, and without the
key no token can be turned back or tried against a list of names.
"""

import base64
import hashlib
import hmac
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import polars as pl

from afterclear.digest.input.frames import (
    HISTORY_MARKS,
    Details,
    FleetFrames,
    StaleSource,
    in_chunks,
)

# column -> what it names; the same value of one kind has one token everywhere
PERSONAL: Final[dict[str, str]] = {
    "vin": "vin",
    "ecu_vin": "vin",
    "plate": "plate",
    "technician": "person",
    "decided_by": "person",
    "undone_by": "person",
    "recipient": "person",
}
IDENTIFYING: Final[dict[str, str]] = {
    "vehicle_id": "vehicle",
    "scan_id": "scan",
    "first_scan_id": "scan",
    "returned_scan_id": "scan",
    "last_clean_scan_id": "scan",
    "last_scan_id": "scan",
    "repair_id": "order",
    "beside_repair_id": "order",
    "fitted_repair_id": "order",
    "removed_repair_id": "order",
    "file_name": "file",
    "source": "source",
    "site": "site",
    "fitted_site": "site",
    "removed_site": "site",
}
# people's free text: its content is unknown
FREE_TEXT: Final = frozenset({"notes", "note", "description", "row_json", "value", "failure"})
# free text of a person in tables that have the other column, and the program's own elsewhere
_FREE_BESIDE: Final = {"reason": ("cleared_at", "cleared_low_at")}
# the program's own text that may quote a name
_TEXTS: Final = (
    "because",
    "deciding",
    "deeds",
    "grounds",
    "looks",
    "facts",
    "why",
    "sentence",
    "action",
    "parts",
    "reason",
    "at_sites",
)
_PREFIX: Final = {
    "vin": "vin",
    "plate": "plate",
    "person": "person",
    "vehicle": "veh",
    "scan": "scan",
    "order": "order",
    "file": "file",
    "source": "source",
    "site": "site",
}
_SHORTEST_IN_TEXT = 4  # a shorter name would be found inside other words


@dataclass(frozen=True, slots=True)
class Pseudonyms:
    """Makes tokens under one key; ``public`` also hides vehicles, documents and places."""

    key: bytes
    public: bool = False

    def token(self, kind: str, value: str) -> str:
        """Return the token of a name.

        >>> Pseudonyms(b"sixteen letters!").token("person", "M. Orrel")
        'person-u3zqkcgzdy'
        """
        digest = hmac.new(self.key, f"{kind}\x1f{value}".encode(), hashlib.sha256).digest()
        return f"{_PREFIX[kind]}-{base64.b32encode(digest)[:10].decode().lower()}"

    def kinds(self) -> Mapping[str, str]:
        """Return which columns are replaced."""
        return {**PERSONAL, **IDENTIFYING} if self.public else PERSONAL


def pseudonymise_fleet(
    frames: FleetFrames, people: pl.DataFrame, details: Details, names: Pseudonyms
) -> tuple[FleetFrames, Details]:
    """Replace names in everything a digest is built from, and in the rows it will read later.

    ``people``: technician and site, names that any text may quote; ``details`` knows vehicles
    by their true numbers, the one given back by those on the pages.
    """
    always = [people, frames.loads]
    tables = {name: getattr(frames, name) for name in (*_FLEET_TABLES, "loads")}
    known = known_names([*always, *tables.values(), *frames.findings.values()], names)
    if names.public:
        # the only text there that may quote scans and work orders
        stock = frames.findings["stock"]["vehicle_id"]
        for rows in in_chunks(details, stock, ("attempts", "observations", "repairs")):
            known |= known_names(rows.values(), names)
        known = _longest_first(known)
    done: dict[str, Any] = {
        name: pseudonymise(frame, names, known) for name, frame in tables.items()
    }
    findings = {
        name: pseudonymise(_people(name, frame, names), names, known)
        for name, frame in frames.findings.items()
    }
    hidden = _private(details, always, names, frames.fleet["vehicle_id"])
    if not names.public:
        return replace(frames, **done, findings=findings), hidden
    done["fleet"] = _without(done["fleet"], ("plate", "vin"))
    return replace(
        frames,
        **done,
        findings=findings,
        said_before={
            (kind, names.token("vehicle", subject) if kind == "stock" else subject): mark
            for (kind, subject), mark in frames.said_before.items()
        },
        stale_sources=tuple(
            StaleSource(names.token("source", s.name), s.since) for s in frames.stale_sources
        ),
        public=True,
    ), hidden


_FLEET_TABLES = ("fleet", "attempts", "open_faults", "new", "gone")
# what a public page leaves out of a vehicle's rows
_LEFT_OUT: Final = {
    "vehicles": ("plate", "vin"),
    "attempts": ("technician",),
    "repairs": ("technician",),
    "clear_events": ("reason",),
}


def _private(
    details: Details, always: Sequence[pl.DataFrame], names: Pseudonyms, ids: Iterable[str]
) -> Details:
    """Return rows with tokens for names; a text may quote its vehicle's names, people, sites."""
    quoted = known_names(always, names)
    true = {names.token("vehicle", each): each for each in ids} if names.public else {}

    def hidden(vehicle_ids: Sequence[str], tables: Collection[str]) -> Mapping[str, pl.DataFrame]:
        # a mark is of rows with names: which tokens stand in them it does not say
        wanted = [name for name in tables if name != HISTORY_MARKS]
        asked = [true.get(each, each) for each in vehicle_ids]
        # names quoted in a text may be in any table of the vehicle
        every = details(asked, {*wanted, *(_NAMING if names.public else ("vehicles",))})
        parts = {
            name: frame.partition_by("vehicle_id", as_dict=True) for name, frame in every.items()
        }
        done: dict[str, list[pl.DataFrame]] = {
            name: [pseudonymise(every[name].clear(), names, {})] for name in every if name in wanted
        }
        for vehicle in asked:
            own = {name: found[vehicle,] for name, found in parts.items() if (vehicle,) in found}
            known = _longest_first({**quoted, **known_names(own.values(), names)})
            for name, rows in own.items():
                if name in wanted:
                    done[name].append(pseudonymise(rows, names, known))
        whole = {name: pl.concat(found) for name, found in done.items()}
        if names.public:
            whole = {name: _without(rows, _LEFT_OUT.get(name, ())) for name, rows in whole.items()}
        return whole

    return hidden


_NAMING = ("vehicles", "attempts", "observations", "repairs")


def pseudonymise(
    frame: pl.DataFrame, names: Pseudonyms, known: Mapping[str, str] | None = None
) -> pl.DataFrame:
    """Replace names in one table: in their columns, and where the program's own texts quote one.

    ``known``: name -> token, of all tables together; None: those of this table alone.
    """
    quoted = known_names([frame], names) if known is None else known
    changed = []
    kinds = names.kinds()
    for column in frame.columns:
        if frame.schema[column] != pl.String:
            continue
        if column in kinds or (column == "origin_id" and names.public):
            changed.append(_tokens(frame, column, names))
        elif column in FREE_TEXT or _is_free_beside(column, frame):
            changed.append(pl.lit(None, pl.String).alias(column))
        elif column in _TEXTS and quoted:
            changed.append(
                pl.col(column).str.replace_many(list(quoted), list(quoted.values()), leftmost=True)
            )
    return _conflicts(frame.with_columns(changed), names)


def may_quote(column: str) -> bool:
    """Whether a column is text that may quote a name."""
    return column in {*FREE_TEXT, *_TEXTS, *_FREE_BESIDE}


def _is_free_beside(column: str, frame: pl.DataFrame) -> bool:
    return any(other in frame.columns for other in _FREE_BESIDE.get(column, ()))


def _conflicts(frame: pl.DataFrame, names: Pseudonyms) -> pl.DataFrame:
    """Replace VINs and plates in the table of contradictions: its kinds show which."""
    if not {"kind", "mark", "vehicle_ids"} <= set(frame.columns):
        return frame
    kinds = {"vin": "vin", "ecu_vin": "vin", "plate": "plate"}
    identifiers, others = [], []
    for kind, value, vehicle_ids in frame.select("kind", "mark", "vehicle_ids").iter_rows():
        identifiers.append(names.token(kinds[kind], value) if kind in kinds else value)
        # a number with several VINs lists those
        vins = [names.token("vin", vin) for vin in vehicle_ids.split()] if kind == "number" else []
        others.append(" ".join(vins) or vehicle_ids)
    return frame.with_columns(
        pl.Series("mark", identifiers, pl.String), pl.Series("vehicle_ids", others, pl.String)
    )


def known_names(frames: Iterable[pl.DataFrame], names: Pseudonyms) -> dict[str, str]:
    """Collect every name long enough to search for in texts, longest first, with its token."""
    found: dict[str, str] = {}
    kinds = names.kinds()
    for frame in frames:
        for column, kind in kinds.items():
            if column in frame.columns and frame.schema[column] == pl.String:
                for value in frame[column].drop_nulls().unique().to_list():
                    if len(value) >= _SHORTEST_IN_TEXT:
                        found[value] = names.token(kind, value)
    return _longest_first(found)


def _longest_first(found: Mapping[str, str]) -> dict[str, str]:
    return dict(sorted(found.items(), key=lambda pair: (-len(pair[0]), pair[0])))


def personal_values(frames: FleetFrames, people: pl.DataFrame) -> list[str]:
    """Gather plates, VINs and people's names: what no public page may carry."""
    tables = [frames.fleet, people, *frames.findings.values()]
    found = set(known_names(tables, Pseudonyms(b"")))
    judged = frames.findings["holders"].filter(pl.col("level") == "technician")["name"]
    return sorted(found | {n for n in judged.drop_nulls() if len(n) >= _SHORTEST_IN_TEXT})


def _people(table: str, frame: pl.DataFrame, names: Pseudonyms) -> pl.DataFrame:
    """Replace technicians (in public, sites) among groups compared; a public page has none."""
    if table != "holders":
        return frame
    if names.public:
        frame = frame.filter(pl.col("level") != "technician")
    kinds = {"technician": "person", **({"site": "site"} if names.public else {})}
    mapped = [
        names.token(kinds[level], name) if level in kinds else name
        for level, name in frame.select("level", "name").iter_rows()
    ]
    return frame.with_columns(pl.Series("name", mapped, pl.String))


def _tokens(frame: pl.DataFrame, column: str, names: Pseudonyms) -> pl.Expr:
    if column == "origin_id":  # of an odometer reading: the scan or the work order
        kinds = {"scan": "scan", "repair": "order"}
        mapped = [
            None if value is None else names.token(kinds.get(origin or "", "scan"), value)
            for origin, value in frame.select("origin", "origin_id").iter_rows()
        ]
        return pl.lit(pl.Series(column, mapped, pl.String)).alias(column)
    kind = names.kinds()[column]
    values = frame[column].drop_nulls().unique().to_list()
    tokens = {value: names.token(kind, value) for value in values}
    return pl.col(column).replace_strict(tokens, default=None, return_dtype=pl.String)


def _without(frame: pl.DataFrame, columns: Iterable[str]) -> pl.DataFrame:
    present = [name for name in columns if name in frame.columns]
    return frame.with_columns(pl.lit(None, pl.String).alias(name) for name in present)
