"""Log lines for people or programs: one line an event, secrets struck out, no name from outside.

Everything logs to the logger ``afterclear`` of the standard library, with its facts as
``extra={"facts": {...}}``; nothing is written before ``log_to`` was called.

A log is copied, rotated and sent away, where no forgetting reaches it.  So it names a file by its
load's number and its hash, an error by its kind and place (``errors.for_log``, ``trace_of``): what
a file is called and what stands in it may name a vehicle.  The words stand in the store.
"""

import json
import logging
import logging.handlers
import os
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Final, Literal

from afterclear.errors import trace_of

ROOT: Final = logging.getLogger("afterclear")
ROOT.addHandler(logging.NullHandler())

Form = Literal["text", "json"]
# the facts that may be text: none of them quotes what was delivered.  Others are numbers and times,
# or are not written
_MAY_BE_TEXT: Final = frozenset(
    {"job", "outcome", "source", "sha256", "why", "error", "trace", "held_by", "page", "address"}
)


class EventFormatter(logging.Formatter):
    """Writes an event as text (``time LEVEL event key=value``) or as one JSON object."""

    def __init__(self, form: Form, clean: Callable[[str], str]) -> None:
        super().__init__()
        self._form, self._clean = form, clean

    def format(self, record: logging.LogRecord) -> str:
        """Write one event on one line, whatever its facts hold."""
        at = datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds")
        told = getattr(record, "facts", {}).items()
        facts = {k: _plain(v) for k, v in told if k in _MAY_BE_TEXT or _is_figure(v)}
        if record.exc_info and record.exc_info[1] is not None:
            facts["trace"] = trace_of(record.exc_info[1])
        if self._form == "json":
            event = {"at": at, "level": record.levelname, "event": record.getMessage(), **facts}
            return self._clean(json.dumps(event, ensure_ascii=False, default=str))
        fact_text = "".join(
            f" {key}={json.dumps(value, ensure_ascii=False, default=str)}"
            for key, value in facts.items()
        )
        message = record.getMessage().replace("\n", " ")
        return self._clean(f"{at} {record.levelname} {message}{fact_text}")


def log_to(place: Path | None, form: Form, clean: Callable[[str], str]) -> None:
    """Send log lines to a file (for its owner only), or to the error output; replaces earlier."""
    quiet()
    if place is None:
        handler: logging.Handler = logging.StreamHandler(sys.stderr)
    else:
        place.parent.mkdir(parents=True, exist_ok=True)
        os.close(os.open(place, os.O_WRONLY | os.O_CREAT, 0o600))
        # a log that another program rotates is opened again
        handler = logging.handlers.WatchedFileHandler(place, encoding="utf-8")
    handler.setFormatter(EventFormatter(form, clean))
    ROOT.addHandler(handler)
    ROOT.setLevel(logging.INFO)
    ROOT.propagate = False


def quiet() -> None:
    """Stop logging, and close the log."""
    for handler in list(ROOT.handlers):
        if not isinstance(handler, logging.NullHandler):
            ROOT.removeHandler(handler)
            handler.close()


def _is_figure(value: object) -> bool:
    return value is None or isinstance(value, bool | int | float | datetime)


def _plain(value: object) -> object:
    return value.isoformat() if isinstance(value, datetime) else value
