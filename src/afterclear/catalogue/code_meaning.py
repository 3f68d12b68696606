"""What a code in normal form means: words, family, cautions, monitor, and the unit it points at.

All knowledge is in the tables under ``config/``; this file only looks it up. A code in no table
still gets a meaning (its block) and a family (itself), so no later step needs to know how complete
the tables are.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from fnmatch import fnmatchcase
from functools import cached_property, lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

from afterclear.catalogue.cautions import Caution, Cautions
from afterclear.catalogue.code_tables import CodeEntry, CodeTables, unlisted_words
from afterclear.catalogue.codes import NormalCode, normal_code
from afterclear.catalogue.component import circuit_of
from afterclear.catalogue.config_tables import read_table
from afterclear.catalogue.control_units import ControlUnits
from afterclear.catalogue.knock_on import Harm, KnockOn, Pointer, Relation, load_cures
from afterclear.catalogue.lexicon import Component, Lexicon, Mention, parts_of

if TYPE_CHECKING:
    from afterclear.catalogue.order_text.reading import Work, WorkReader, WorkText


@dataclass(frozen=True, slots=True)
class Meaning:
    """What a code says, in our own words."""

    text: str
    subsystem: str
    source: str  # where the words come from; "description" if from the scan


@dataclass(frozen=True, slots=True)
class Family:
    """The component, and its place, that a code is about."""

    key: str  # wheel_speed_sensor:front_right, or code:P1234 where no component is known
    label: str  # wheel speed sensor, front right
    certain: bool  # False: makers use the code for different places, or the text is unclear


@dataclass(frozen=True, slots=True)
class EvidenceDistance:
    """How far a vehicle must drive after a clear before silence says something."""

    km: float
    why: str
    source: str


# axes that are places of the vehicle for whatever part; "sensor 2" is a number of one kind of part
_OF_VEHICLE = {"cylinder", "bank", "end", "side", "row"}

# components whose place is the control unit a code points at
_BY_UNIT = {"communication", "software_match", "lamp_request"}

# what a text that names another unit is about
_SAID_OF_UNIT = {
    "lost": "communication",
    "invalid": "communication",
    "software": "software_match",
    "pointer": "communication",
}

_COMMON_COMPONENTS: dict[str, Relation] = {"supply_voltage": "supply", "data_bus": "bus"}


# A fleet asks the same few thousand questions a million times; one catalogue serves the whole
# process, so that the memory keeps no other one alive.
_remembered = lru_cache(maxsize=200_000)


class Catalogue:
    """The tables of one config directory, loaded once."""

    def __init__(self, config_dir: Path, own_cures: Path | None = None) -> None:
        self.lexicon = Lexicon.load(config_dir)
        self.control_units = ControlUnits.load(config_dir)
        self.codes = CodeTables.load(config_dir / "codes")
        self.knock_on = KnockOn.load(
            config_dir / "knock_on.csv", self.control_units, self.lexicon.components
        )
        self.cures = load_cures(config_dir / "cures.csv", self.lexicon.components)
        if own_cures:  # a row may stand in both: the shipped table may gain it later
            own = load_cures(own_cures, self.lexicon.components)
            self.cures = tuple(dict.fromkeys((*self.cures, *own)))
        self._config_dir = config_dir
        self._monitors = read_table(
            config_dir / "monitors.csv", ("first", "last", "monitor", "source")
        )
        self._cautions = Cautions.load(config_dir, self.control_units)
        self._evidence = read_table(config_dir / "evidence.csv", ("family", "km", "why", "source"))

    @classmethod
    def load(cls, config_dir: Path, own_cures: Path | None = None) -> "Catalogue":
        """Read every table under ``config_dir``, and more rows of ``cures.csv`` if there are any.

        A process that asks again (a nightly run, a second store) gets the same catalogue, as
        long as no file there has changed.

        Raises:
            ConfigError: a table is missing or wrong; the message names file and line.

        """
        files = sorted(path for path in config_dir.rglob("*") if path.is_file())
        stamps = [(path, path.stat()) for path in (*files, *([own_cures] if own_cures else ()))]
        return _read_once(
            config_dir, own_cures, tuple((path, at.st_mtime_ns, at.st_size) for path, at in stamps)
        )

    # --- words --------------------------------------------------------------------------

    def meaning(self, code: str, description: str | None = None) -> Meaning:
        """Give a code's meaning in words; the scan's own description only if we have none."""
        parsed = _parsed(code)
        entry = self.codes.entry(parsed)
        if entry is None:
            owner, block = self.codes.block(parsed)
            if description and description.strip():
                mention = self.lexicon.mention(description)
                block = mention.component.subsystem if mention else block
                return Meaning(description.strip(), block, "description")
            return Meaning(unlisted_words(owner, block), block, "block of the code")
        text = entry.meaning
        detail = self.codes.detail(parsed)
        component = self.lexicon.components.get(entry.component)
        subsystem = component.subsystem if component else self.codes.block(parsed)[1]
        return Meaning(f"{text}: {detail}" if detail else text, subsystem, entry.source)

    # --- families -----------------------------------------------------------------------

    def family(
        self,
        code: str,
        description: str | None = None,
        make: str | None = None,
        ecu: str | None = None,
    ) -> Family:
        """Name the component and place a code is about; never fails.

        A code the standard owns is looked up; its description may add the place the table
        leaves open.  A maker's code is read from its description.  With neither, the family
        is the code itself.
        """
        parsed = _parsed(code)
        entry = self.codes.entry(parsed, make)
        mention = self.lexicon.mention(description) if description else None
        if entry is not None and entry.component in _BY_UNIT:
            unit = self.knock_on.points_at(parsed)
            if unit:
                return self._network_family(entry.component, unit)
        if entry is not None and entry.component in self.lexicon.components:
            return self._listed_family(entry, mention, ecu)
        pointer = self.knock_on.pointer(parsed, description)
        if pointer and pointer.relation in _SAID_OF_UNIT:
            return self._network_family(_SAID_OF_UNIT[pointer.relation], pointer.ecu)
        if mention is not None:
            return self._family(mention.component, mention.position, ecu, certain=mention.certain)
        return self._own_family(parsed, make)

    @_remembered
    def places_of(self, code: str) -> Mapping[str, str]:
        """Give the places a code names, by axis; also where makers disagree on them.

        Codes that name different places on one axis are of different parts. An axis that numbers
        one kind of part only has its name before it.
        """
        entry = self.codes.entry(_parsed(code))
        component = self.lexicon.components.get(entry.component) if entry else None
        if entry is None or component is None:
            return {}
        told = self.lexicon.axes_told(component, entry.position)
        return {a if a in _OF_VEHICLE else f"{component.key} {a}": v for a, v in told.items()}

    def part_family(self, part_family: str, position: str | None = None) -> Family:
        """Name the family of a part on a work order, as codes about it are named."""
        key = part_family.strip()
        part = self.lexicon.components[key].label if key in self.lexicon.components else key
        mention = self.lexicon.mention(f"{part} {position or ''}")
        if mention is None:
            slug = "_".join(part.casefold().split())
            return Family(f"part:{slug or 'unknown'}", part or "part not named", certain=True)
        return self._family(mention.component, mention.position, None, certain=mention.certain)

    def order_text(self, text: str) -> "WorkText":
        """Give the work described in a work order's text, and the reason if there is none.

        Raises:
            ConfigError: the tables of words for work are missing or wrong.

        """
        return self._work_reader.read(text)

    def family_of_work(self, work: "Work") -> Family:
        """Name the family whose faults a piece of work is for."""
        component = self.lexicon.components[work.aimed_at]
        return self._family(component, work.position, None, certain=True)

    def why_used(self, consumable: str) -> str:
        """Say why work on a consumable is of no family: a service, or a part of something."""
        return self._work_reader.why_used(consumable)

    @cached_property
    def _work_reader(self) -> "WorkReader":
        # few commands read texts of work orders, and the words of five languages take a second
        from afterclear.catalogue.order_text.reading import WorkReader  # noqa: PLC0415

        return WorkReader(self._config_dir, self.lexicon)

    def _listed_family(self, entry: CodeEntry, mention: Mention | None, ecu: str | None) -> Family:
        """Combine the table's place and the text's; the text knows the maker."""
        component = self.lexicon.components[entry.component]
        place, _ = self.lexicon.position(component, entry.position)
        certain = entry.certain
        if mention is not None and mention.component.key == component.key and mention.placed:
            listed, named = parts_of(place), parts_of(mention.position)
            if mention.certain and not (listed and entry.certain):
                place, certain = mention.position, True
            elif listed < named:
                place = mention.position
            elif mention.certain and not named <= listed:
                place, certain = mention.position, False  # they differ: say so
        return self._family(component, place, ecu, certain=certain)

    def _family(
        self, component: Component, place: str, ecu: str | None, *, certain: bool
    ) -> Family:
        if component.per_ecu and ecu:
            name = self.control_units.named(ecu) or "_".join(ecu.casefold().split())
            label = self.control_units.labels.get(name, name.replace("_", " "))
            return Family(f"{component.key}:{name}", f"{component.label}, {label}", certain)
        if not place:
            return Family(component.key, component.label, certain)
        words = " ".join(word.upper() if len(word) == 1 else word for word in place.split("_"))
        return Family(f"{component.key}:{place}", f"{component.label}, {words}", certain)

    def _network_family(self, component_key: str, ecu: str) -> Family:
        component = self.lexicon.components[component_key]
        label = self.control_units.labels.get(ecu, ecu.replace("_", " "))
        return Family(f"{component.key}:{ecu}", f"{component.label}, {label}", certain=True)

    def _own_family(self, parsed: NormalCode, make: str | None) -> Family:
        """Name the code itself, with the make where its maker decides what the number means."""
        owner = self.codes.block(parsed)[0]
        spoken = normal_code(f"{make}:1") if make and owner == "maker" else None
        if isinstance(spoken, NormalCode) and parsed.space == "standard":
            key = f"code:{spoken.make}:{parsed.base}"
            return Family(key, f"{parsed.base} ({make and make.title()})", certain=True)
        return Family(f"code:{parsed.base}", parsed.base, certain=True)

    # --- cautions, monitors, evidence, pointers -----------------------------------------

    @_remembered
    def cautions(
        self, family_key: str, code: str = "", ecu: str | None = None
    ) -> tuple[Caution, ...]:
        """Cautions for work on a family; without the general ones, which hold everywhere."""
        return self._cautions.of(family_key, code, ecu)

    @_remembered
    def monitor(self, code: str) -> str | None:
        """Name the readiness monitor that must have run before a code's absence counts."""
        base = _parsed(code).base
        for row in self._monitors:
            if row["first"] <= base <= (row["last"] or row["first"]):
                return row["monitor"]
        return None

    @_remembered
    def evidence_distance(self, family_key: str) -> EvidenceDistance:
        """Distance after a clear from which silence counts, with its reason."""
        rows = [row for row in self._evidence if fnmatchcase(family_key, row["family"])]
        rows = rows or [row for row in self._evidence if row["family"] == "default"]
        return EvidenceDistance(float(rows[0]["km"]), rows[0]["why"], rows[0]["source"])

    def min_distance_after_clear_km(self, family_key: str) -> float:
        """Give the km after a clear from which the absence of a family is evidence."""
        return self.evidence_distance(family_key).km

    @_remembered
    def points_at(self, code: str, description: str | None = None) -> str | None:
        """Name the control unit a code is really about; None if it is about its own unit."""
        return self.knock_on.points_at(_parsed(code), description)

    @_remembered
    def pointer(self, code: str, description: str | None = None) -> Pointer | None:
        """Say how a code is about another control unit, with the reason and its source."""
        return self.knock_on.pointer(_parsed(code), description)

    @_remembered
    def harm(self, code: str, component: str) -> Harm | None:
        """Say what may have harmed the component that a code is about."""
        return self.knock_on.harm(_parsed(code), component)

    @_remembered
    def common_cause(self, code: str, description: str | None = None) -> Relation | None:
        """Say whether a code may explain many others at once: ``supply`` or ``bus``."""
        found = self.knock_on.common_cause(_parsed(code))
        if found is None and description and (mention := self.lexicon.mention(description)):
            return _COMMON_COMPONENTS.get(mention.component.key)
        return found

    def circuit(
        self, code: str, family: Family, description: str | None = None, make: str | None = None
    ) -> str | None:
        """Name the circuit a code is about, alike for all its codes; None: none, or not sure.

        A code that points at another control unit, or that many have in common, is about none.
        """
        parsed = _parsed(code)
        if self.pointer(code, description) or self.common_cause(code, description):
            return None
        entry = self.codes.entry(parsed, make)
        meaning = entry.meaning if entry else None
        return circuit_of(parsed, family.key, meaning, certain=family.certain)

    @_remembered
    def ecu_name(self, text: str) -> str | None:
        """Name of the control unit a text means (``ABS module`` -> ``brakes``); None if unknown."""
        return self.control_units.named(text)

    def boxes_of(self, ecu: str) -> tuple[str, ...]:
        """List the unit itself and others whose box may hold its function.

        Network codes name functions, not boxes: the steering angle sensor may be part of the
        steering or the brake control unit, whose own codes then show what is wrong.
        """
        return (ecu, *self.control_units.may_sit_in.get(ecu, ()))


@lru_cache(maxsize=4)
def _read_once(
    config_dir: Path, own_cures: Path | None, _stamps: tuple[tuple[Path, int, int], ...]
) -> Catalogue:
    return Catalogue(config_dir, own_cures)


@_remembered
def _parsed(code: str) -> NormalCode:
    """Parts of a code; a text that is none becomes its own base."""
    parsed = normal_code(code)
    if isinstance(parsed, NormalCode):
        return parsed
    return NormalCode(code=code, space="maker", base=code, make="unknown")
