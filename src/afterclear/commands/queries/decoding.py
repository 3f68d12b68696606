"""Say what codes mean."""

from dataclasses import dataclass

from afterclear.catalogue.cautions import Caution
from afterclear.catalogue.codes import Refusal, normal_code, split_codes
from afterclear.catalogue.component import component_of
from afterclear.commands.app import App
from afterclear.commands.queries.fleet_cures import fleet_cures
from afterclear.errors import StoreError
from afterclear.finding_tables.cures import Cure
from afterclear.store.engine.database import open_store
from afterclear.wording.cells import Cells
from afterclear.wording.cures import fault_cures


@dataclass(frozen=True, slots=True)
class CodeMeaning:
    """One code in words."""

    code: str
    text: str
    family: str
    certain: bool
    points_at: str | None
    cautions: tuple[Caution, ...]
    cured: tuple[str, ...] = ()  # what cured it in this fleet, in words


@dataclass(frozen=True, slots=True)
class NoCode:
    """A word that is no code."""

    why: str


def decode_code(app: App, text: str) -> list[CodeMeaning | NoCode]:
    """Say what each code of a text means, in its order; a word that is no code says so."""
    found: list[CodeMeaning | NoCode] = []
    cures = _cures(app)
    for word in split_codes(text):
        spelled = normal_code(word)
        if isinstance(spelled, Refusal):
            found.append(NoCode(f"{word!r} is no fault code; expected {spelled.expected}."))
            continue
        family = app.catalogue.family(spelled.code)
        found.append(
            CodeMeaning(
                code=spelled.code,
                text=app.catalogue.meaning(spelled.code).text,
                family=family.label,
                certain=family.certain,
                points_at=app.catalogue.points_at(spelled.code),
                cautions=app.catalogue.cautions(family.key, spelled.code),
                cured=fault_cures(cures.get(component_of(family.key), ()), Cells()),
            )
        )
    return found


def _cures(app: App) -> dict[str, tuple[Cure, ...]]:
    """Read what cured which fault; nothing where no store can be read: a code has its meaning."""
    if not app.store.is_file():
        return {}
    try:
        with open_store(app.store, read_only=True) as con:
            return fleet_cures(con)
    except StoreError:
        return {}
