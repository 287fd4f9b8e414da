"""Have the tanks crossed the limits of their roster? In a store's last days, or in readings at hand; for scripts."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import groupby

import pyarrow as pa

from canlevel.derivation.flows import derive_flows
from canlevel.derivation.leaks import watch_leaks
from canlevel.derivation.limits import Crossing, crossings, tanks_of_entries
from canlevel.errors import QueryError
from canlevel.history import stored_flows
from canlevel.recovery import heard_lately
from canlevel.roster import Roster, TankEntry
from canlevel.storage.store import Store
from canlevel.tables import PROTOCOLS, READINGS, empty, matching, timestamp_us

__all__ = ["Checked", "check_readings", "check_store", "with_limits"]

MOST_DAYS = 31  # of a store in which tanks, and their leaks, are looked for
FEWEST_DAYS = 2
DAY = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class Checked:
    """What was looked at, READINGS, and which limits were crossed."""

    readings: pa.Table
    crossings: list[Crossing]


def with_limits(roster: Roster) -> Roster:
    """The roster, if it has a limit. Raises QueryError otherwise: a check that cannot fail says nothing."""
    if not any(entry.has_limits for entry in roster.tanks):
        raise QueryError(
            "there is no limit to check: no tank of the roster has low_pct, high_pct, silent_after_s or leak_l_per_h"
            if roster.tanks
            else "there is no roster to check against",
            next_step="write a roster with limits, for example low_pct = 20, and give it with --roster tanks.toml",
        )
    return roster


def check_readings(readings: pa.Table, roster: Roster, *, now: datetime, heard_in: str = "in the recording") -> Checked:
    """Limits crossed in READINGS of a recording or a bus, as they stand at `now`. Raises QueryError without a limit."""
    with_limits(roster)
    tables = []
    for tank in _tanks_that_may_leak(roster, readings):
        mine = readings.filter(matching(tank, None, None))
        tables.append(watch_leaks(mine, derive_flows(mine)))
    leaks = pa.concat_tables(tables) if tables else None
    return Checked(readings, crossings(roster, readings, now_us=timestamp_us(now), heard_in=heard_in, leaks=leaks))


def check_store(store: Store, roster: Roster | None = None, *, now: datetime, until: datetime | None = None) -> Checked:
    """Limits crossed in a store, as it stands at `now`; with `until` only what was heard before that counts.

    roster: instead of the store's own, and then applied to the readings. The last FEWEST_DAYS days are read, and the last
    MOST_DAYS of tanks with a limit that are not in them, and of those with a limit for leaks. What a logger at work has heard
    and not stored yet counts, too. Raises QueryError without a limit, StoreError.
    """
    known = with_limits(store.roster() if roster is None else roster)
    if roster is not None:
        known = Roster(None, roster.tanks)  # whatever the vessel was called, it is this one
    # The journal first: what is stored meanwhile is then found in both, and never in neither.
    waiting = heard_lately(store)
    if until is not None:
        waiting = waiting.filter(matching(until=until))
    days = [day for day, _ in groupby(part.parent.name.removeprefix("date=") for part in store.parts(until=until))]
    begins = [datetime.fromisoformat(day).replace(tzinfo=UTC) for day in reversed(days)]
    tables = [empty(READINGS)]
    for place, begin in enumerate(begin for begin in begins if begin > begins[0] - MOST_DAYS * DAY):
        ends = begin + DAY if until is None else min(begin + DAY, until)
        if place < FEWEST_DAYS:
            tables.append(store.to_arrow(since=begin, until=ends, in_order=False))
            continue
        heard = set(tanks_of_entries(known, pa.concat_tables([waiting, *tables])))
        missing = [entry for entry in known.tanks if entry.has_limits and entry not in heard]
        if not missing:
            break
        tables += [store.to_arrow(tank=tank, since=begin, until=ends) for entry in missing for tank in _ids(entry)]
    readings = pa.concat_tables(tables).unify_dictionaries().combine_chunks()
    if roster is not None:
        vessels = (_vessels_of(waiting) | _vessels_of(readings)) - {None}
        if roster.vessel in vessels and len(vessels) > 1:
            known = roster  # of several vessels it is about its own
        readings = roster.apply_to_own(readings, vessels)
    leaks = []
    for tank in _tanks_that_may_leak(known, readings):
        since = begins[0] - (MOST_DAYS - 1) * DAY
        mine = known.apply_to_own(store.to_arrow(tank=tank, since=since, until=until), _vessels_of(readings))
        flows = stored_flows(store, tank=tank, since=since, until=until) if roster is None else derive_flows(mine)
        leaks.append(watch_leaks(mine, flows))
    found = crossings(
        known,
        pa.concat_tables([readings, waiting]).unify_dictionaries().combine_chunks(),
        now_us=timestamp_us(now),
        heard_in=f"in the last {MOST_DAYS} days" if len(days) > FEWEST_DAYS else "in the store",
        leaks=pa.concat_tables(leaks) if leaks else None,
    )
    return Checked(readings, found)


def _vessels_of(readings: pa.Table) -> set[str | None]:
    return set(readings.column("vessel").unique().to_pylist())


def _ids(entry: TankEntry) -> list[str]:
    protocols = PROTOCOLS if entry.protocol is None else (entry.protocol,)
    return [f"{protocol}.{entry.fluid}.{entry.instance}" for protocol in protocols]


def _tanks_that_may_leak(roster: Roster, readings: pa.Table) -> list[str]:
    """Ids of the tanks that have a limit for their losses, and were heard."""
    if not len(readings):
        return []
    found = tanks_of_entries(roster, readings)
    return sorted({tank for entry, tanks in found.items() if entry.leak_l_per_h is not None for tank in tanks})
