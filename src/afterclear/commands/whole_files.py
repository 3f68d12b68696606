"""Replace a small file that few may read: it is there whole, the old one or the new one."""

import os
from pathlib import Path


def put_whole(path: Path, content: bytes, mode: int) -> None:
    """Put a file in its place with its rights from the first byte on, and on the disk before.

    ``mode``: its rights, whatever the umask leaves out.

    Raises:
        OSError: it cannot be written; the old one stands.

    """
    part = path.with_name(f".{path.name}.part")
    part.unlink(missing_ok=True)  # of a kill
    try:
        with os.fdopen(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode), "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        part.chmod(mode)
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)
