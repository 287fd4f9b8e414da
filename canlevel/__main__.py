"""The console script: `canlevel` and `python -m canlevel`."""

from __future__ import annotations

import sys

__all__ = ["main"]


def main() -> None:
    """Run the command line."""
    from canlevel.cli import run

    sys.exit(run())


if __name__ == "__main__":
    main()
