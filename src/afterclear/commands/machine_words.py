"""What a person can put right on the machine: rights, a full disk, a folder in a file's place."""

import errno
from typing import Final

_FULL: Final = {errno.ENOSPC, errno.EDQUOT}
_TO_PUT_RIGHT: Final = {
    *(errno.EACCES, errno.EPERM, errno.EROFS, *_FULL),
    *(errno.EEXIST, errno.ENOTDIR, errno.EISDIR, errno.ENAMETOOLONG),
}


def machine_words(error: OSError) -> str:
    """Say what a person can put right on the machine; empty: it is our own bug."""
    if "No usable temporary directory" in str(error):  # tempfile's words, its only sign
        return (
            "no temporary file can be written: the disk of TMPDIR (else /tmp) is full or not to be "
            "written by this user"
        )
    if error.errno in _FULL and error.filename is None:
        return "a disk is full: the store's or that of temporary files (TMPDIR, else /tmp)"
    if error.errno == errno.EIO:
        place = "a disk" if error.filename is None else f"the disk of {error.filename}"
        return f"{place} failed ({error.strerror}); look after it, and keep a backup elsewhere"
    if error.errno not in _TO_PUT_RIGHT or error.filename is None:
        return ""
    return (
        f"{error.filename}: {error.strerror}. The file or folder cannot be used by this user as it "
        "is"
    )
