"""The console script: `canlevel` and `python -m canlevel`."""

from __future__ import annotations

import os
import sys

__all__ = ["main"]


def main() -> None:
    """Run the command line."""
    # numpy's linear algebra would start a thread on every core, for problems of a few rows.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    from canlevel.cli import run

    # Threads that read a recording hand the interpreter's lock to the one that stores sooner than after the usual 5 ms.
    sys.setswitchinterval(0.0005)
    code = run()
    try:
        sys.stdout.flush()
        sys.stderr.flush()
    except (OSError, ValueError, AttributeError):  # whoever read the output has left, or there never was any
        sys.exit(code)
    # All is written and closed. To take the interpreter and its libraries apart would cost another 50 ms.
    os._exit(code)


if __name__ == "__main__":
    main()
