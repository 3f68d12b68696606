"""What a person can put right on the machine: rights, a full disk, a folder in a file's place."""

import errno
from typing import Final

from afterclear.errors import worded

_FULL: Final = {errno.ENOSPC, errno.EDQUOT}
_TO_PUT_RIGHT: Final = {
    *(errno.EACCES, errno.EPERM, errno.EROFS, *_FULL),
    *(errno.EEXIST, errno.ENOTDIR, errno.EISDIR, errno.ENAMETOOLONG),
}


def machine_words(error: OSError) -> str:
    """Say what a person can put right on the machine; empty: it is our own bug."""
    if "No usable temporary directory" in str(error):  # tempfile's words, its only sign
        return worded(
            "no temporary file can be written: the disk of TMPDIR (else /tmp) is full or not to be "
            "written by this user"
        )
    if error.errno in _FULL and error.filename is None:
        return worded("a disk is full: the store's or that of temporary files (TMPDIR, else /tmp)")
    if error.errno == errno.EIO:
        return worded(
            "the disk of {place} failed ({why}); look after it, and keep a backup elsewhere",
            place=worded("this machine") if error.filename is None else error.filename,
            why=error.strerror,
        )
    if error.errno not in _TO_PUT_RIGHT or error.filename is None:
        return ""
    return worded(
        "{place}: {why}. The file or folder cannot be used by this user as it is",
        place=error.filename,
        why=error.strerror,
    )
