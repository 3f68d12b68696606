"""Long work, one piece at a time, in a thread of its own: what it does, has said, and came to."""

import logging
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final

from afterclear.config import without_secrets
from afterclear.errors import AfterclearError

_LOG: Final = logging.getLogger(__name__)

Say = Callable[[str], None]


@dataclass(slots=True)
class Piece:
    """A piece of work."""

    title: str
    lines: list[str] = field(default_factory=list)
    is_done: bool = False
    problem: str = ""


class Bench:
    """Where long work is done; a second piece waits for a person to ask again."""

    def __init__(self) -> None:
        self.piece: Piece | None = None  # the last one begun
        self._taken = threading.Lock()
        self._thread: threading.Thread | None = None

    @property
    def is_busy(self) -> bool:
        """Whether a piece is being worked on."""
        return self.piece is not None and not self.piece.is_done

    def begin(self, title: str, work: Callable[[Say], None]) -> bool:
        """Begin a piece of work; False: another one is not done yet."""
        with self._taken:
            if self.is_busy:
                return False
            piece = self.piece = Piece(title)
        self._thread = threading.Thread(target=_do, args=(piece, work), name=title, daemon=True)
        self._thread.start()
        return True

    def wait(self, seconds: float | None = None) -> None:
        """Wait until the piece is done."""
        if self._thread is not None:
            self._thread.join(seconds)


def _do(piece: Piece, work: Callable[[Say], None]) -> None:
    try:
        work(lambda text: piece.lines.append(without_secrets(text)))
    except AfterclearError as error:
        piece.problem = without_secrets(str(error))
    except Exception:  # noqa: BLE001 - a thread has nobody above it to tell
        _LOG.exception("the desk: %s", piece.title)
        piece.problem = "The program failed here; this is its own fault, and the log has it."
    finally:
        piece.is_done = True
