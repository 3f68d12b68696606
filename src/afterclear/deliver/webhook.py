"""One signed JSON message by HTTPS POST.

The body is signed together with the time: header ``Afterclear-Signature: t=SECONDS,v1=HEX``, where
HEX is the HMAC-SHA256 (RFC 2104) under the shared secret of ``SECONDS``, a full stop and the body
as sent.  A receiver computes the same, compares in constant time, and refuses an old time.
"""

import hashlib
import hmac
import http.client
import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from urllib.parse import urlsplit

from afterclear.errors import ConfigError, UnreachableError

SIGNATURE = "Afterclear-Signature"
_AGAIN = {408, 425, 429}  # answers that ask for patience, beside all of 500 and above
_SERVER_ERROR = 500


@dataclass(frozen=True, slots=True)
class Hook:
    """Where to, and how it is known that it is us."""

    url: str
    secret: str
    timeout_seconds: float = 10.0


def signature(secret: str, at: datetime, body: bytes) -> str:
    """Sign a body as of an instant.

    >>> from datetime import UTC
    >>> signature("secret", datetime(2026, 1, 1, tzinfo=UTC), b"{}")[:15]
    't=1767225600,v1'
    """
    seconds = str(int(at.timestamp()))
    mac = hmac.new(secret.encode(), seconds.encode() + b"." + body, hashlib.sha256)
    return f"t={seconds},v1={mac.hexdigest()}"


def post_signed(hook: Hook, content: Mapping[str, Any], at: datetime, key: str) -> None:
    """Post one message; returns when the receiver said it has it.

    ``key`` goes along as ``Idempotency-Key``, so that the receiver can tell a second delivery.

    Raises:
        UnreachableError: no answer, or one that asks to try later.
        ConfigError: the receiver refuses it, or sends us elsewhere.

    """
    body = json.dumps(content, ensure_ascii=False, sort_keys=True).encode("utf-8")
    headers = {
        "Content-Type": "application/json",
        "Idempotency-Key": key,
        SIGNATURE: signature(hook.secret, at, body),
    }
    status = _post(hook, body, headers)
    host = urlsplit(hook.url).netloc
    if status in _AGAIN or status >= _SERVER_ERROR:
        raise UnreachableError(f"Webhook {host} answered {status}.")
    if not 200 <= status < 300:  # noqa: PLR2004  (success, RFC 9110, 15.3)
        raise ConfigError(f"Webhook {host} refused the message: {status}.")


def _post(hook: Hook, body: bytes, headers: Mapping[str, str]) -> int:
    # http.client follows no redirect: a signed body goes where the settings say, nowhere else
    parts = urlsplit(hook.url)
    kind = http.client.HTTPSConnection if parts.scheme == "https" else http.client.HTTPConnection
    connection = kind(parts.hostname or "", parts.port, timeout=hook.timeout_seconds)
    path = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
    try:
        connection.request("POST", path, body=body, headers=dict(headers))
        answer = connection.getresponse()
        answer.read(65536)
    except (OSError, http.client.HTTPException) as error:
        raise UnreachableError(f"Webhook {parts.netloc}: {error}") from error
    else:
        return answer.status
    finally:
        connection.close()
