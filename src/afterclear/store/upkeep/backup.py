"""A backup: the store, its archive and its settings in one file, verified when made and when used.

The file is a tar: ``manifest.json`` first, then the store (compressed), the archived files as they
are, and the settings.  The store is copied while it is open for reading, when no one can write it,
or from the snapshot of a long writer; archived files never change.  The file gets its name only
after it was read back and every hash agreed.
"""

import hashlib
import io
import json
import os
import re
import shutil
import tarfile
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field
from datetime import datetime
from pathlib import Path, PurePosixPath
from typing import IO, Final

import zstandard

from afterclear.errors import StoreError
from afterclear.store.engine.archive import UNFINISHED_FILE, begin_archive, blob_path, sync_folder
from afterclear.store.engine.database import (
    Connection,
    archived_hashes,
    open_store,
    private_files,
    query,
)
from afterclear.store.engine.failures import full_disk_explained
from afterclear.store.engine.locking import holding, pages_lock, writer_lock
from afterclear.store.engine.snapshot import copy_file, fold_in_log, remove_left, sweep
from afterclear.store.engine.working import dead_folders, working_folder

_FORMAT: Final = "afterclear backup 1"
_CHUNK = 1 << 20
_MANIFEST = "manifest.json"
_STORE = "store.duckdb.zst"
# Settings are small; a larger file under config/ is something else.
_MAX_SETTING_BYTES = 20_000_000
_MAX_MANIFEST_BYTES = 200_000_000
# Secrets stay where they are: names by custom (no source), and what begins a private key's text
# (RFC 7468, 10 and 11; RFC 9580, 6.2; OpenSSH and PuTTY write their own).
_KEY_NAME = re.compile(
    r".*\.(key|p12|pfx|p8|pk8|ppk|jks|keystore|kdbx|keytab|env|gpg)|\.env(\..*)?|\.netrc|\.pgpass"
    r"|id_(rsa|dsa|ecdsa|ed25519)(_sk)?|.*(secret|password|passwd|credential|token)s?(\..*)?"
)
_KEY_MARKS = (b"PRIVATE KEY-----", b"PRIVATE KEY BLOCK-----", b"PuTTY-User-Key-File-")
_KEY_LOOKED_AT = 1 << 16


@dataclass(frozen=True, slots=True)
class Manifest:
    """What a backup holds.  ``store_sha256`` is that of the store's file, uncompressed."""

    made_at: str
    version: str
    migrations: list[str]
    store_sha256: str
    store_bytes: int
    archive: list[str]  # sha256 of each archived file, uncompressed
    config: list[str]  # paths below the config folder
    n_loads: int
    format: str = _FORMAT
    config_left_out: list[str] = field(default_factory=list)  # as they look like keys


@dataclass(frozen=True, slots=True)
class StorePaths:
    """Where the parts of one installation are."""

    store: Path
    archive: Path
    config: Path | None


def write_backup(paths: StorePaths, target: Path, version: str, now: datetime) -> Manifest:
    """Write a verified backup to ``target``; works while a load or a run is going on.

    Raises:
        StoreError: ``target`` is there already, there is no store, or something is damaged.

    """
    if target.exists():
        raise StoreError(f"{target} is there already; nothing was changed.")
    target.parent.mkdir(parents=True, exist_ok=True)
    for left in dead_folders(target.parent, "backup"):
        remove_left(left)
    with full_disk_explained(target), working_folder(target.parent, "backup") as folder:
        copy, unfinished = folder / "store.duckdb", folder / "backup.tar"
        with open_store(paths.store, read_only=True) as con:
            manifest = _copy_store(con, paths, copy, version, now)
        _write_tar(paths, manifest, copy, unfinished)
        verify_backup(unfinished)
        unfinished.replace(target)
        sync_folder(target.parent)
    return manifest


def backups_of(job: str, folder: Path) -> list[Path]:
    """List a backup job's own backups, oldest first; another's name may begin with this one's.

    Raises:
        OSError: there is no such folder, or it cannot be read.

    """
    own = re.compile(re.escape(job) + r"-\d{4}-\d\d-\d\dT\d{6}Z\.tar")
    return sorted(p for p in folder.iterdir() if own.fullmatch(p.name))


