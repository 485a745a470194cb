"""`python -m raysim.cli` does what `raysim` does."""

from __future__ import annotations

import sys

from raysim.cli.main import main

if __name__ == "__main__":
    sys.exit(main())
