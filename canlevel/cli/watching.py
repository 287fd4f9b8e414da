"""The command watch: tanks, the bus and what is wrong with it, live in the terminal."""

from __future__ import annotations

import os
import signal
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from typing import TYPE_CHECKING, Annotated, Any

import typer

from canlevel.cli.options import INTERRUPTED, Bitrate, DbcFiles, RosterFile, Seconds, Sources, Start, Units, moment
from canlevel.cli.program import app
from canlevel.units import VolumeUnit

if TYPE_CHECKING:
    from canlevel.keys import Keys
    from canlevel.watching.board import View
    from canlevel.watching.screen import Screen
    from canlevel.watching.watch import Watch

__all__: list[str] = []

REDRAW_S = 0.25
TICK_S = 0.05
DUMB_REDRAW_S = 5.0
PLAIN_TERMINALS = ("linux", "cons25", "vt100", "vt102", "vt220")  # consoles without eighths of a block
PAPER_COLUMNS = 110

Speed = Annotated[
    float | None,
    typer.Option(
        "--speed", metavar="X", help="Of a recording: seconds of it in one, e.g. 60; 1 without.", show_default=False
    ),
]
NoColour = Annotated[bool, typer.Option("--no-colour", "--no-color", help="Also: the variable NO_COLOR.")]


@app.command(
    short_help="Watch tanks, bus and findings, live on the screen.",
    epilog="Example:  canlevel watch boat.log --roster tanks.toml --speed 60",
)
def watch(
    source: Sources,
    roster: RosterFile = None,
    dbc: DbcFiles = None,
    start: Start = None,
    units: Units = VolumeUnit.LITRE,
    speed: Speed = None,
    bitrate: Bitrate = 250_000,
    seconds: Seconds = None,
    no_colour: NoColour = False,
) -> None:
    """Watch a live bus, or a recording as it was, until q: every tank with its level, litres, rate and age, the bus, and what
    is wrong with it as it arises.

    Where the output is no terminal, what there is to see at the end is printed once: of a recording, or of a bus after
    --seconds or Ctrl-C.
    """
    from canlevel.watching.board import View
    from canlevel.watching.watch import open_watch

    terminal = sys.stdout.isatty()
    watching = open_watch(
        source,
        roster=roster,
        dbc=dbc or (),
        start=moment(start, "--start"),
        bitrate=bitrate,
        seconds=seconds,
        speed=speed,
        stays=terminal,
    )
    view = View(unit=units)
    with _ended_by_signals(watching), watching:
        if not terminal:
            _on_paper(watching, view)
        elif os.environ.get("TERM", "dumb") in ("dumb", "unknown", ""):
            _line_by_line(watching, view)
        else:
            view.plain = os.environ["TERM"] in PLAIN_TERMINALS or not _unicode()
            _on_screen(watching, view, colour=not no_colour)
    if not terminal and watching.stopped and not watching.live:
        print("note: interrupted before the end of the recording", file=sys.stderr)
        raise typer.Exit(INTERRUPTED)
    for sentence in watching.notes():
        print(f"note: {sentence}", file=sys.stderr)


def _unicode() -> bool:
    """Whether the terminal is one for Unicode, as far as its locale says; Python takes "C" for such a one, and so do we."""
    word = next((os.environ[name] for name in ("LC_ALL", "LC_CTYPE", "LANG") if os.environ.get(name)), "C")
    encoding = word.partition(".")[2].partition("@")[0]
    return not encoding or encoding.lower().replace("-", "") == "utf8"


@contextmanager
def _ended_by_signals(watching: Watch) -> Iterator[None]:
    """Ctrl-C and SIGTERM end the watching in order; a second one ends the program."""

    def stop(*_: Any) -> None:
        watching.stop()
        for name in handled:
            signal.signal(name, signal.default_int_handler)

    handled = [signal.SIGINT, signal.SIGTERM, *([signal.SIGHUP] if hasattr(signal, "SIGHUP") else [])]
    before = {name: signal.signal(name, stop) for name in handled}
    try:
        yield
    finally:
        for name, handler in before.items():
            signal.signal(name, handler)


