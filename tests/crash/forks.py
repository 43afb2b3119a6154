"""Real processes, many a second: one parent that has imported everything and forks a child for each job.

    python forks.py   under the shim; a line of JSON in, jobs that run at once; a line out, how each ended

A job: {"do": "record" | "close", "folder": ..., "blocks": n, "acks": ..., "plot": ..., "faults": ..., "log": ...,
"ends_after_s": s}. `record` opens a record in a records folder, as the rig process does, and writes blocks, adding a
byte to the file `acks` for each that the writer acknowledged. `close` closes a run as the closing process does.
`ends_after_s` ends the child by a signal nobody can hear. An answer: {"code": exit code or minus the signal, "said":
words}. This is a program of the tests; it decides nothing.
"""

import json
import os
import signal
import subprocess
import sys
import tempfile
import threading
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))
ROOT = Path(__file__).parents[2]


def record(folder: Path, blocks: int, acks: str) -> int:
    """What the rig process does with its disk, without a rig."""
    from rigd.files.load import find
    from rigd.live.record import OpenRecord
    from rigd.model.messages import Event, Tick

    files = {"rig.yaml": find("demo", "rig").read_bytes(), "profile.yaml": find("ramped-burst", "profile").read_bytes(),
             "specimen.yaml": find("K-07", "specimen").read_bytes()}  # fmt: skip
    opened = OpenRecord(folder, rig="demo", profile="ramped-burst", specimen="K-07", files=files)
    written = threading.Semaphore(0)
    told = os.open(acks, os.O_WRONLY | os.O_CREAT | os.O_APPEND)

    def report(lag_us: int, error: str) -> None:
        if not error:
            os.write(told, b".")
        written.release()

    opened._writer._report = report
    for seq in range(blocks):
        opened.builder.add_input(Tick(seq=seq, t_ns=seq * 1000))
        opened.builder.add_output(Event(seq=seq, t_ns=seq * 1000, kind="host", text="x" * 400))
        opened.hand_over(opened.builder.take())
        if opened.write_error():
            break
        written.acquire(timeout=10)
    opened.close()
    if opened.write_error():
        print(opened.write_error(), file=sys.stderr)
        return 4
    return 0


def child(job: dict[str, Any], said: int) -> int:
    from shims import arm_here

    from rigd.closing import closer
    from rigd.model.errors import RigdError

    os.dup2(said, 2)
    folder = Path(job["folder"])
    under = folder if job["do"] == "record" else folder.parent
    arm_here(under, job.get("faults", ""), Path(job.get("log", os.devnull)))
    if job.get("ends_after_s"):
        signal.signal(signal.SIGALRM, signal.SIG_DFL)
        signal.setitimer(signal.ITIMER_REAL, job["ends_after_s"])
    try:
        if job["do"] == "record":
            return record(folder, job["blocks"], job["acks"])
        sys.argv = ["closing", str(folder), *([] if job.get("plot") else [closer.WITHOUT_PLOT])]
        return closer.main()
    except RigdError as error:
        print(error, file=sys.stderr)
        return error.exit_code


def run(jobs: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Fork all, then wait for all."""
    started = []
    for job in jobs:
        said = tempfile.TemporaryFile()
        pid = os.fork()
        if not pid:
            code = 70
            try:
                code = child(job, said.fileno())
            except BaseException:  # noqa: BLE001 - a forked child may not return into its parent's life
                sys.excepthook(*sys.exc_info())
            finally:
                sys.stderr.flush()
                os._exit(code)
        started.append((pid, said))
    answers = []
    for pid, said in started:
        code = os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])
        said.seek(0)
        answers.append({"code": code, "said": said.read().decode(errors="replace")})
        said.close()
    return answers


def main() -> None:
    import rigd.closing.closer
    import rigd.live.record  # noqa: F401 - so that a child need not
    from rigd.files.load import find, load_profile, load_rig
    from rigd.store.edition import edition

    edition()
    load_rig(find("demo", "rig"))  # whatever is made at the first use is made here
    load_profile(find("ramped-burst", "profile"))
    for line in sys.stdin:
        print(json.dumps(run(json.loads(line))), flush=True)


class Forks:
    """The parent from the side of a test."""

    def __init__(self, environment: dict[str, str]) -> None:
        self._process = subprocess.Popen(
            [sys.executable, __file__], env=os.environ | {"PYTHONPATH": str(ROOT)} | environment,
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        )  # fmt: skip

    def run(self, *jobs: dict[str, Any]) -> list[dict[str, Any]]:
        self._process.stdin.write(json.dumps(jobs) + "\n")
        self._process.stdin.flush()
        return json.loads(self._process.stdout.readline())

    def close(self) -> None:
        self._process.stdin.close()
        self._process.stdout.close()
        self._process.wait()


if __name__ == "__main__":
    main()
