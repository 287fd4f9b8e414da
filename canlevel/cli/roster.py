"""Command: roster. A first roster of what is heard."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from canlevel.cli.opening import examined
from canlevel.cli.options import BAD_NEWS, LISTEN_S, Bitrate, DbcFiles, Seconds, Sources, Start
from canlevel.cli.program import app
from canlevel.errors import Place, RosterError
from canlevel.words import counted

__all__: list[str] = []


@app.command(
    short_help="Write a first roster of the tanks that are heard.",
    epilog="Example:  canlevel roster boat.log -o tanks.toml",
)
def roster(
    source: Sources,
    output: Annotated[
        Path | None,
        typer.Option("-o", "--output", metavar="FILE", help="The roster; else it is printed.", show_default=False),
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Write over a file that is there.")] = False,
    dbc: DbcFiles = None,
    start: Start = None,
    bitrate: Bitrate = 250_000,
    seconds: Seconds = None,
) -> None:
    """Write a first roster of the tanks in SOURCE, with a proposed name each, and comments on what to fill in.

    It can be used at once: names are for you to change, in any language. A live bus is listened to for 15 seconds, or
    --seconds. Exit code 1 where no tank was heard; nothing is written then.
    """
    from canlevel.capture.source import is_live
    from canlevel.errors import printable
    from canlevel.show.first_roster import first_roster
    from canlevel.storage.commit import write_whole

    if output == Path("-"):
        output = None
    if output is not None:
        _refuse_to_write_over(output, force=force)
    heard = examined(
        source, LISTEN_S, roster=None, dbc=dbc, start=start, bitrate=bitrate, seconds=seconds, ask=False, levels=True
    )
    explanation = heard.explain().to_dict()
    tanks = len({tank["tank"] for tank in explanation["tanks"]})
    if not tanks:
        print("no tank was heard, so that there is no roster; canlevel explain says why", file=sys.stderr)
        raise typer.Exit(BAD_NEWS)
    first, *others = source
    title = "standard input" if first == "-" else first if is_live(first) else Path(first).name
    text = first_roster(explanation, title + (f" and {len(others)} more" if others else ""))
    if output is None:
        sys.stdout.write(text)
        return
    _refuse_to_write_over(output, force=force)
    try:
        write_whole(output, text)
    except OSError as error:
        raise RosterError(
            f"cannot be written ({error.strerror or error})", where=Place(str(output)), next_step="name another file"
        ) from error
    print(
        f"{counted(tanks, 'tank')} in {printable(str(output))}. Next: give them their names, then use it with --roster"
    )


def _refuse_to_write_over(path: Path, *, force: bool) -> None:
    """Raises RosterError where a file is there already, before a bus is listened to, and once more before it is written."""
    try:
        there, odd = path.exists(), path.exists() and not path.is_file()
        parent = path.parent.is_dir()
    except (OSError, ValueError) as error:
        raise RosterError("cannot be written", where=Place(str(path)), next_step="name another file") from error
    if odd:
        raise RosterError(
            "is a folder or a device", where=Place(str(path)), next_step="name a file, for example tanks.toml"
        )
    if not parent:
        raise RosterError(
            "cannot be written, as its folder is not there", where=Place(str(path)), next_step="make the folder first"
        )
    if there and not force:
        raise RosterError(
            "is there already", where=Place(str(path)), next_step="name another file, or write over it with --force"
        )
