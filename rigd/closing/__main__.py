"""`python -m rigd.closing FOLDER [KEY]`: the process that closes one run (see closer)."""

import sys

from rigd.closing.closer import main

if __name__ == "__main__":
    sys.exit(main())
