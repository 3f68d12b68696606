"""The archive: every delivered file, byte for byte, before anything is parsed.

Content-addressed (the name is the sha256 of the bytes) and compressed, beside the store; so
a second delivery costs nothing and any later reading of an old file can be made again.
"""

import hashlib
import os
import shutil
import tempfile
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import IO

import zstandard

from afterclear.errors import StoreError, UnreachableError
from afterclear.records import plain_ending

_CHUNK = 1 << 20
# A DuckDB file says so after the first block's checksum.
_MAGIC, _MAGIC_AT = b"DUCK", 8
_LEVEL = 1  # text of this kind shrinks to a tenth already; higher levels cost more than a load


# How the name of a file begins while it is put into the archive.
UNFINISHED_FILE = ".putting-"


@dataclass(frozen=True, slots=True)
class Snapshot:
    """A private copy of a delivered file: what is parsed is what was archived."""

    path: Path
    sha256: str
    size: int


@dataclass(frozen=True, slots=True)
class Incoming:
    """A delivered file that is not in the archive yet."""

    snapshot: Snapshot
    archive: Path
    compressed: Path

    def keep(self) -> None:
        """Put it into the archive; changed bytes that are there already are replaced.

        The name in the archive appears only when all bytes are safe on disk.
        """
        place = blob_path(self.archive, self.snapshot.sha256)
        if self.compressed.exists() and not is_whole(self.archive, self.snapshot.sha256):
            place.parent.mkdir(exist_ok=True)
            self.compressed.replace(place)
            sync_folder(place.parent)


@contextmanager
def taken_in(
    archive: Path, delivered: Path, opened: Callable[[Path], IO[bytes]] | None = None
) -> Iterator[Incoming]:
    """Copy a delivered file, to be parsed and, if wanted, kept; the copy is removed afterwards.

    ``opened``: how the file is opened where its path alone is not to be trusted.

    Raises:
        UnreachableError: the file cannot be read, or changed meanwhile.
        StoreError: the archive cannot be written.

    """
    try:
        archive.mkdir(parents=True, exist_ok=True)
        folder = Path(tempfile.mkdtemp(prefix="incoming-", dir=archive))
    except OSError as error:
        raise StoreError(f"The archive {archive} cannot be written: {error.strerror}.") from error
    try:
        copy, compressed = folder / f"copy{plain_ending(delivered.name)}", folder / "bytes.zst"
        try:
            source = opened(delivered) if opened else delivered.open("rb")
        except OSError as error:
            raise UnreachableError(f"{delivered} cannot be read: {error.strerror}.") from error
        with source:
            digest, size = _copy_and_compress(source, delivered, copy, compressed)
        yield Incoming(Snapshot(copy, digest, size), archive, compressed)
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def keep_bytes(archive: Path, content: bytes, suffix: str) -> str:
    """Put bytes into the archive and give their hash."""
    with tempfile.TemporaryDirectory(prefix="incoming-", dir=archive) as folder:
        place = Path(folder) / f"kept{suffix}"
        place.write_bytes(content)
        with taken_in(archive, place) as incoming:
            incoming.keep()
            return incoming.snapshot.sha256


def is_whole(archive: Path, sha256: str) -> bool:
    """Whether an archived file is there and its bytes still have its hash."""
    digest = hashlib.sha256()
    try:
        with blob_path(archive, sha256).open("rb") as packed:
            for chunk in zstandard.ZstdDecompressor().read_to_iter(packed):
                digest.update(chunk)
    except (OSError, zstandard.ZstdError):
        return False
    return digest.hexdigest() == sha256


def archive_folder(store: Path) -> Path:
    """Where a store's archive is: beside it, under the store's full name without .duckdb.

    Earlier versions used the name up to the last full stop, so that ``fleet.north`` and
    ``fleet.south`` shared one; the first writer of a store moves it out of there.
    """
    own, before = _own_folder(store), _folder_before(store)
    in_common = before.is_dir() and not own.is_dir() and store.exists()
    return before if in_common else own


def has_archive_in_common(store: Path) -> bool:
    """Whether a store's archive is where another store's would have been, too."""
    return archive_folder(store) != _own_folder(store)


