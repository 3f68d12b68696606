"""Objects of an S3-compatible store below a prefix, through fsspec.

The key's name is the address's user, its secret the environment variable's value:
``s3://KEY@bucket/prefix``; without a user the client's own search order applies.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import unquote, urlsplit

import botocore.exceptions
import s3fs

from afterclear.errors import RefusedSourceError, UnreachableError
from afterclear.sources.source import TIMEOUT_S, Address, Found, written

_CHUNK = 1 << 20


class S3Place:
    """A bucket and prefix."""

    def __init__(self, files: s3fs.S3FileSystem, root: str) -> None:
        self._files, self._root = files, root.rstrip("/") + "/"

    def look(self) -> list[Found]:
        """List the objects below the prefix."""
        with _errors_explained(self._root):
            listed = self._files.find(self._root, detail=True)
        return [
            Found(
                name.removeprefix(self._root), f"{about.get('ETag')}:{about['size']}", about["size"]
            )
            for name, about in sorted(listed.items())
            if not name.endswith("/")
        ]

    def fetch(self, found: Found, target: Path, max_bytes: int) -> None:
        """Write an object's bytes."""
        with _errors_explained(found.name), self._files.open(self._root + found.name, "rb") as file:
            chunks = iter(lambda: file.read(_CHUNK), b"")
            written(chunks, target, found, max_bytes)


@contextmanager
def opened(address: Address) -> Iterator[S3Place]:
    """Give the bucket and prefix of an address."""
    parts = urlsplit(address.url)
    client: dict[str, str] = {}
    if address.endpoint:
        client["endpoint_url"] = address.endpoint
    if address.ca_file:
        client["verify"] = str(address.ca_file)
    files = s3fs.S3FileSystem(
        key=unquote(parts.username) if parts.username else None,
        secret=address.secret,
        client_kwargs=client,
        config_kwargs={"connect_timeout": TIMEOUT_S, "read_timeout": TIMEOUT_S},
        use_listings_cache=False,
        skip_instance_cache=True,
    )
    try:
        yield S3Place(files, f"{parts.hostname}{unquote(parts.path)}")
    finally:
        if (client_made := getattr(files, "_s3", None)) is not None:
            s3fs.S3FileSystem.close_session(files.loop, client_made)


@contextmanager
def _errors_explained(what: str) -> Iterator[None]:
    try:
        yield
    except UnreachableError:
        raise
    except (PermissionError, FileNotFoundError, botocore.exceptions.NoCredentialsError) as error:
        raise RefusedSourceError(f"{what}: {error}.") from error
    except (OSError, botocore.exceptions.BotoCoreError) as error:
        raise UnreachableError(f"{what} does not answer: {error}.") from error
