"""Parts to fit no more, as the top of the fleet page names them.  Pure."""

from dataclasses import dataclass

from afterclear.digest.common.assess import Setting
from afterclear.digest.input.frames import Caution
from afterclear.digest.sheet.tried_parts import part_said
from afterclear.wording.cells import capital

_NAMED = 3  # all of them are on the quality page


@dataclass(frozen=True, slots=True)
class NotAgain:
    """A part or brand that is short-lived beyond chance."""

    kind: str  # of part, in words
    said: str
    cautions: tuple[Caution, ...]  # for work on such a part


def not_again(setting: Setting) -> tuple[NotAgain, ...]:
    """Say which parts not to fit again: a few, those that failed most often first."""
    rows = sorted(setting.short_lived, key=lambda row: (-row.n_failed, row.part_number or ""))
    return tuple(
        NotAgain(
            capital(setting.cells.t(row.family_label or row.part_family)),
            part_said(row, setting.cells),
            setting.cautions_of(row.part_family),
        )
        for row in rows[:_NAMED]
    )