def _on_paper(watching: Watch, view: View) -> None:
    """Everything to the end, and what there is to see then."""
    if watching.live and sys.stderr.isatty():
        print("listening; Ctrl-C ends, and what there is to see then is printed", file=sys.stderr)
    while not watching.over:
        watching.go_on(TICK_S)
    _print(watching, view)


def _print(watching: Watch, view: View) -> None:
    from canlevel.watching.board import board
    from canlevel.watching.screen import size_of

    view.keys = False
    columns = min(size_of(sys.stdout)[0], PAPER_COLUMNS) if sys.stdout.isatty() else PAPER_COLUMNS
    for line in board(watching.snapshot(), view, columns, None).lines:
        print("".join(text for _, text in line).rstrip())


def _line_by_line(watching: Watch, view: View) -> None:
    """On a terminal that cannot move its cursor: a picture now and then, below one another."""
    from canlevel.keys import Keys

    view.plain = True
    due_s = time.monotonic() + DUMB_REDRAW_S / 2
    with Keys() as keys:
        while not watching.over and "q" not in keys.pressed():
            watching.go_on(TICK_S)
            if time.monotonic() >= due_s:
                due_s = time.monotonic() + DUMB_REDRAW_S
                _print(watching, view)
                print(flush=True)
    _print(watching, view)


def _on_screen(watching: Watch, view: View, *, colour: bool) -> None:
    """The screen, until q, Ctrl-C, or, of a bus, --seconds are over."""
    from canlevel.keys import Keys
    from canlevel.watching.screen import Screen

    keys, screen = Keys(), Screen(sys.stdout, colour=colour)
    suspended: list[int] = []
    with ExitStack() as stack:
        if hasattr(signal, "SIGTSTP"):
            before = signal.signal(signal.SIGTSTP, lambda number, _: suspended.append(number))
            stack.callback(signal.signal, signal.SIGTSTP, before)
        stack.enter_context(keys)
        stack.enter_context(screen)
        due_s = 0.0
        while not watching.over:
            if suspended:
                _suspend(keys, screen)
                suspended.clear()
                due_s = 0.0
            pressed = keys.pressed()
            if not keys.available and not watching.live and watching.ended:
                break  # nobody can press q
            for key in pressed:
                if key in ("q", "Q"):
                    return
                _press(key, watching, view)
            watching.go_on(TICK_S)
            if pressed or time.monotonic() >= due_s:
                _draw(watching, view, screen)
                due_s = time.monotonic() + REDRAW_S


def _draw(watching: Watch, view: View, screen: Screen) -> None:
    """What there is to see now."""
    from canlevel.watching.board import board
    from canlevel.watching.screen import size_of

    size = size_of(sys.stdout)
    shown = board(watching.snapshot(), view, *size)
    view.first = shown.first
    view.step = shown.step
    view.shown_form = shown.form
    screen.draw(shown.lines, size)


def _press(key: str, watching: Watch, view: View) -> None:
    """Do what a key is for; others do nothing."""
    pages = {"t": "tanks", "f": "findings", "d": "devices"}
    moves = {"up": -1, "k": -1, "down": 1, "j": 1, "page up": -view.step, "page down": view.step}
    if key in pages:
        # The same key again leads back.
        view.page = pages[key] if view.page != pages[key] else "tanks"
        view.first = 0
    elif key in moves:
        view.first = max(view.first + moves[key], 0)
    elif key in ("home", "g"):
        view.first = 0
    elif key in ("end", "G"):
        view.first = sys.maxsize
    elif key == "v":
        view.form = "one" if view.shown_form == "two" else "two"
    elif key in (" ", "p"):
        watching.pause()
    elif key in ("+", "=", "-"):
        watching.faster(-1 if key == "-" else 1)


def _suspend(keys: Keys, screen: Screen) -> None:
    """Ctrl-Z: give the terminal back as it was, and take it again when the shell brings us to the fore."""
    screen.__exit__(None, None, None)
    keys.__exit__(None, None, None)
    os.kill(os.getpid(), signal.SIGSTOP)
    keys.__enter__()
    screen.__enter__()
