"""What a run of the logger that did not end in order left in its journal: decoded like any recording, and stored.

Whoever opens a store does this first: `log` and `tidy` always, readers where no logger is at work and they may write. So a
store that was opened shows all that was heard until a second before the power went.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterable, Iterator
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import pyarrow as pa

from canlevel.capture.source import open_source
from canlevel.decoding.compiled import message_of
from canlevel.decoding.messages import Message
from canlevel.decoding.tanks import TankDecoder
from canlevel.derivation.online import OnlineRates
from canlevel.errors import CanlevelError, StoreError, StoreWarning, printable
from canlevel.roster import Roster
from canlevel.storage.commit import as_store_error
from canlevel.storage.journal import JournalFile, JournalRun, channel_of, journal_runs
from canlevel.storage.lock import HeldError
from canlevel.storage.merge import Tidied, set_aside, tidy_store
from canlevel.storage.store import Store, marks_table, open_store
from canlevel.storage.writer import Writer
from canlevel.tables import FRAMES, READINGS, as_sent, codes_of, dictionary_column, empty, time_column, times_us

__all__ = [
    "NOT_RUNNING",
    "WAIT_FOR_OTHERS_S",
    "Recovered",
    "bring_in",
    "decoding_context",
    "heard_lately",
    "open_whole",
    "tidy",
]

NOT_RUNNING = "canlevel was not running"  # why of an outage
WAIT_FOR_OTHERS_S = 2.0  # a reader that puts right what a crash has left holds the store for a moment


@dataclass(frozen=True, slots=True)
class Recovered:
    """What was brought in. readings: that were not in a part yet. last_us: the latest time among the frames, if any."""

    runs: int = 0
    readings: int = 0
    last_us: int | None = None


def decoding_context(roster: Roster, messages: Iterable[Message], *, live: bool) -> dict[str, Any]:
    """What frames are decoded with, as values that JSON holds. messages: a user's own. live: from a bus, heard as it spoke."""
    return {
        "live": live,
        **roster.to_dict(),
        "messages": [asdict(message) for message in messages],
    }


def _decoding_of(context: dict[str, Any], store: Store) -> tuple[Roster, TankDecoder]:
    """The reverse of decoding_context(); of one that cannot be read, what every store has."""
    try:
        messages = [message_of(facts) for facts in context["messages"]]
        return Roster.from_dict(context), TankDecoder(messages)
    except (KeyError, TypeError, ValueError, AttributeError):
        return Roster(store.vessel), TankDecoder()


def open_whole(path: str | Path) -> Store:
    """Open an existing store for reading, with what a run has left undone put right first, where that can be done.

    While a logger is at work its journal is its own: what it heard in the last minute is not in a part yet.
    Raises StoreError where there is no store. Warns where something is left out.
    """
    store = open_store(path)
    if store.revising() is not None:
        _warn(
            f"{path} is being revised, or a revision was cut off: some days still have the old names and capacities; "
            "canlevel revise, once more, does the rest"
        )
    if not store.left_undone:
        return store
    try:
        with store.writing() as writer:
            bring_in(store, writer)
    except HeldError:
        # The logger that holds it, whose journal this is.
        if not store.parts():
            _warn(f"{path}: a logger is at work, and has stored nothing yet; what it hears is here within a minute")
    except StoreError as error:
        _warn(f"{path}: what the last run left in its journal cannot be brought in ({error.what})")
    return store


def _warn(sentence: str) -> None:
    warnings.warn(printable(sentence), StoreWarning, stacklevel=3)


def tidy(path: str | Path) -> tuple[Recovered, Tidied]:
    """Tidy a store: what runs left undone is put right, the parts of closed days are merged, what is damaged is set aside.

    Raises StoreError, also while a logger is at work, which merges closed days by itself.
    """
    store = open_store(path)
    with store.writing(wait_s=WAIT_FOR_OTHERS_S) as writer:
        return bring_in(store, writer), tidy_store(store)


