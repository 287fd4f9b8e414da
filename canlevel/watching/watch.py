"""A SOURCE watched: read by a thread, played by its times where it is a recording, looked through for findings now and then.

What comes in: the words a user gives as SOURCE. What goes out: Snapshots, whenever they are asked for. The clock and the
source are here; what is remembered is in Watched.
"""

from __future__ import annotations

import math
import time
from collections.abc import Iterable
from datetime import datetime
from pathlib import Path

import numpy as np

from canlevel.capture.source import Source, open_source
from canlevel.decoding.definitions import load_dbc
from canlevel.decoding.tanks import TankDecoder
from canlevel.diagnosis import recording_facts
from canlevel.errors import QueryError
from canlevel.roster import Roster, load_roster
from canlevel.tables import times_us
from canlevel.watching.feed import Feed
from canlevel.watching.playing import Player
from canlevel.watching.snapshot import Playing, Snapshot
from canlevel.watching.watched import Watched

__all__ = ["Watch", "open_watch"]

LOOK_S = 3.0  # between two looks for findings, at least
LOOK_SHARE = 0.05  # of the time that goes into them, at most
CLOSING_S = 5.0
ONE_BATCH_S = 1.0  # a live batch holds no more than that


class Watch:
    """A source being watched while it is entered. Call go_on() again and again.

    live: a bus. ended: everything was heard. over: nothing is left to do.
    """

    def __init__(self, source: Source, watched: Watched, *, bitrate: int, player: Player | None, stays: bool) -> None:
        self.live = source.live
        self.ended = self.over = self.stopped = False
        self._source, self._watched, self._player, self._bitrate = source, watched, player, bitrate
        self._stays = stays
        self._piped = not source.live and source.progress().total is None
        self._feed = Feed(source)
        self._began_s = self._now_s = self._arrived_s = time.monotonic()
        self._look_due_s = self._stopped_s = 0.0
        self._looked = (-1.0, -1)

    def __enter__(self) -> Watch:
        self._began_s = self._now_s = self._arrived_s = time.monotonic()
        self._feed.__enter__()
        return self

    def __exit__(self, *_: object) -> None:
        self._feed.__exit__()

    def go_on(self, wait_s: float) -> None:
        """Take in what has come, for about `wait_s`. Raises what reading the source raises."""
        until_s = time.monotonic() + wait_s
        if not self.ended:
            self.ended = self._listen(until_s) if self._player is None else self._play(self._player, until_s)
            self._look(whole=self.ended)
        hangs = self.stopped and time.monotonic() > self._stopped_s + CLOSING_S
        self.over = hangs or (self.ended and (self.stopped or self.live or not self._stays))
        if not self.over:
            time.sleep(max(until_s - time.monotonic(), 0.0) if self._stays else 0.0)

    def snapshot(self) -> Snapshot:
        """What there is to see now."""
        if self._player is None:
            now_s = self._now_s if self.ended else time.monotonic()
            return self._watched.snapshot(now_s - self._began_s, ended=self.ended)
        now_s, playing = self._player.now_s, None
        if self._piped and not self.ended and math.isinf(self._player.speed):
            now_s += time.monotonic() - self._arrived_s
        if math.isfinite(self._player.speed):
            length_s = self._player.read_s if self._feed.ended else None
            playing = Playing(self._player.speed, self._player.paused, self._player.position_s, length_s)
        return self._watched.snapshot(now_s, playing=playing, ended=self.ended)

    def stop(self) -> None:
        """End soon, with what was heard. May be called from a signal handler."""
        self.stopped, self._stopped_s = True, time.monotonic()
        self._source.stop()

    def pause(self) -> None:
        """Hold a recording, or go on with it."""
        if self._player is not None:
            self._player.paused = not self._player.paused

    def faster(self, steps: int) -> None:
        """Play a recording faster, or slower."""
        if self._player is not None and math.isfinite(self._player.speed):
            self._player.faster(steps)

    def notes(self) -> list[str]:
        """What the reading of the source brought up, a sentence each."""
        return list(self._source.tally.notes)

    def _listen(self, until_s: float) -> bool:
        """Take in what a bus delivers until then; whether that was all."""
        while not self._feed.ended:
            came = self._feed.take(until_s - time.monotonic())
            if came is not None:
                frames, self._now_s = came.frames, came.arrived_s
                at_s = came.arrived_s - self._began_s
                if len(frames):
                    time_us = times_us(frames)
                    # By the frames' own times within the batch, as far as they can be so.
                    before_s = np.clip((time_us - time_us.max()) / 1e6, -ONE_BATCH_S, 0.0)
                    self._watched.add(frames, np.maximum.accumulate(at_s + before_s))
                self._watched.reach(at_s)
                self._watched.happened(came.events, came.told)
            if time.monotonic() >= until_s:
                break
        return self._feed.ended

    def _play(self, player: Player, until_s: float) -> bool:
        """Take in what is due of a recording; whether that was all."""
        while (
            player.wants and not self._feed.ended and (came := self._feed.take(until_s - time.monotonic())) is not None
        ):
            player.add(came.frames)
            self._arrived_s = came.arrived_s
            self._watched.happened(came.events, came.told)
        passed_s, self._now_s = time.monotonic() - self._now_s, time.monotonic()
        for frames, at_s in player.advance(passed_s):
            self._watched.add(frames, at_s)
        self._watched.reach(player.now_s)
        # Who stops it does not want to see the rest.
        return self._feed.ended and (player.played or self.stopped)

    def _look(self, *, whole: bool) -> None:
        """Look for findings, if it is time, or all was heard."""
        began_s = time.monotonic()
        if not whole and (began_s < self._look_due_s or not self._stays):
            return
        heard = (self._watched.until_s, self._source.tally.frames)
        if not whole and heard == self._looked:
            return  # a recording that is paused
        self._looked = heard
        recording = recording_facts(self._source.tally, self._bitrate, live=self.live, listened_s=None)
        self._watched.look(recording, several=self._source.several, whole=whole)
        took_s = time.monotonic() - began_s
        self._look_due_s = time.monotonic() + max(LOOK_S, took_s / LOOK_SHARE)


