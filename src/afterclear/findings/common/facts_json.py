"""Facts of reasons as the store keeps them: JSON, with instants in ISO 8601."""

import json
from datetime import datetime


def as_json(value: object) -> str:
    """Write facts; names keep their spelling, so that tokens can replace them."""
    return json.dumps(value, ensure_ascii=False)


def iso(at: datetime) -> str:
    """Write an instant of the store."""
    return at.isoformat()
