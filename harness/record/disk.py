"""Writing so that it stays written, and saying why it could not be."""

from __future__ import annotations

import contextlib
import errno
import os
from pathlib import Path

from harness.errors import RecordError

#: What a file system answers that cannot sync a folder, such as a network share.
_CANNOT_SYNC = {errno.EINVAL, errno.EBADF, errno.ENOTSUP, errno.EACCES}


def cannot_write(path: Path, error: OSError) -> RecordError:
    """Say what failed, where, and what to do, for an error of the operating system."""
    remedies = {
        errno.ENOSPC: "free space on the disk, or name another folder with --results",
        errno.EDQUOT: "free space in your quota, or name another folder with --results",
        errno.EROFS: "the disk is read-only; name another folder with --results",
        errno.EACCES: "check who may write there, or name another folder with --results",
        errno.EPERM: "check who may write there, or name another folder with --results",
        errno.ENOENT: "the folder is gone; leave it in place while a run goes on",
    }
    remedy = remedies.get(error.errno or 0, "check the disk, or name another folder with --results")
    reason = error.strerror or type(error).__name__
    return RecordError(f"the record cannot be written: {reason}", where=str(path), remedy=remedy)


def write_whole(path: Path, content: bytes, *, sync_name: bool = True) -> None:
    """Write a new file so that it is there whole or not at all, even if power fails meanwhile.

    Args:
        path: The file.
        content: What it will hold.
        sync_name: Whether its name is brought to the disk as well. One file of several in a folder
            can leave that to the last.

    Raises:
        OSError: It cannot be written; nothing stays under its name.
    """
    part = path.with_name(f"{path.name}.part")
    try:
        with part.open("xb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
        if sync_name:
            sync_folder(path.parent)
    except OSError:
        # Also where only the folder could not be synced: a file that was reported as not written
        # must not be found later, least of all one that says "released".
        for left in (part, path):
            with contextlib.suppress(OSError):
                left.unlink()
        raise


def sync_folder(folder: Path) -> None:
    """Bring the names in a folder to the disk, on systems where folders are files too.

    Raises:
        OSError: The disk reports an error.
    """
    if os.name == "nt":
        return
    try:
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
    except OSError as error:
        if error.errno not in _CANNOT_SYNC:
            raise