def open_watch(
    sources: str | Path | Iterable[str | Path],
    *,
    roster: Roster | str | Path | None = None,
    dbc: str | Path | Iterable[str | Path] = (),
    start: datetime | str | None = None,
    bitrate: int = 250_000,
    seconds: float | None = None,
    speed: float | None = None,
    stays: bool = True,
) -> Watch:
    """Open SOURCEs to be watched; the arguments are those of open_source and open_decoding, and besides

    speed: at which a recording is played, 1 without; a pipe is played only where it is told. stays: there is a screen to look
    at, which stays when a recording has ended; without, a recording is read at once, and findings looked for at its end.
    Raises CanlevelError for what cannot be opened, QueryError for a speed that is none.
    """
    if speed is not None and not (math.isfinite(speed) and speed > 0):
        raise QueryError("--speed needs a number above 0", next_step="write it like --speed 60")
    if not isinstance(roster, Roster):
        roster = load_roster(roster) if roster is not None else Roster()
    paths = [dbc] if isinstance(dbc, str | Path) else dbc
    decoder = TankDecoder([message for path in paths for message in load_dbc(path)])
    words = [sources] if isinstance(sources, str | Path) else list(sources)
    source = open_source(words, start=start, bitrate=bitrate, seconds=seconds, leniently=True, reconnect=True)
    player = None
    if not source.live:
        piped = source.progress().total is None
        player = Player(math.inf if not stays or (piped and speed is None) else speed or 1.0)
    elif speed is not None:
        source.close()
        raise QueryError("--speed is for recordings; a bus has its own", next_step="leave it out")
    title = ", ".join(Path(str(word)).name if not source.live else str(word) for word in words)
    watched = Watched(decoder, roster, title=title, bitrate=bitrate, live=source.live)
    watched.happened((), [("info", sentence) for sentence in source.tally.notes])
    return Watch(source, watched, bitrate=bitrate, player=player, stays=stays)