def verify_backup(path: Path) -> Manifest:
    """Read a backup through: everything its manifest names is there, and unchanged.

    Raises:
        StoreError: it is no backup, or damaged.

    """
    with _opened(path) as (tar, manifest):
        owed = {_blob_name(sha256): sha256 for sha256 in manifest.archive}
        owed[_STORE] = manifest.store_sha256
        for member in tar:
            wanted = owed.pop(member.name, None)
            if wanted is not None and _hash_packed(_content(tar, member)) != wanted:
                raise StoreError(f"The backup {path} is damaged: {member.name} has changed.")
        if owed:
            raise StoreError(f"The backup {path} is damaged: {min(owed)} is missing.")
    return manifest


def restore_backup(path: Path, paths: StorePaths, *, replace: bool = False) -> Manifest:
    """Put a backup's store and archive in place, after reading all of it through.

    ``replace``: a store that is there already is moved aside as ``.before-restore``, with a number
    if that is taken, so that none moved aside before is lost; settings are restored only if there
    are none.

    Raises:
        StoreError: the backup is damaged, or there is a store and it may not be replaced, or others
            write it or its pages.

    """
    if paths.store.exists() and not replace:
        raise StoreError(
            f"There is a store at {paths.store}. Add --replace to put it aside and restore."
        )
    manifest = verify_backup(path)
    paths.store.parent.mkdir(parents=True, exist_ok=True)
    with (
        # a digest under way would be noted in a store that never had what it says
        holding(pages_lock(paths.store), "restore"),
        holding(writer_lock(paths.store), "restore"),
        private_files(),
        full_disk_explained(paths.store),
        working_folder(paths.store.parent, "restore") as folder,
    ):
        sweep(paths.store)
        begin_archive(paths.store)
        fresh = folder / "store.duckdb"
        with _opened(path) as (tar, _):
            _unpack(tar, manifest, fresh, paths)
        if paths.store.exists():
            fold_in_log(paths.store)
            _put_aside(paths.store)
        Path(f"{paths.store}.wal").unlink(missing_ok=True)
        fresh.replace(paths.store)
        sync_folder(paths.store.parent)
    return manifest


def _put_aside(store: Path) -> None:
    """Give the store a second name, so that the first name is never without a store."""
    aside, number = Path(f"{store}.before-restore"), 2
    while aside.exists():
        aside, number = Path(f"{store}.before-restore-{number}"), number + 1
    try:
        os.link(store, aside)
    except OSError:  # a file system without second names
        copy_file(store, aside)


# --- writing --------------------------------------------------------------------------------


def _copy_store(
    con: Connection, paths: StorePaths, copy: Path, version: str, now: datetime
) -> Manifest:
    """Copy the file the open connection reads: while it is open no one can write it."""
    (origin,) = query(con, "SELECT path FROM duckdb_databases() WHERE database_name = 'store'")[
        "path"
    ]
    copy_file(Path(origin), copy)
    log = Path(f"{origin}.wal")
    if log.exists():  # a killed process left it; readers see what it holds
        copy_file(log, Path(f"{copy}.wal"))
        fold_in_log(copy)
    settings, left_out = _settings(paths.config)
    with copy.open("rb") as file:
        digest = hashlib.file_digest(file, "sha256").hexdigest()
    return Manifest(
        made_at=now.isoformat(),
        version=version,
        migrations=query(con, "SELECT name FROM migrations ORDER BY name")["name"].to_list(),
        store_sha256=digest,
        store_bytes=copy.stat().st_size,
        archive=archived_hashes(con),
        config=settings,
        n_loads=len(query(con, "FROM loads")),
        config_left_out=left_out,
    )


def _settings(config: Path | None) -> tuple[list[str], list[str]]:
    """List the files below the config folder: those to back up, and those that look like keys."""
    found: tuple[list[str], list[str]] = ([], [])
    if config is not None and config.is_dir():
        for path in sorted(config.rglob("*")):
            if path.is_file() and not path.is_symlink():
                found[_looks_like_a_key(path)].append(path.relative_to(config).as_posix())
    return found


def _looks_like_a_key(path: Path) -> bool:
    """Whether a file holds, or by its name seems to hold, what must stay secret."""
    if _KEY_NAME.fullmatch(path.name.lower()):
        return True
    with path.open("rb") as file:
        begin = file.read(_KEY_LOOKED_AT)
    return any(mark in begin for mark in _KEY_MARKS)