def take_out_of_common(store: Path, owed: Iterable[str]) -> None:
    """Give a store an archive of its own with the files of its ledger, by their hashes.

    The shared folder stays while another store beside this one may need it.
    """
    own, before = _own_folder(store), _folder_before(store)
    if not _others_of(before, store):
        before.replace(own)
        return
    fresh = own.with_name(f"{own.name}.part")
    shutil.rmtree(fresh, ignore_errors=True)
    fresh.mkdir(mode=0o700)
    for sha256 in owed:
        if (old := blob_path(before, sha256)).exists():
            new = blob_path(fresh, sha256)
            new.parent.mkdir(mode=0o700, exist_ok=True)
            shutil.copy2(old, new)
    fresh.replace(own)


def begin_archive(store: Path) -> None:
    """Make an archive at once for a new store whose name could be mistaken for another's."""
    if _own_folder(store) != _folder_before(store):
        _own_folder(store).mkdir(mode=0o700, exist_ok=True)


def _own_folder(store: Path) -> Path:
    return store.with_name(f"{store.name.removesuffix('.duckdb')}.archive")


def _folder_before(store: Path) -> Path:
    return store.with_suffix(".archive")


def _others_of(folder: Path, store: Path) -> list[Path]:
    return [p for p in store.parent.iterdir() if p != store and _is_store_of(p, folder)]


def _is_store_of(path: Path, folder: Path) -> bool:
    if not path.is_file() or _folder_before(path) != folder:
        return False
    with path.open("rb") as file:
        return file.read(_MAGIC_AT + len(_MAGIC))[_MAGIC_AT:] == _MAGIC


def blob_path(archive: Path, sha256: str) -> Path:
    """Give the path of the bytes with this hash."""
    return archive / sha256[:2] / f"{sha256}.zst"


@contextmanager
def taken_out(archive: Path, sha256: str, name: str) -> Iterator[Snapshot]:
    """Give a plain copy of an archived file, removed afterwards.

    Raises:
        StoreError: the archive does not hold it, or its bytes have changed.

    """
    place = blob_path(archive, sha256)
    if not place.exists():
        raise StoreError(f"The archive lacks {sha256[:12]} ({name}).")
    with tempfile.TemporaryDirectory(prefix="taken-", dir=archive) as folder:
        copy = Path(folder) / f"copy{plain_ending(name)}"
        digest, size = hashlib.sha256(), 0
        reader = zstandard.ZstdDecompressor()
        # bytes that no longer unpack have changed, too
        with place.open("rb") as packed, copy.open("wb") as plain, suppress(zstandard.ZstdError):
            for chunk in reader.read_to_iter(packed):
                digest.update(chunk)
                plain.write(chunk)
                size += len(chunk)
        if digest.hexdigest() != sha256:
            raise StoreError(f"The archived bytes of {name} ({sha256[:12]}) have changed.")
        yield Snapshot(copy, sha256, size)


def _copy_and_compress(
    source: IO[bytes], delivered: Path, copy: Path, compressed: Path
) -> tuple[str, int]:
    digest, size = hashlib.sha256(), 0
    # in a thread of its own, while the hash is taken here
    compressor = zstandard.ZstdCompressor(level=_LEVEL, threads=1)
    before = os.fstat(source.fileno())
    with copy.open("wb") as plain, compressed.open("wb") as packed:
        with compressor.stream_writer(packed, closefd=False) as writer:
            while chunk := _read(source, delivered):
                digest.update(chunk)
                plain.write(chunk)
                writer.write(chunk)
                size += len(chunk)
                if size > before.st_size:  # it grows, perhaps without end
                    raise UnreachableError(f"{delivered} changed while it was read.")
        after = os.fstat(source.fileno())
        packed.flush()
        os.fsync(packed.fileno())
    if (after.st_size, after.st_mtime_ns) != (before.st_size, before.st_mtime_ns):
        raise UnreachableError(f"{delivered} changed while it was read.")
    # a log with a clock of its own is dated by its file
    os.utime(copy, ns=(before.st_mtime_ns, before.st_mtime_ns))
    return digest.hexdigest(), size


def _read(source: IO[bytes], delivered: Path) -> bytes:
    try:
        return source.read(_CHUNK)
    except OSError as error:
        raise UnreachableError(f"{delivered} cannot be read: {error.strerror}.") from error


def sync_folder(folder: Path) -> None:
    """Make sure that a new name in a folder survives a power failure."""
    if os.name != "posix":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
