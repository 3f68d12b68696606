"""Files of an SFTP server, with those in the folders below the address.

The server must be one whose key is known: an unknown or changed key is refused, as is usual for
SSH.  A file that changed while it was fetched is left for the next run.
"""

import socket
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path, PurePosixPath
from urllib.parse import unquote, urlsplit

import paramiko

from afterclear.errors import RefusedSourceError, UnreachableError
from afterclear.sources.source import TIMEOUT_S, Address, Found, written

_CHUNK = 1 << 15
_DEEPEST = 8
_PORT = 22


class SftpPlace:
    """A folder on an SFTP server."""

    def __init__(self, client: paramiko.SFTPClient, root: str) -> None:
        self._client, self._root = client, root

    def look(self) -> list[Found]:
        """List the plain files below the folder; links are not followed."""
        with _errors_explained(self._root):
            return sorted(self._below("", 0), key=lambda found: found.name)

    def fetch(self, found: Found, target: Path, max_bytes: int) -> None:
        """Write a file's bytes, if it is as it was listed before and after."""
        path = str(PurePosixPath(self._root) / found.name)
        with _errors_explained(found.name):
            with self._client.open(path, "rb") as file:
                file.prefetch(found.size)
                chunks = iter(lambda: file.read(_CHUNK), b"")
                written(chunks, target, found, max_bytes)
            if _token(self._client.stat(path)) != found.token:
                raise UnreachableError(f"{found.name} changed while it was fetched.")

    def _below(self, folder: str, depth: int) -> Iterator[Found]:
        for entry in self._client.listdir_attr(str(PurePosixPath(self._root) / folder)):
            name = f"{folder}/{entry.filename}" if folder else entry.filename
            mode = entry.st_mode or 0
            if stat.S_ISDIR(mode) and depth < _DEEPEST and not entry.filename.startswith("."):
                yield from self._below(name, depth + 1)
            elif stat.S_ISREG(mode):
                yield Found(name, _token(entry), entry.st_size)


@contextmanager
def opened(address: Address) -> Iterator[SftpPlace]:
    """Log in and give the folder of the address."""
    parts = urlsplit(address.url)
    host = parts.hostname or ""
    with paramiko.SSHClient() as client, _errors_explained(host):
        if address.known_hosts is not None:
            client.load_host_keys(str(address.known_hosts))
        else:
            client.load_system_host_keys()
        client.set_missing_host_key_policy(paramiko.RejectPolicy())
        is_key = address.key_file is not None
        client.connect(
            host,
            parts.port or _PORT,
            unquote(parts.username or ""),
            password=None if is_key else address.secret,
            passphrase=address.secret if is_key else None,
            key_filename=str(address.key_file) if is_key else None,
            allow_agent=False,
            look_for_keys=False,
            timeout=TIMEOUT_S,
            banner_timeout=TIMEOUT_S,
            auth_timeout=TIMEOUT_S,
        )
        with client.open_sftp() as sftp:
            if (channel := sftp.get_channel()) is not None:
                channel.settimeout(TIMEOUT_S)
            yield SftpPlace(sftp, unquote(parts.path) or ".")


def _token(entry: paramiko.SFTPAttributes) -> str:
    return f"{entry.st_size}:{entry.st_mtime}"


@contextmanager
def _errors_explained(what: str) -> Iterator[None]:
    try:
        yield
    except UnreachableError:
        raise
    except paramiko.AuthenticationException as error:
        raise RefusedSourceError(f"{what} refuses the login: {error}.") from error
    except paramiko.BadHostKeyException as error:
        raise RefusedSourceError(f"{what} shows another key than it is known by.") from error
    except (PermissionError, FileNotFoundError) as error:
        raise RefusedSourceError(f"{what}: {error.strerror}.") from error
    except paramiko.SSHException as error:
        if "known_hosts" in str(error):
            raise RefusedSourceError(f"{what} is not in the known hosts.") from error
        raise UnreachableError(f"{what} broke off: {error}.") from error
    except (OSError, EOFError, socket.gaierror) as error:
        raise UnreachableError(f"{what} does not answer: {error}.") from error
