"""A file that appears whole or not at all."""

from __future__ import annotations

import os
from pathlib import Path

from canlevel.errors import CanlevelError, Place, QueryError

__all__ = ["check_writable", "write_file"]


def check_writable(path: str | Path) -> Path:
    """A path that a file can be written to, as far as that shows before. Raises QueryError: a folder, or no folder for it."""
    path = Path(path)
    where = Place(str(path))
    if path.is_dir():
        raise QueryError("is a folder", where=where, next_step="name a file in it")
    if not path.parent.is_dir():
        raise QueryError("its folder is not there", where=where, next_step=f"make {path.parent} first, or name another")
    return path


def write_file(path: str | Path, content: bytes) -> None:
    """Write a file, in the place of one that may be there; a reader sees the old one or the new one. Raises CanlevelError."""
    path = check_writable(path)
    if path.exists() and not path.is_file():  # /dev/stdout, a pipe: nothing that could be replaced
        try:
            with path.open("wb") as out:
                out.write(content)
        except OSError as error:
            raise _refused(path, error) from error
        return
    unfinished = path.with_name(f".{path.name[:60]}.{os.urandom(4).hex()}.unfinished")
    try:
        with unfinished.open("wb") as out:
            out.write(content)
            out.flush()
            os.fsync(out.fileno())
        unfinished.replace(path)
    except OSError as error:
        raise _refused(path, error) from error
    finally:
        unfinished.unlink(missing_ok=True)


def _refused(path: Path, error: OSError) -> CanlevelError:
    return QueryError(
        f"cannot be written ({error.strerror or error})", where=Place(str(path)), next_step="name another place with -o"
    )
