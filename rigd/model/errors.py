"""Everything that can be wrong and is not a bug, in one tree. Each class names who must act and with what exit code.

A message says what, where, the value found, what is allowed and what to do. Programmer errors are asserts.
Exit codes beyond 5 are those of sysexits(3).
"""

from dataclasses import dataclass

DONE, NOT_MET, USAGE, STOPPED, TRIPPED, INVALID = 0, 1, 2, 3, 4, 5
BAD_DATA, NO_SUCH_RUN, UNREACHABLE, OUR_BUG, CANNOT_CREATE, CANNOT_WRITE = 65, 66, 69, 70, 73, 74
BUSY, NOT_PERMITTED, CONFIGURATION = 75, 77, 78


class RigdError(Exception):
    """Base of all. `exit_code` is what the command ends with."""

    exit_code = OUR_BUG


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One thing wrong in one file, told so that an editor can jump there."""

    path: str
    line: int
    column: int
    key: str  # key path, e.g. steps[3].rate
    found: str
    allowed: str
    todo: str = ""

    def __str__(self) -> str:
        where = f"{self.path}:{self.line}:{self.column}"
        key = f" {self.key}:" if self.key else ""
        todo = f". {self.todo}" if self.todo else ""
        return f"{where}:{key} found {self.found}; allowed: {self.allowed}{todo}"


class FilesRefused(RigdError):
    """The author of the files must act. Carries every fault at once."""

    exit_code = BAD_DATA

    def __init__(self, faults: tuple[Fault, ...]) -> None:
        assert faults, "refused files have at least one fault"
        self.faults = faults
        super().__init__("\n".join(str(fault) for fault in faults))


class UsageRefused(RigdError):
    """The person at the keyboard must act: the call itself is wrong."""

    exit_code = USAGE


class RecordAltered(RigdError):
    """The auditor must act: a record is not what was sealed. Carries every finding."""

    exit_code = BAD_DATA

    def __init__(self, findings: tuple[str, ...]) -> None:
        assert findings, "an altered record has at least one finding"
        self.findings = findings
        super().__init__("\n".join(findings))


class NoSuchRun(RigdError):
    exit_code = NO_SUCH_RUN


class RigUnreachable(RigdError):
    """The technician must act: no rig process, or no device, answers."""

    exit_code = UNREACHABLE


class CannotCreate(RigdError):
    """The owner of the disk must act: a record cannot begin."""

    exit_code = CANNOT_CREATE


class CannotWrite(RigdError):
    exit_code = CANNOT_WRITE


class RigBusy(RigdError):
    """Wait: another process owns this rig."""

    exit_code = BUSY


class NotPermitted(RigdError):
    exit_code = NOT_PERMITTED


class Misconfigured(RigdError):
    """The owner of the rig must act: files are sound but do not fit together or the machine."""

    exit_code = CONFIGURATION
