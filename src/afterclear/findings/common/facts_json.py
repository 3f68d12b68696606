"""Facts of reasons as the store keeps them: JSON, instants as ISO 8601."""

import json
from datetime import datetime


def as_json(value: object) -> str:
    """Write facts; names stay as they are spelled, so that tokens can take their place."""
    return json.dumps(value, ensure_ascii=False)


def iso(at: datetime) -> str:
    """Write an instant of the store."""
    return at.isoformat()
