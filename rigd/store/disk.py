"""The few things the store asks of a disk, in one place, so that a test can make any of them fail or forget.

A file is either not there or whole: written beside its place under a temporary name, synced, renamed into place, and
the folder synced, because a rename that is not synced can vanish in a power cut. Nothing here knows what the bytes
mean.
"""

import errno
import fcntl
import hashlib
import os
import stat
from collections.abc import Iterable
from pathlib import Path
from typing import BinaryIO

TEMPORARY = ".unfinished-"
"""Names that begin so are leavings of a crash; whoever seals a folder removes them."""

MAX_FILE_BYTES = 1 << 31
"""No file of a record is near this; a larger one is not ours."""

PIECE_BYTES = 1 << 20
"""What is hashed at a time."""

READ_ONLY, READ_ONLY_FOLDER = 0o444, 0o555


class Disk:
    """The real disk. Tests subclass nothing: they offer the same methods."""

    def create(self, path: Path) -> int:
        """A new file to append to, never one that is there, never through a link. Returns its descriptor."""
        flags = os.O_WRONLY | os.O_APPEND | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC | os.O_NOFOLLOW
        return os.open(path, flags, 0o640)

    def write(self, descriptor: int, data: bytes | memoryview) -> int:
        return os.write(descriptor, data)

    def sync(self, descriptor: int) -> None:
        os.fdatasync(descriptor)

    def truncate(self, descriptor: int, size: int) -> None:
        os.ftruncate(descriptor, size)

    def close(self, descriptor: int) -> None:
        os.close(descriptor)

    def rename(self, source: Path, target: Path) -> None:
        os.replace(source, target)

    def remove(self, path: Path) -> None:
        os.unlink(path)

    def sync_folder(self, path: Path) -> None:
        descriptor = os.open(path, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)


DISK = Disk()


def write_all(disk: Disk, descriptor: int, data: bytes) -> None:
    """Write every byte or raise OSError; a disk that takes nothing and says nothing is an error too."""
    view = memoryview(data)
    while view:
        taken = disk.write(descriptor, view)
        if taken <= 0:
            raise OSError(errno.EIO, "the disk took no bytes and gave no reason")
        view = view[taken:]


def write_file(path: Path, data: bytes | Iterable[bytes], *, disk: Disk = DISK, mode: int = 0o640) -> None:
    """Put a whole file into place, durably; its bytes, or piece after piece of them. After an error the place is as it
    was before."""
    temporary = path.with_name(TEMPORARY + path.name)
    if os.path.lexists(temporary):
        disk.remove(temporary)
    descriptor = disk.create(temporary)
    try:
        for piece in (data,) if isinstance(data, bytes) else data:
            write_all(disk, descriptor, piece)
        disk.sync(descriptor)
    finally:
        disk.close(descriptor)
    os.chmod(temporary, mode)
    disk.rename(temporary, path)
    disk.sync_folder(path.parent)


def make_folder(path: Path, *, disk: Disk = DISK) -> None:
    """A folder and its entry in its parent, durably. Fails when it is there."""
    os.mkdir(path, 0o750)
    disk.sync_folder(path.parent)


def read_file(path: Path, *, limit: int = MAX_FILE_BYTES) -> bytes:
    """All bytes of a regular file. Raises OSError in words for links, pipes, devices and what is too large."""
    with _open_regular(path, limit) as file:
        return file.read(limit + 1)


def digest_file(path: Path, *, limit: int = MAX_FILE_BYTES) -> tuple[int, str]:
    """Size and SHA-256 of a regular file, however long a night it holds. Raises OSError as `read_file`."""
    digest, size = hashlib.sha256(), 0
    with _open_regular(path, limit) as file:
        while piece := file.read(PIECE_BYTES):
            digest.update(piece)
            size += len(piece)
    return size, digest.hexdigest()


def _open_regular(path: Path, limit: int) -> BinaryIO:
    descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK)
    file = open(descriptor, "rb")  # closed by who asked, or below
    status = os.fstat(descriptor)
    if stat.S_ISREG(status.st_mode) and status.st_size <= limit:
        return file
    file.close()
    if not stat.S_ISREG(status.st_mode):
        raise OSError(errno.EINVAL, "it is not a regular file")
    raise OSError(errno.EFBIG, f"it has {status.st_size} bytes; allowed: {limit}")


class FolderLock:
    """One process at a time in a folder; the system lets go when the process dies, however it dies."""

    def __init__(self, folder: Path) -> None:
        self._descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)

    def take(self, *, wait: bool) -> bool:
        """True when the lock is ours. With wait=False it answers at once."""
        try:
            fcntl.flock(self._descriptor, fcntl.LOCK_EX | (0 if wait else fcntl.LOCK_NB))
        except BlockingIOError:
            return False
        return True

    def release(self) -> None:
        if self._descriptor >= 0:
            os.close(self._descriptor)
            self._descriptor = -1

    def __enter__(self) -> "FolderLock":
        self.take(wait=True)
        return self

    def __exit__(self, *_: object) -> None:
        self.release()


def is_locked(folder: Path) -> bool:
    """Does some process hold the lock of this folder?"""
    lock = FolderLock(folder)
    try:
        return not lock.take(wait=False)
    finally:
        lock.release()