def _write_tar(paths: StorePaths, manifest: Manifest, copy: Path, target: Path) -> None:
    packed = copy.with_suffix(".zst")
    with copy.open("rb") as plain, packed.open("wb") as out:
        zstandard.ZstdCompressor(level=3).copy_stream(plain, out)
    descriptor = os.open(target, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(descriptor, "wb") as file, tarfile.open(fileobj=file, mode="w") as tar:
        text = json.dumps(asdict(manifest), indent=1).encode()
        _add(tar, _MANIFEST, io.BytesIO(text), len(text))
        _add_file(tar, _STORE, packed)
        for sha256 in manifest.archive:
            place = blob_path(paths.archive, sha256)
            if not place.exists():
                raise StoreError(f"The archive lacks {sha256[:12]}; run 'afterclear check'.")
            _add_file(tar, _blob_name(sha256), place)
        for name in manifest.config:
            _add_file(tar, f"config/{name}", (paths.config or Path()) / name)
        tar.close()
        file.flush()
        os.fsync(file.fileno())


def _add_file(tar: tarfile.TarFile, name: str, path: Path) -> None:
    with path.open("rb") as file:
        _add(tar, name, file, path.stat().st_size)


def _add(tar: tarfile.TarFile, name: str, content: IO[bytes], size: int) -> None:
    entry = tarfile.TarInfo(name)
    entry.size, entry.mode = size, 0o600
    tar.addfile(entry, content)


def _blob_name(sha256: str) -> str:
    return f"archive/{sha256[:2]}/{sha256}.zst"


# --- reading --------------------------------------------------------------------------------


@contextmanager
def _opened(path: Path) -> Iterator[tuple[tarfile.TarFile, Manifest]]:
    try:
        with tarfile.open(path, "r:") as tar:
            first = tar.next()
            if first is None or first.name != _MANIFEST or first.size > _MAX_MANIFEST_BYTES:
                raise StoreError(f"{path} is no backup of afterclear.")
            content = json.loads(_content(tar, first).read())
            if content.get("format") != _FORMAT:
                raise StoreError(f"{path} is a backup in a form this program does not know.")
            manifest = Manifest(**content)
            if not all(re.fullmatch("[0-9a-f]{64}", name) for name in manifest.archive):
                raise StoreError(f"{path} is no backup of afterclear: a file's hash is none.")
            yield tar, manifest
    except (tarfile.TarError, EOFError, ValueError, TypeError, AttributeError) as error:
        raise StoreError(f"{path} is no backup of afterclear, or damaged: {error}.") from error
    except OSError as error:
        raise StoreError(f"{path} cannot be read: {error.strerror}.") from error


def _content(tar: tarfile.TarFile, member: tarfile.TarInfo) -> IO[bytes]:
    content = tar.extractfile(member) if member.isreg() else None
    if content is None:
        raise StoreError(f"The backup is damaged: {member.name} is no plain file.")
    return content


def _hash_packed(content: IO[bytes]) -> str:
    digest = hashlib.sha256()
    try:
        for chunk in zstandard.ZstdDecompressor().read_to_iter(content):
            digest.update(chunk)
    except zstandard.ZstdError:
        return "damaged"
    return digest.hexdigest()


def _unpack(tar: tarfile.TarFile, manifest: Manifest, fresh: Path, paths: StorePaths) -> None:
    """Take out what the manifest names, and nothing else: names in a tar are not trusted."""
    blobs = {_blob_name(sha256): sha256 for sha256 in manifest.archive}
    wants_config = paths.config is not None and not paths.config.exists()
    settings = {f"config/{name}": name for name in manifest.config} if wants_config else {}
    for member in tar:
        if member.name == _STORE:
            _unpack_store(_content(tar, member), fresh)
        elif member.name in blobs:
            _put(_content(tar, member), blob_path(paths.archive, blobs[member.name]))
        elif member.name in settings and member.size <= _MAX_SETTING_BYTES:
            below = PurePosixPath(settings[member.name])
            if not below.is_absolute() and ".." not in below.parts:
                _put(_content(tar, member), (paths.config or Path()) / below)


def _unpack_store(content: IO[bytes], fresh: Path) -> None:
    descriptor = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(descriptor, "wb") as file:
        zstandard.ZstdDecompressor().copy_stream(content, file)
        file.flush()
        os.fsync(file.fileno())


def _put(content: IO[bytes], place: Path) -> None:
    """Write a file whole or not at all."""
    place.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.NamedTemporaryFile(
        dir=place.parent, prefix=UNFINISHED_FILE, delete=False
    ) as file:
        shutil.copyfileobj(content, file, _CHUNK)
        file.flush()
        os.fsync(file.fileno())
    Path(file.name).replace(place)