def bring_in(store: Store, writer: Writer) -> Recovered:
    """Store what the journals of earlier runs hold, and remove them. The caller holds the store. Raises StoreError."""
    runs, before, last_us = journal_runs(store.path), writer.added, None
    for run in runs:
        heard_us = _bring_in_run(store, writer, run)
        last_us = max((at for at in (last_us, heard_us) if at is not None), default=None)
    return Recovered(len(runs), writer.added - before, last_us)


def _bring_in_run(store: Store, writer: Writer, run: JournalRun) -> int | None:
    """One run; returns the latest time among its frames."""
    context = run.context() or {}
    roster, decoder = _decoding_of(context, store)
    rates, noted = OnlineRates(roster), store.last_run()
    with suppress(ValueError):
        rates.restore(noted.get("rates", []))
    # Files up to this one are in parts: the run was ended before it could remove them.
    done = int(noted.get("after", 0)) if noted.get("run") == run.name else 0
    heard: list[tuple[int, int]] = []
    before = writer.added
    try:
        for file in run.files():
            if file.number <= done:
                continue
            try:
                heard += _bring_in_file(writer, file, roster, decoder, rates)
            except StoreError:
                raise
            except CanlevelError as error:
                # No frame can be found in it; kept, in case somebody can read more than we.
                if file.path.stat().st_size:
                    _warn(f"{set_aside(store, file.path)} is a journal that cannot be read ({error.what})")
        writer.commit()
        facts: dict[str, Any] = {"rates": rates.state()} if writer.added > before else {}
        if heard and context.get("live") is True:
            first_us, last_us = min(first for first, _ in heard), max(last for _, last in heard)
            until_us = noted.get("until_us")
            # A run that was cut off before its first commit has told nobody of the time before it.
            if isinstance(until_us, int) and until_us < first_us and noted.get("run") != run.name:
                store.add_marks("outages", marks_table("outages", [_downtime(until_us, first_us)], store.vessel))
            facts |= {"run": run.name, "until_us": max(last_us, until_us) if isinstance(until_us, int) else last_us}
        if facts:
            store.note_run(**facts)
        run.remove()
    except OSError as error:
        raise as_store_error(error, store.path) from error
    return max((last for _, last in heard), default=None)


def _downtime(from_us: int, to_us: int) -> dict[str, Any]:
    return {"from": from_us, "to": to_us, "why": NOT_RUNNING}


def _bring_in_file(
    writer: Writer, file: JournalFile, roster: Roster, decoder: TankDecoder, rates: OnlineRates
) -> list[tuple[int, int]]:
    """One file; returns the first and last time of each batch of its frames."""
    heard = []
    for frames in _frames_of(file, decoder):
        writer.append(rates.add(roster.apply(as_sent(decoder.decode(frames)))))
        time_us = times_us(frames)
        heard.append((int(time_us.min()), int(time_us.max())))
    return heard


def _frames_of(file: JournalFile, decoder: TankDecoder) -> Iterator[pa.Table]:
    """FRAMES of one file, in the times that became known later."""
    source = open_source(file.path, leniently=True)
    try:
        for frames in source.batches(decoder.messages):
            if not len(frames):
                continue
            codes, words = codes_of(frames.column("channel"))
            columns = {
                "time": time_column(file.moved(times_us(frames))),
                "channel": dictionary_column(codes, channel_of(words)),
            }
            yield pa.table([columns.get(name, frames.column(name)) for name in FRAMES.names], schema=FRAMES)
    finally:
        source.close()


def heard_lately(store: Store) -> pa.Table:
    """READINGS, without rates, that the journal of a logger at work holds: its last minute, part of it perhaps stored by now.

    Nothing is changed. What cannot be read, or is in a part while it is read, is left out.
    """
    tables = []
    for run in journal_runs(store.path):
        roster, decoder = _decoding_of(run.context() or {}, store)
        with suppress(OSError):
            for file in run.files():
                with suppress(CanlevelError):
                    tables += [roster.apply(decoder.decode(frames)) for frames in _frames_of(file, decoder)]
    return pa.concat_tables(tables).unify_dictionaries() if tables else empty(READINGS)
