"""Say what codes mean."""

from dataclasses import dataclass

from afterclear.catalogue.cautions import Caution
from afterclear.catalogue.codes import Refusal, normal_code, split_codes
from afterclear.commands.app import App
from afterclear.errors import UsageError


@dataclass(frozen=True, slots=True)
class CodeMeaning:
    """One code in words."""

    code: str
    text: str
    family: str
    certain: bool
    points_at: str | None
    cautions: tuple[Caution, ...]


def decode_code(app: App, text: str) -> list[CodeMeaning]:
    """Say what each code of a text means.

    Raises:
        UsageError: a word of it is no code.

    """
    found = []
    for word in split_codes(text):
        spelled = normal_code(word)
        if isinstance(spelled, Refusal):
            raise UsageError(f"{word!r} is no fault code; expected {spelled.expected}.")
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
