"""One signed event by HTTPS POST.

The event has the form of CloudEvents 1.0 (structured mode, JSON).  It is signed by HTTP Message
Signatures (RFC 9421) with the shared secret (``hmac-sha256``): method, address, content type,
idempotency key and the digest of the body (RFC 9530).  A receiver checks the signature and the
digest with any library of the standard, and refuses an old ``created``.
"""

import http.client
import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from urllib.parse import urlsplit

from afterclear.errors import ConfigError, UnreachableError

KEY_ID = "afterclear"  # names the shared secret, and the signature
SOURCE = "afterclear"  # of its events, and before the names of their types
_EVENT = "application/cloudevents+json"  # the media type of one event, as JSON
_SIGNED = ("@method", "@target-uri", "content-type", "idempotency-key")  # and content-digest
_AGAIN = {408, 425, 429}  # answers that ask for patience, beside all of 500 and above
_SERVER_ERROR = 500


@dataclass(frozen=True, slots=True)
class Hook:
    """The address, and the secret that proves the sender."""

    url: str
    secret: str
    timeout_seconds: float = 10.0


@dataclass(frozen=True, slots=True)
class Request:
    """What is signed, as the library asks for it; signing adds its headers."""

    method: str
    url: str
    headers: dict[str, str]


def sign(request: Request, secret: bytes, at: datetime, body: bytes) -> None:
    """Add the body's digest and the signature, as of an instant, to a request's headers.

    Raises:
        ConfigError: the address cannot be signed as it is written.

    """
    # only posting needs it, and its cryptography takes a tenth of a second
    import http_message_signatures as rfc9421  # noqa: PLC0415

    keys = rfc9421.MappingKeyResolver(public_keys={}, private_keys={KEY_ID: secret})
    signer = rfc9421.HTTPMessageSigner(
        signature_algorithm=rfc9421.algorithms.HMAC_SHA256, key_resolver=keys
    )
    try:
        signer.sign(
            request,
            key_id=KEY_ID,
            created=at,
            label=KEY_ID,
            covered_component_ids=_SIGNED,
            body=body,
        )
    except rfc9421.HTTPMessageSignaturesException as error:
        host = urlsplit(request.url).netloc.rpartition("@")[2]
        raise ConfigError(f"Webhook {host}: its address cannot be signed as written.") from error


def cloud_event(kind: str, about: str, at: datetime, key: str, data: object) -> dict[str, Any]:
    """Wrap facts as an event of CloudEvents 1.0.

    ``kind``: what happened; ``about``: to which vehicle; ``at``: when; ``key``: the same for a
    second delivery.
    """
    return {
        "specversion": "1.0",
        "id": key,
        "source": SOURCE,
        "type": f"{SOURCE}.{kind}",
        "subject": about,
        "time": at.isoformat(),
        "datacontenttype": "application/json",
        "data": data,
    }


def post_signed(hook: Hook, event: Mapping[str, Any], at: datetime, key: str) -> None:
    """Post one event; returns when the receiver has confirmed it.

    ``key`` goes along as ``Idempotency-Key``, so that the receiver can recognise a second delivery.

    Raises:
        UnreachableError: no answer, or one that asks to try later.
        ConfigError: the receiver refuses it, or sends us elsewhere, or the address is no address.

    """
    body = json.dumps(event, ensure_ascii=False, sort_keys=True).encode("utf-8")
    headers = {"Content-Type": _EVENT, "Idempotency-Key": key}
    request = Request("POST", hook.url, headers)
    sign(request, hook.secret.encode(), at, body)
    status = _post(hook, body, request.headers)
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
