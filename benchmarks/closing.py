"""What closing a long night costs: memory and processor time of the process that seals it.

    python benchmarks/closing.py [--hours 1]

The journal is the synthetic one of recovery.py (100 Hz, 12 channels, cut off), so replaying, sealing, measuring, the
figure and the manifest are all in it. It runs niced beside a rig under pressure, so what counts is that it stays small:
the target is 400 MB for 12 hours, of which most is the libraries and one file at a time being hashed.
"""

import argparse
import json
import resource
import subprocess
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))

from recovery import write_night

from rigd.store.runs import list_runs

TARGET_MB = 400.0


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--hours", type=float, default=1.0)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        write_night(Path(name), options.hours)
        (run,) = list_runs(Path(name))
        subprocess.run([sys.executable, "-m", "rigd.closing", str(run.path)], check=True)
        used = resource.getrusage(resource.RUSAGE_CHILDREN)
        for folder in (path for path in [run.path, *run.path.rglob("*")] if path.is_dir()):
            folder.chmod(0o750)
    told = {"hours": options.hours, "peak_mb": used.ru_maxrss / 1e3, "cpu_s": used.ru_utime + used.ru_stime}
    print(f"closing {options.hours:g} h: at most {told['peak_mb']:.0f} MB (target {TARGET_MB:g} for 12 h), "
          f"{told['cpu_s']:.1f} s of a processor")  # fmt: skip
    print(json.dumps(told))


if __name__ == "__main__":
    main()
