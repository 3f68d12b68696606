"""What is serviced or used up and is named by no code, from ``config/consumables.toml``."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from afterclear.catalogue.config_tables import read_settings
from afterclear.catalogue.lexicon import Component
from afterclear.errors import ConfigError

KINDS: Final = ("fluid", "item", "work", "part")
_REPLACE: Final = "replace"
_FIELDS: Final = {"label", "kind", "axes", "of", "action"}
_WORKS: Final = "_works"
# what is done with a fluid: whoever flushes a circuit or tops it up has filled it
_ON_FLUID: Final = {"replace": _REPLACE, "clean": _REPLACE, "inspect": "inspect"}
# nothing in a small part can be taught
_ON_PART: Final = {told: told for told in ("replace", "repair", "clean", "adjust", "inspect")}
_ON_ITEM: Final = {"replace": _REPLACE, "clean": "clean", "inspect": "inspect"}


@dataclass(frozen=True, slots=True)
class Consumable:
    """A fluid, a filter, a blade, a hose."""

    component: Component
    kind: str  # one of ``KINDS``
    of: str  # the component whose codes name it; empty: none
    own_action: str  # of a work with a name of its own
    names: Mapping[str, tuple[str, ...]]  # by language
    works: Mapping[str, tuple[str, ...]]  # names that say the work, too: "oil change"

    @property
    def is_service(self) -> bool:
        """Whether work on it mends no fault; a hose may be why there was one."""
        return self.kind != "part"

    def action(self, told: str) -> str:
        """Name what was done with it; empty: nothing that can be done with it.

        >>> oil = Consumable(Component("oil", "oil", ""), "fluid", "", "replace", {}, {})
        >>> oil.action("clean"), oil.action("software")
        ('replace', '')
        """
        if self.kind == "work":
            return self.own_action
        allowed = {"fluid": _ON_FLUID, "item": _ON_ITEM}.get(self.kind, _ON_PART)
        return allowed.get(told, "")


def load_consumables(
    config_dir: Path, components: Mapping[str, Component], languages: tuple[str, ...]
) -> dict[str, Consumable]:
    """Read them, by their keys.

    Raises:
        ConfigError: the file is missing or wrong; all problems at once.

    """
    table = read_settings(config_dir / "consumables.toml")
    problems = [p for key, one in table.items() for p in _problems(key, one, components, languages)]
    if problems:
        raise ConfigError("consumables.toml is wrong:\n  " + "\n  ".join(problems))
    return {key: _consumable(key, one, languages) for key, one in table.items()}


def _consumable(key: str, one: Mapping[str, Any], languages: tuple[str, ...]) -> Consumable:
    return Consumable(
        Component(key, one["label"], "service", tuple(one.get("axes", ()))),
        one["kind"],
        one.get("of", ""),
        one.get("action", _REPLACE),
        {lang: tuple(one.get(lang, ())) for lang in languages},
        {lang: tuple(one.get(f"{lang}{_WORKS}", ())) for lang in languages},
    )


def _problems(
    key: str,
    one: Mapping[str, Any],
    components: Mapping[str, Component],
    languages: tuple[str, ...],
) -> Iterator[str]:
    known = _FIELDS | {f"{lang}{end}" for lang in languages for end in ("", _WORKS)}
    yield from (f"[{key}] has no field {name}" for name in sorted(one.keys() - known))
    yield from (
        f"[{key}] lacks {name}" for name in ("label", "kind", *languages) if name not in one
    )
    if key in components:
        yield f"[{key}] is a component of lexicon.toml"
    if one.get("kind", KINDS[0]) not in KINDS:
        yield f"[{key}] kind is {one['kind']!r}; expected one of {', '.join(KINDS)}"
    if one.get("of") and one["of"] not in components:
        yield f"[{key}] of: the component {one['of']} is not in lexicon.toml"
