"""Say what codes mean."""

from dataclasses import dataclass

from afterclear.catalogue.cautions import Caution
from afterclear.catalogue.codes import Refusal, normal_code, split_codes
from afterclear.commands.app import App


@dataclass(frozen=True, slots=True)
class CodeMeaning:
    """One code in words."""

    code: str
    text: str
    family: str
    certain: bool
    points_at: str | None
    cautions: tuple[Caution, ...]


@dataclass(frozen=True, slots=True)
class NoCode:
    """A word that is no code."""

    why: str


def decode_code(app: App, text: str) -> list[CodeMeaning | NoCode]:
    """Say what each code of a text means, in its order; a word that is no code says so."""
    found: list[CodeMeaning | NoCode] = []
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
            )
        )
    return found
