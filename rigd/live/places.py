"""Where things are on this machine: the runtime folder with one lock and one socket a rig, the records folder, the key.

One rig is one lock: whoever holds it is the only process that may drive that rig's outputs. The lock is the kernel's
(flock), so it ends with its holder however that ends, and a left-over file means nothing. This file refuses to know
what a rig is beyond its name.
"""

import fcntl
import os
import re
import stat
import tempfile
import time
from pathlib import Path

from rigd.model.errors import Misconfigured, RigBusy, RigUnreachable, UsageRefused

RUNTIME = "RIGD_RUNTIME"
RECORDS = "RIGD_RECORDS"
KEY = "RIGD_KEY"
TAKE_ATTEMPTS = 5  # asking whether a lock is held takes microseconds: a tenth of a second outlasts any such question
TAKE_PAUSE_S = 0.02


def runtime_folder() -> Path:
    """Return the user's own runtime folder, made if need be. Nobody else may write there: sockets in it drive a rig."""
    if chosen := os.environ.get(RUNTIME):
        folder = Path(chosen)
    elif session := os.environ.get("XDG_RUNTIME_DIR"):
        folder = Path(session) / "rigd"
    else:
        folder = Path(tempfile.gettempdir()) / f"rigd-{os.getuid()}"
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        found = folder.lstat()
    except OSError as error:
        raise Misconfigured(f"{folder}: the runtime folder cannot be made ({error.strerror}); set {RUNTIME}") from None
    if not stat.S_ISDIR(found.st_mode) or found.st_uid != os.getuid() or found.st_mode & 0o022:
        raise Misconfigured(
            f"{folder}: the runtime folder must be yours and writable by nobody else; allowed: mode 0700. "
            f"Set {RUNTIME} to a folder of your own"
        )
    return folder


def records_folder(chosen: Path | None) -> Path:
    """Return the records folder: as chosen, else $RIGD_RECORDS, else the user's data folder."""
    if chosen is not None:
        return chosen.absolute()
    if named := os.environ.get(RECORDS):
        return Path(named).absolute()
    data = os.environ.get("XDG_DATA_HOME") or Path.home() / ".local" / "share"
    return Path(data) / "rigd" / "records"


def own_key_path() -> Path:
    """Return where the rig's own key lies, whether it is there or not: in the user's configuration folder."""
    return Path(os.environ.get("XDG_CONFIG_HOME") or Path.home() / ".config") / "rigd" / "rig.key"


def key_path(chosen: Path | None) -> Path | None:
    """Return the file of the rig's key: as chosen, else $RIGD_KEY, else the user's own when there is one, else None."""
    if chosen is None and (named := os.environ.get(KEY)):
        chosen = Path(named)
    if chosen is not None:
        return chosen.absolute()
    own = own_key_path()
    return own if os.path.lexists(own) else None


def file_name(rig: str) -> str:
    """Turn a rig's name into a file name that cannot leave its folder."""
    return re.sub(r"[^A-Za-z0-9_-]+", "-", rig).strip("-")[:64] or "rig"


def socket_path(rig: str) -> Path:
    return runtime_folder() / f"{file_name(rig)}.sock"


def lock_path(rig: str) -> Path:
    return runtime_folder() / f"{file_name(rig)}.lock"


class RigLock:
    """The right to drive one rig, held from `take` to `release` or to the end of the process."""

    def __init__(self, rig: str) -> None:
        self.rig = rig
        self._path = lock_path(rig)
        self._descriptor = -1

    def take(self) -> None:
        """Take the rig. Raises RigBusy when another process has it."""
        descriptor = os.open(self._path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW, 0o600)
        if not _taken(descriptor):
            holder = os.read(descriptor, 32).decode(errors="replace").strip() or "unknown"
            os.close(descriptor)
            raise RigBusy(
                f"rig {self.rig}: another rig process has it (process {holder}); one rig is one process. "
                "See it with: rigd status"
            )
        socket_path(self.rig).unlink(missing_ok=True)  # a killed holder's: nobody answers at it
        os.ftruncate(descriptor, 0)
        os.write(descriptor, f"{os.getpid()}\n".encode())
        self._descriptor = descriptor

    def release(self) -> None:
        if self._descriptor >= 0:
            os.close(self._descriptor)
            self._descriptor = -1


def _taken(descriptor: int) -> bool:
    """Try for the lock a few times: somebody asking `is_held` has it for a moment."""
    for attempt in range(TAKE_ATTEMPTS):
        if attempt:
            time.sleep(TAKE_PAUSE_S)
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            return True
        except BlockingIOError:
            continue
    return False


def is_held(lock: Path) -> bool:
    """Whether some process has the rig of this lock file."""
    try:
        descriptor = os.open(lock, os.O_RDONLY | os.O_CLOEXEC | os.O_NOFOLLOW)
    except FileNotFoundError:
        return False
    try:
        fcntl.flock(descriptor, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    finally:
        os.close(descriptor)
    return False


def rigs_held() -> tuple[str, ...]:
    """Name the rigs (as file names) that have a rig process now."""
    return tuple(path.stem for path in sorted(runtime_folder().glob("*.lock")) if is_held(path))


def find_socket(rig: str) -> Path:
    """Return the socket of the rig named, or of the only one that has a process when none is named."""
    if rig:
        return socket_path(rig)
    held = rigs_held()
    if not held:
        raise RigUnreachable(
            "no rig process is running for this user.\n"
            "Start one: rigd run PROFILE --rig RIG --specimen ID --operator NAME"
        )
    if len(held) > 1:
        raise UsageRefused(f"several rigs have a process: {', '.join(held)}. Say which: --rig {held[0]}")
    return runtime_folder() / f"{held[0]}.sock"
