"""Findings of a history: each day of it is examined as a recording of its readings would be, by the same checks.

READINGS come in day by day, in order; what is remembered between two days is small. A fault that is found on several days is
told once, with how often and whether it still held at the end. Readings have no frames, so checks that look at a bus (claims,
load, rhythms, other protocols) have nothing to say here. Nor do they tell into how many steps an RV-C device divides its level:
a division by zero is an error like others, and coarse steps are seen only where the level moves by them. A J1939 level that is
not available gives no reading, so its tank falls silent.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from canlevel.findings.catalogue import CHECKS
from canlevel.findings.checks import SEVERITIES, Check, Finding, Found, check, examine
from canlevel.findings.evidence import LONGER_THAN_USUAL, Bus, Evidence, Recording, Stop, Tank
from canlevel.findings.held import Series
from canlevel.findings.listener import Proof
from canlevel.findings.traffic import SILENT_US, Break
from canlevel.roster import Roster
from canlevel.tables import STATUSES, codes_of, column, distinct, rows_at, times_us, values_of
from canlevel.words import counted, span_words

__all__ = ["HISTORY_COLUMNS", "HistoryFinding", "HistoryFindings", "evidence_of_readings"]

HISTORY_COLUMNS = [
    "time",
    "channel",
    "protocol",
    "tank",
    "fluid",
    "instance",
    "source_address",
    "level_pct",
    "capacity_l",
    "status",
]
CODES = (
    "tank-missing",
    "tank-unexpected",
    "identity-clash",
    "instance-flicker",
    "address-changed",
    "level-not-available",
    "level-error",
    "level-over-range",
    "level-pinned-full",
    "level-pinned-empty",
    "level-jumps",
    "frame-malformed",
    "capacity-missing",
    "fluid-suspect",
    "unlisted-instance",
    "coarse-steps",
)
_BY_CODE = {one.code: one for one in CHECKS}
OF_A_DAY = tuple(_BY_CODE[code] for code in CODES)
WENT_SILENT = _BY_CODE["tank-went-silent"]
CAPACITY_OFF = 0.005  # what rounding to a device's unit may do
Key = tuple[str | None, str, int]  # channel, tank, source address


@dataclass(frozen=True, slots=True)
class HistoryFinding:
    """A fault found on some days. finding: as it was at its worst, and of those times the last; its proof is that of that day.

    first_us, last_us: the first and the last reading it rests on. readings: how many, of all days. ongoing: whether it was
    found on the last day of the history, too.
    """

    finding: Finding
    first_us: int
    last_us: int
    days: int
    readings: int
    ongoing: bool


class HistoryFindings:
    """What is found in a history that is given day by day."""

    def __init__(self, roster: Roster) -> None:
        self._roster = roster
        self._found: dict[tuple[str, str | None, int | None], HistoryFinding] = {}
        self._capacity: dict[Key, float] = {}
        self._heard: dict[str, tuple[int, int]] = {}

    def add(self, readings: pa.Table) -> None:
        """READINGS of the next day (HISTORY_COLUMNS of them will do), n rows in the order of time."""
        if not len(readings):
            return
        evidence = evidence_of_readings(readings, self._roster)
        begin_us, end_us = (int(us) for us in times_us(readings)[[0, -1]])
        checks = (*OF_A_DAY, _went_silent(dict(self._heard), end_us), _capacity_changed(dict(self._capacity)))
        today: dict[tuple[str, str | None, int | None], Finding] = {}
        for finding in examine(evidence, checks):
            today.setdefault((finding.code, finding.tank, finding.source_address), finding)
        self._found = {key: replace(one, ongoing=False) for key, one in self._found.items()}
        for key, finding in today.items():
            proof = replace(finding.proof, first_line=None, sample=None)
            finding = replace(finding, proof=proof)
            first_us = begin_us if proof.first_us is None else proof.first_us
            last_us = end_us if proof.last_us is None else proof.last_us
            before = self._found.get(key)
            if before is None:
                self._found[key] = HistoryFinding(finding, first_us, last_us, 1, proof.frames, ongoing=True)
                continue
            worse = SEVERITIES.index(finding.severity) > SEVERITIES.index(before.finding.severity)
            self._found[key] = HistoryFinding(
                before.finding if worse else finding,
                before.first_us,
                max(last_us, before.last_us),
                before.days + 1,
                before.readings + proof.frames,
                ongoing=True,
            )
        for tank in evidence.tanks:
            last = int(tank.time_us[-1]), tank.source_address
            self._heard[tank.tank] = max(last, self._heard.get(tank.tank, last))
            told = tank.capacity_l[tank.capacity_l > 0]
            if len(told):
                self._capacity[tank.channel, tank.tank, tank.source_address] = float(told[-1])

    def findings(self) -> list[HistoryFinding]:
        """What was found, the worst first, and of equally bad ones by tank."""
        return sorted(
            self._found.values(),
            key=lambda one: (
                SEVERITIES.index(one.finding.severity),
                one.finding.tank or "",
                one.finding.code,
                one.finding.source_address or 0,
            ),
        )


def evidence_of_readings(readings: pa.Table, roster: Roster) -> Evidence:
    """Evidence of READINGS, n rows in the order of time, of tanks alone: there are no devices, claims or reports.

    Where all tanks of a channel are silent, longer than three periods of the most frequent one, the bus was off.
    """
    time_us, line = times_us(readings), np.arange(1, len(readings) + 1)
    channel, channels = codes_of(readings.column("channel"))
    tank, tanks = codes_of(readings.column("tank"))
    source = values_of(readings.column("source_address")).astype(np.int64)
    status = _statuses(readings)
    level, capacity = column(readings, "level_pct"), column(readings, "capacity_l")
    _, which = distinct((channel.astype(np.int64) * len(tanks) + tank) * 256 + source)
    columns: dict[str, NDArray[Any]] = {
        "number": line - 1,
        "time_us": time_us,
        "line": line,
        "identifier": np.zeros(len(line), np.uint32),
        "length": np.full(len(line), 8, np.uint8),
        "payload": _said(level, capacity, status),
        "level_pct": level,
        "capacity_l": capacity,
        "steps": np.full(len(line), np.nan),
        "status": status,
    }
    rows_of = [np.flatnonzero(which == number) for number in range(int(which.max()) + 1 if len(which) else 0)]
    rows_of.sort(key=lambda rows: int(rows[0]))
    buses = {
        name: _bus(
            name, time_us, np.flatnonzero(channel == code), [rows for rows in rows_of if channel[rows[0]] == code]
        )
        for code, name in ((code, channels[code]) for code in np.unique(channel).tolist())
    }
    found = []
    for rows in rows_of:
        one = rows_at(readings.slice(int(rows[0]), 1), np.zeros(1, np.int64))
        told = {name: one.column(name)[0].as_py() for name in ("protocol", "fluid", "instance")}
        word, where, address = tanks[tank[rows[0]]] or "", channels[channel[rows[0]]], int(source[rows[0]])
        series = Series(word, told["protocol"], told["fluid"], told["instance"], where, address)
        series.add({name: values[rows] for name, values in columns.items()})
        found.append(
            Tank(
                tank=word,
                protocol=told["protocol"],
                fluid=told["fluid"],
                instance=told["instance"],
                channel=where,
                source_address=address,
                period_s=None,
                entry=roster.entry(word, address),
                bus=buses[where],
                series=series,
            )
        )
    return Evidence(
        recording=Recording(),
        roster=roster,
        frames=len(line),
        extended=len(line),
        eleven_bits=0,
        errors=Proof(),
        error_bits={},
        first=Proof(),
        buses=tuple(buses.values()),
        tanks=tuple(one for one in found if one.instance is not None),
        nameless=tuple(one for one in found if one.instance is None),
        not_fitted=frozenset(),
        devices=(),
    )


def _statuses(readings: pa.Table) -> NDArray[np.int8]:
    codes, words = codes_of(readings.column("status"))
    return np.array([STATUSES.index(word) if word in STATUSES else 0 for word in words], np.int8)[codes]


def _said(level: NDArray[np.float64], capacity: NDArray[np.float64], status: NDArray[np.int8]) -> NDArray[np.uint64]:
    """(n,) numbers that stand for what was said, as the bytes of a frame do: equal where all of it is equal."""
    said = distinct(level.view(np.int64))[1]
    for more in (distinct(capacity.view(np.int64))[1], status.astype(np.int64)):
        said = distinct(said * (int(more.max(initial=0)) + 1) + more)[1]
    return said.astype(np.uint64)


def _bus(
    channel: str | None, time_us: NDArray[np.int64], rows: NDArray[np.int64], tanks: list[NDArray[np.int64]]
) -> Bus:
    """One channel, of the rows of its readings; tanks: those of each of its tanks."""
    usual = [float(np.median(np.diff(time_us[mine]))) for mine in tanks if len(mine) > 1]
    least = max(SILENT_US, LONGER_THAN_USUAL * min(usual, default=0.0))
    between = np.diff(time_us[rows])
    stops = []
    for at in np.flatnonzero(between > least).tolist():
        before, after = int(rows[at]), int(rows[at + 1])
        found = Break(int(time_us[before]), int(time_us[after]), after, before + 1, after + 1)
        stops.append(Stop(found, None, int(between[at]) - round(min(min(usual, default=0.0), float(between[at])))))
    return Bus(
        channel=channel,
        senders=(),
        stops=tuple(stops),
        slots=(),
        first_us=int(time_us[rows[0]]),
        last_us=int(time_us[rows[-1]]),
        last_number=int(rows[-1]),
    )


def _went_silent(heard: Mapping[str, tuple[int, int]], end_us: int) -> Check:
    """The check for a tank that stopped, which also tells those that were heard on an earlier day and are not today.

    heard: when each tank was last heard before, and from which address.
    """

    def look(evidence: Evidence) -> Iterator[Found]:
        yield from WENT_SILENT.look(evidence)
        there = {tank.tank for tank in (*evidence.tanks, *evidence.nameless)}
        for name, (last_us, source) in heard.items():
            if name not in there and evidence.tanks:
                yield Found(
                    f"{name} stopped {span_words((end_us - last_us) / 1e6)} before the end, while the bus went on",
                    Proof(0, last_us, last_us),
                    tank_id=name,
                    source_address=source,
                    fluid=name.split(".")[1] if "." in name else None,
                )

    return replace(WENT_SILENT, look=look, told_by=(*WENT_SILENT.told_by, "tank-missing"))


def _capacity_changed(before: Mapping[Key, float]) -> Check:
    """The check for a tank that is said to hold something else than it did. before: what each held on an earlier day."""

    @check(
        "capacity-changed",
        "warning",
        causes=(
            "somebody set the capacity anew, in the monitor or in the roster",
            "the monitor was replaced, or lost its setup",
            "another tank has been given this number",
        ),
        next_steps=(
            "see when it changed, and who worked on the tank then",
            "litres before and after are of different tanks: compare percents, or log the recordings anew with one roster",
        ),
        told_by=("instance-flicker",),
    )
    def look(evidence: Evidence) -> Iterator[Found]:
        for tank in evidence.tanks:
            rows = np.flatnonzero(tank.capacity_l > 0)
            told = tank.capacity_l[rows]
            earlier = before.get((tank.channel, tank.tank, tank.source_address))
            if not len(told):
                continue
            if earlier is not None:
                told, rows = np.concatenate([[earlier], told]), np.concatenate([rows[:1], rows])
            changed = np.flatnonzero(np.abs(np.diff(told)) > CAPACITY_OFF * told[:-1]) + 1
            if len(changed):
                last = int(changed[-1])
                times = "" if len(changed) == 1 else f"{counted(len(changed), 'time')}, at last "
                yield Found(
                    f"{tank.name}: what it holds changed {times}from {told[last - 1]:,.0f} to {told[last]:,.0f} L",
                    tank.proof(np.unique(rows[changed])),
                    (tank,),
                )

    return look
