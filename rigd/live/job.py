"""What a rig process is started for, and how it ends: plain shapes, all in memory, before anything is opened."""

from dataclasses import dataclass
from pathlib import Path

from rigd.model import errors
from rigd.model.carried import NOTHING_CARRIED, Carried
from rigd.model.earlier import NO_WALKS, Earlier
from rigd.model.profile import Profile
from rigd.model.rig import Rig
from rigd.model.specimen import Specimen

GRAVEST_FIRST = (
    errors.TRIPPED, errors.CANNOT_WRITE, errors.STOPPED, errors.INVALID, errors.NOT_MET, errors.DONE,
)  # fmt: skip
"""Exit codes of stations. A process with several ends with the first of these that one of them has: what needs a
person at the rig comes before what only needs reading."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mounted:
    """One specimen at one station, with the exact bytes its record will hold."""

    station: int  # 0: the rig has only one
    specimen: Specimen
    specimen_bytes: bytes
    carried: Carried = NOTHING_CARRIED
    carried_bytes: bytes = b""  # of a resumed run: the file its record holds
    earlier: Earlier = NO_WALKS
    earlier_bytes: bytes = b""  # of a walk: the file its record holds
    unattended_bytes: bytes = b""  # of a run that may be left alone: the file its record holds


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """All that a rig process is made of: shapes, the exact bytes they came from, where it records, who asked for it."""

    rig: Rig
    profile: Profile
    mounted: tuple[Mounted, ...]  # by station; stations that are not named are empty
    rig_bytes: bytes
    profile_bytes: bytes
    display_pa: float  # one unit of Profile.display [Pa]
    records: Path
    person: str
    named: bool
    confirmed: bool  # arm and start as soon as the permissives hold
    key: Path | None = None  # of the rig; None: the record is sealed without a signature

    def files(self, mounted: Mounted) -> dict[str, bytes]:
        """The files of a record, under the names a record gives them (rigd.replay reads them)."""
        files = {
            "rig.yaml": self.rig_bytes, "profile.yaml": self.profile_bytes, "specimen.yaml": mounted.specimen_bytes,
        }  # fmt: skip
        if mounted.station:
            files["station.txt"] = b"%d\n" % mounted.station
        if mounted.carried_bytes:
            files["carried.json"] = mounted.carried_bytes
        if mounted.unattended_bytes:
            files["unattended.json"] = mounted.unattended_bytes
        if mounted.earlier_bytes:
            files["earlier.json"] = mounted.earlier_bytes
        return files


@dataclass(frozen=True, slots=True, kw_only=True)
class Ending:
    """How one station's run ended."""

    station: int
    exit_code: int
    record: Path
    words: str  # its outcome
    opening: str = ""  # what may be said about opening up
    trouble: str = ""  # why the record is not sealed


def gravest(endings: tuple[Ending, ...]) -> int:
    """The exit code of the whole process."""
    return min((ending.exit_code for ending in endings), key=GRAVEST_FIRST.index)
