"""Files of a web server: one file, or all files a listing page links to.

An address that ends with a slash is a listing: the files its page links to, below it.  If the
server gives an ETag or a time (RFC 9110, 8.8), a file is fetched again only when they change.  The
password goes to the address's own scheme, host and port only.
"""

import base64
import http.client
import ssl
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import IO
from urllib.parse import unquote, urljoin, urlsplit, urlunsplit

from afterclear.errors import RefusedSourceError, UnreachableError
from afterclear.sources.source import TIMEOUT_S, Address, Found, written
from afterclear.sources.trust import trusted

_CHUNK = 1 << 16
_USUAL_PORTS = {"https": 443, "http": 80}
_MAX_LISTING_BYTES = 20_000_000
# RFC 9110, 15.5.9 and RFC 6585, 4: asked too slowly, too often; 5xx: an error of the server itself
_TEMPORARY = {408, 425, 429}


class _Links(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found += [value for key, value in attrs if tag == "a" and key == "href" and value]


class HttpsPlace:
    """A file or a listing on a web server."""

    def __init__(self, address: Address) -> None:
        parts = urlsplit(address.url)
        self._name = parts.hostname or ""
        self._url = urlunsplit(
            (parts.scheme, parts.netloc.rpartition("@")[2], parts.path, parts.query, "")
        )
        self._is_listing = parts.path.endswith("/")
        # files below a listing do not take over its query, which may be a token
        self._base = self._url.partition("?")[0]
        self._header = _login(unquote(parts.username or ""), address.secret)
        self._opener = urllib.request.build_opener(
            urllib.request.ProxyHandler({}),
            urllib.request.HTTPSHandler(context=trusted(address)),
            _NearRedirects(self._header),
        )

    def look(self) -> list[Found]:
        """List the files, with the answer to a HEAD request for each."""
        if not self._is_listing:
            return [self._head(self._url, unquote(self._base.rpartition("/")[2]))]
        with self._ask(self._url) as answer:
            page = answer.read(_MAX_LISTING_BYTES).decode("utf-8", errors="replace")
        links = _Links()
        links.feed(page)
        found = {}
        for link in links.found:
            target = urljoin(self._url, link).partition("#")[0]
            name = unquote(target.removeprefix(self._base))
            if (
                target.startswith(self._base)
                and name
                and not name.endswith("/")
                and "?" not in name
            ):
                found[name] = target
        return [self._head(target, name) for name, target in sorted(found.items())]

    def fetch(self, found: Found, target: Path, max_bytes: int) -> None:
        """Write a file's bytes; as many as the server promised."""
        below = urllib.request.pathname2url(found.name)
        url = self._base + below if self._is_listing else self._url
        with self._ask(url) as answer:
            promised = answer.headers.get("Content-Length")
            size = int(promised) if promised and promised.isdigit() else found.size
            written(_chunks(answer, found.name), target, replace(found, size=size), max_bytes)

    def _head(self, url: str, name: str) -> Found:
        with self._ask(url, "HEAD") as answer:
            headers = answer.headers
        size = headers.get("Content-Length")
        mark = headers.get("ETag") or headers.get("Last-Modified")
        return Found(
            name, f"{mark}:{size}" if mark else "", int(size) if size and size.isdigit() else None
        )

    @contextmanager
    def _ask(self, url: str, method: str = "GET") -> Iterator[http.client.HTTPResponse]:
        request = urllib.request.Request(url, method=method)  # noqa: S310 - schemes are checked
        if self._header:
            request.add_unredirected_header("Authorization", self._header)
        try:
            with self._opener.open(request, timeout=TIMEOUT_S) as answer:
                yield answer
        except urllib.error.HTTPError as error:
            with error:
                said = f"{self._name} answered {error.code} {error.reason}."
            if error.code in _TEMPORARY or error.code >= http.client.INTERNAL_SERVER_ERROR:
                raise UnreachableError(said) from error
            raise RefusedSourceError(said) from error
        except urllib.error.URLError as error:
            if isinstance(error.reason, ssl.SSLCertVerificationError):
                raise RefusedSourceError(
                    f"The certificate of {self._name} is not trusted: "
                    f"{error.reason.verify_message}. Name its issuer as ca_file."
                ) from error
            raise UnreachableError(f"{self._name} does not answer: {error.reason}.") from error
        except (OSError, http.client.HTTPException) as error:
            raise UnreachableError(f"{self._name} broke off: {error!r}.") from error


class _NearRedirects(urllib.request.HTTPRedirectHandler):
    """Follows a redirect within the configured address, or to one as safe; refuses others.

    The login goes along to the same scheme, host and port only.
    """

    def __init__(self, header: str | None) -> None:
        self._header = header

    def redirect_request(
        self,
        req: urllib.request.Request,
        fp: IO[bytes],
        code: int,
        msg: str,
        headers: http.client.HTTPMessage,
        newurl: str,
    ) -> urllib.request.Request | None:
        old, new = _origin(req.full_url), _origin(newurl)
        if old != new and not _is_as_safe(old, new):
            raise RefusedSourceError(
                f"{old[1]} sends us on to {new[0]}://{new[1]}:{new[2]}, which is another port or "
                "not as safe. Where that is right, name that address as the source's url."
            )
        onward = super().redirect_request(req, fp, code, msg, headers, newurl)
        if onward is not None and self._header and old == new:
            onward.add_unredirected_header("Authorization", self._header)
        return onward


def _origin(url: str) -> tuple[str, str, int]:
    """Give (scheme, host, port) of an address (RFC 6454, 4)."""
    parts = urlsplit(url)
    try:
        port = parts.port
    except ValueError:
        port = 0
    usual = _USUAL_PORTS.get(parts.scheme, 0)
    return parts.scheme, parts.hostname or "", usual if port is None else port


def _is_as_safe(old: tuple[str, str, int], new: tuple[str, str, int]) -> bool:
    """Whether a redirect leads to TLS at its usual port, from such or from the same host."""
    to_usual = new[0] == "https" and new[2] == _USUAL_PORTS["https"]
    return to_usual and old[2] == _USUAL_PORTS[old[0]] and (old[0] == "https" or old[1] == new[1])


@contextmanager
def opened(address: Address) -> Iterator[HttpsPlace]:
    """Give the place at an address."""
    yield HttpsPlace(address)


def _login(user: str, secret: str | None) -> str | None:
    """Write the Authorization header: Basic with a user (RFC 7617), otherwise a bearer token."""
    if secret is None:
        return None
    if not user:
        return f"Bearer {secret}"
    return "Basic " + base64.b64encode(f"{user}:{secret}".encode()).decode()


def _chunks(answer: http.client.HTTPResponse, name: str) -> Iterator[bytes]:
    try:
        while chunk := answer.read1(_CHUNK):  # only "is it there", not the whole content
            yield chunk
    except (OSError, http.client.HTTPException) as error:
        raise UnreachableError(f"{name} broke off: {error!r}.") from error
