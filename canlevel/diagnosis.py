"""A SOURCE examined: every frame of it heard once, then what is wrong (findings) and who is there (the roll of the bus).

What comes in: the words a user gives as SOURCE, and a roster. What goes out: an Explanation, or DEVICES.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa

from canlevel.capture.source import Progress, Source, open_source
from canlevel.capture.tally import Tally
from canlevel.decoding.assembly import CONFIGURATION_INFORMATION, PRODUCT_INFORMATION, Assembled, Assembler
from canlevel.decoding.definitions import load_dbc
from canlevel.decoding.devices import (
    Identification,
    Name,
    Product,
    Trouble,
    installer_texts,
    j1939_diagnostics,
    name_of,
    product_identification,
    product_information,
    rvc_diagnostic,
    system_time_us,
)
from canlevel.decoding.tanks import TankDecoder
from canlevel.derivation.overview import FEWEST_OF_A_SENDER, MOST_OF_A_SENDER
from canlevel.derivation.sender import describe_sender
from canlevel.errors import CaptureError, NoFramesError
from canlevel.findings.bus_checks import clock_words, load_pct
from canlevel.findings.catalogue import CHECKS
from canlevel.findings.checks import Check, Finding, examine, not_answered
from canlevel.findings.evidence import (
    MALFORMED,
    Bus,
    BusTime,
    Claim,
    Device,
    Evidence,
    Recording,
    Report,
    Tank,
    gather,
    load_share,
)
from canlevel.findings.held import Readings, doubled
from canlevel.findings.listener import Kept, Listener, Proof, frame_text
from canlevel.findings.traffic import Traffic
from canlevel.identifier import carries, pgns, source_addresses
from canlevel.roster import Roster, Shape, load_roster
from canlevel.tables import (
    EARLIEST_DATE_US,
    STATUSES,
    TIME_TYPE,
    UNKNOWN_TIME_US,
    codes_of,
    described,
    rows_at,
    times_us,
    values_of,
)

__all__ = ["DEVICES", "Examination", "Explanation", "Heard", "Hearing", "open_examination", "recording_facts"]

ADDRESS_CLAIM, REQUEST, TO_ALL = 60928, 59904, 255
TRANSPORT_CONTROL, TRANSPORT_DATA = 60416, 60160
PRODUCT_IDENTIFICATION, SYSTEM_TIME = 65259, 126992
RVC_DIAGNOSTIC, J1939_DIAGNOSTIC = 0x1FECA, 65226
TALK = (
    ADDRESS_CLAIM,
    REQUEST,
    TRANSPORT_CONTROL,
    TRANSPORT_DATA,
    PRODUCT_INFORMATION,
    CONFIGURATION_INFORMATION,
    PRODUCT_IDENTIFICATION,
    SYSTEM_TIME,
    RVC_DIAGNOSTIC,
    J1939_DIAGNOSTIC,
)
HEARD = ("first_heard", "last_heard")
SLICE = 20_000  # frames that are taken apart together
STEADY, SHORTEST_RHYTHM_S, FEWEST_PERIODS = 0.5, 2.0, 2
SENDS = pa.struct([("pgn", pa.uint32()), ("frames", pa.int64()), ("period_s", pa.float64())])
DEVICES = pa.schema(
    [
        described("channel", pa.string(), "which bus", null="not told"),
        described("source_address", pa.uint8(), "where it speaks from"),
        described("name", pa.string(), "its 64-bit NAME as 16 hexadecimal digits", null="it did not claim its address"),
        described("identity", pa.uint32(), "of the NAME: its unique number", null="no NAME"),
        described("manufacturer_code", pa.uint16(), "of the NAME", null="no NAME"),
        described("ecu_instance", pa.uint8(), "of the NAME", null="no NAME"),
        described("function_instance", pa.uint8(), "of the NAME", null="no NAME"),
        described("function", pa.uint8(), "of the NAME", null="no NAME"),
        described("device_class", pa.uint8(), "of the NAME: the vehicle system", null="no NAME"),
        described("system_instance", pa.uint8(), "of the NAME: the vehicle system's instance", null="no NAME"),
        described("industry_group", pa.uint8(), "of the NAME", null="no NAME"),
        described("industry", pa.string(), "that group in words", null="no NAME, or not known"),
        described("arbitrary_address", pa.bool_(), "of the NAME: whether it may take another address", null="no NAME"),
        described("make", pa.string(), "maker, as it says itself", null="not told"),
        described("model", pa.string(), "model, as it says itself", null="not told"),
        described("serial", pa.string(), "serial number, as it says itself", null="not told"),
        described("unit", pa.string(), "unit number, as an RV-C device says it", null="not told"),
        described("product_code", pa.uint16(), "NMEA 2000 product code", null="not told"),
        described("software", pa.string(), "software version, as it says itself", null="not told"),
        described("model_version", pa.string(), "model version, as it says itself", null="not told"),
        described("network_version", pa.float64(), "version of the NMEA 2000 messages", null="not told"),
        described("certification", pa.uint8(), "NMEA 2000 certification level", null="not told"),
        described(
            "load_ma",
            pa.float64(),
            "what it draws from the network, by its load equivalency",
            unit="mA",
            null="not told",
        ),
        described("installer_text", pa.list_(pa.string()), "what the installer wrote into it", null="nothing"),
        described("sends", pa.list_(SENDS), "what it sends: pgn, frames, period_s (null where it keeps none)"),
        described("frames", pa.int64(), "how many frames"),
        described("first_heard", TIME_TYPE, "time of its first frame", unit="UTC", null="no times with dates"),
        described("last_heard", TIME_TYPE, "time of its last frame", unit="UTC", null="no times with dates"),
        described("load_share_pct", pa.float64(), "its share of all bits on its bus", unit="%", null="not known"),
        described("tanks", pa.list_(pa.string()), "tanks it sends"),
        described("faults", pa.list_(pa.string()), "faults it reports of itself"),
    ]
)

_Address = tuple[str | None, int]


@dataclass(slots=True)
class _Said:
    """What the devices said of themselves, by channel and address; the latest of each."""

    names: dict[_Address, Name] = field(default_factory=dict)
    products: dict[_Address, Product] = field(default_factory=dict)
    identifications: dict[_Address, Identification] = field(default_factory=dict)
    installers: dict[_Address, tuple[str, str, str]] = field(default_factory=dict)
    claims: list[Claim] = field(default_factory=list)
    asked: dict[str | None, Proof] = field(default_factory=dict)
    times: list[BusTime] = field(default_factory=list)
    troubles: dict[_Address, dict[str, Proof]] = field(default_factory=dict)

    def note_trouble(self, who: _Address, words: str, proof: Callable[[], Proof], last_us: int | None) -> None:
        """Count a fault that a device reports. proof: of one report; it is asked for the first one's only."""
        faults = self.troubles.setdefault(who, {})
        had = faults.get(words)
        faults[words] = proof() if had is None else replace(had, frames=had.frames + 1, last_us=last_us)

    def who(self) -> _Said:
        """Who they said they are, for what follows: of claims the latest of each NAME and address, in their order."""
        latest: dict[tuple[str | None, int, int], Claim] = {}
        for claim in self.claims:
            key = (claim.channel, claim.source_address, claim.name)
            latest.pop(key, None)
            latest[key] = claim
        return _Said(
            dict(self.names),
            dict(self.products),
            dict(self.identifications),
            dict(self.installers),
            list(latest.values()),
            dict(self.asked),
        )

    def reports(self) -> list[Report]:
        """What each device reports, all of it as one."""
        return [
            Report(channel, source, "; ".join(faults), max(faults.values(), key=lambda proof: proof.frames))
            for (channel, source), faults in self.troubles.items()
        ]


@dataclass(frozen=True)
class Explanation:
    """What was found, the worst first, and what it was found in. bus, tanks and devices are plain values, as in the JSON."""

    findings: tuple[Finding, ...]
    bus: dict[str, Any]
    tanks: list[dict[str, Any]]
    devices: list[dict[str, Any]]

    @property
    def faulty(self) -> bool:
        """Whether one of the findings is a fault."""
        return any(finding.severity == "fault" for finding in self.findings)

    def to_dict(self) -> dict[str, Any]:
        """Everything as plain values, for JSON; times in ISO 8601, UTC, null where the recording does not tell them."""
        return {
            "bus": self.bus,
            "tanks": self.tanks,
            "devices": self.devices,
            "findings": [_plain_finding(finding) for finding in self.findings],
        }


@dataclass(frozen=True)
class Heard:
    """A SOURCE that was heard to its end."""

    evidence: Evidence
    said: _Said

    def explain(self, checks: Sequence[Check] = CHECKS) -> Explanation:
        """Findings of the checks, with the bus, its tanks and its devices."""
        return Explanation(
            findings=tuple(examine(self.evidence, checks)),
            bus=_bus_facts(self.evidence, checks),
            tanks=[_tank_facts(tank) for tank in self.evidence.tanks],
            devices=self.device_rows(),
        )

    def devices(self) -> pa.Table:
        """DEVICES: one row for each source address of each channel; times are null where the date is not known."""
        rows = [_device_row(device, self.said) for device in self.evidence.devices]
        return pa.Table.from_pylist([row | {key: _dated(row[key]) for key in HEARD} for row in rows], schema=DEVICES)

    def device_rows(self) -> list[dict[str, Any]]:
        """The same as plain values, for JSON; times in ISO 8601, UTC."""
        rows = [_device_row(device, self.said) for device in self.evidence.devices]
        return [row | {key: _time_text(row[key]) for key in HEARD} for row in rows]

    def heard_words(self) -> list[str]:
        """For each device when it was first and last heard, as a person reads it: "" where the frames carry no times."""
        rows = [_device_row(device, self.said) for device in self.evidence.devices]
        return [_between(*(row[key] for key in HEARD)) for row in rows]


class Hearing:
    """Buses being heard, batch by batch. What is wrong so far, and who is there, can be asked at any time.

    levels: keep what the tanks said. Without, who is on the bus can be told, and not what is wrong there.
    """

    def __init__(self, decoder: TankDecoder, *, levels: bool = True) -> None:
        self._decoder = decoder
        self._listener = Listener((*decoder.messages, *TALK))
        self._readings = Readings(levels=levels)
        self._talk: list[Kept] = []
        self._taken = 0
        self._before = _Said()

    @property
    def traffic(self) -> Traffic:
        """All frames so far, counted."""
        return self._listener.traffic

    @property
    def held(self) -> int:
        """How many frames are kept, one way or the other."""
        return self._taken + self._listener.waiting

    def add(self, frames: pa.Table) -> None:
        """Hear a batch. frames: FRAMES, n rows, in the order they came."""
        self._listener.add(frames)
        if self._listener.waiting >= SLICE:
            self._take()

    def heard(self, roster: Roster, recording: Recording, *, several: bool = False, done: bool = False) -> Heard:
        """What was heard so far. recording: what the reading of it brought up. several: recordings that may overlap.

        done: nothing follows, so that what is no longer needed is let go.
        """
        self._take()
        talk = Kept.joined(self._talk)
        self._talk = [] if done else [talk]
        if several:
            talk = _once(talk)
            self._readings.drop_doubled()
        said = _listen_to(talk, self._before)
        evidence = gather(
            self._listener,
            self._readings,
            {pgn: message.period_s for pgn, message in self._decoder.messages.items()},
            roster=roster,
            recording=recording,
            claims=said.claims,
            asked=said.asked,
            reports=said.reports(),
            bus_times=said.times,
        )
        return Heard(evidence, said)

    def go_on_from(self, heard: Heard) -> None:
        """Take over who the devices said they are from another hearing of the same buses, which ends here."""
        self._before = heard.said.who()

    def _take(self) -> None:
        """Decode the tank frames among those that were kept, and let them go; what devices say is put by."""
        kept = self._listener.hand_out()
        self._taken += len(kept.number)
        decoded = self._decoder.decode_each(kept.frames)
        self._readings.add(kept, decoded.readings, decoded.at, decoded.steps)
        identifier, flags = (values_of(kept.frames.column(name)) for name in ("identifier", "flags"))
        rows = np.flatnonzero(carries(identifier, flags, TALK))
        if len(rows):
            self._talk.append(Kept(rows_at(kept.frames, rows), kept.number[rows]))


class Examination:
    """A SOURCE being heard to its end. levels: see Hearing."""

    def __init__(
        self, source: Source, roster: Roster, decoder: TankDecoder, bitrate: int, *, levels: bool = True
    ) -> None:
        self.source = source
        self.roster, self.decoder, self._bitrate = roster, decoder, bitrate
        self._hearing = Hearing(decoder, levels=levels)

    def run(
        self,
        on_batch: Callable[[Progress], None] | None = None,
        *,
        on_frames: Callable[[pa.Table], None] | None = None,
        on_gone: Callable[[CaptureError], bool] | None = None,
    ) -> Heard:
        """Hear the source to its end, and close it. A recording in which there is nothing is a silent bus.

        on_batch: called after each batch. on_frames: called with its FRAMES; a bus brings some, or none, twice a second.
        on_gone: called when a live bus is gone; if it says yes, what was heard until then is all there is.
        Raises CaptureError for what cannot be read.
        """
        began_s, listened_s = time.monotonic(), None
        try:
            with suppress(NoFramesError):
                for frames in self.source.batches():
                    self._hearing.add(frames)
                    if on_frames is not None:
                        on_frames(frames)
                    if on_batch is not None:
                        on_batch(self.source.progress())
        except CaptureError as error:
            if on_gone is None or not self.source.live or not on_gone(error):
                raise
        finally:
            if self.source.live:
                listened_s = time.monotonic() - began_s
            self.source.close()
        recording = recording_facts(self.source.tally, self._bitrate, live=self.source.live, listened_s=listened_s)
        return self._hearing.heard(self.roster, recording, several=self.source.several, done=True)


def recording_facts(tally: Tally, bitrate: int, *, live: bool, listened_s: float | None) -> Recording:
    """What the reading of a source brought up, for checks. bitrate: bit/s. listened_s: to a live bus."""
    first_dropped = tally.first_dropped
    return Recording(
        skipped=tally.skipped,
        dropped=tally.dropped,
        dropped_line=first_dropped.line if first_dropped else None,
        dropped_text=first_dropped.text if first_dropped else None,
        live=live,
        listened_s=listened_s,
        bitrate=bitrate,
    )


def open_examination(
    sources: str | Path | Iterable[str | Path],
    *,
    roster: Roster | str | Path | None = None,
    dbc: str | Path | Iterable[str | Path] = (),
    start: datetime | str | None = None,
    bitrate: int = 250_000,
    seconds: float | None = None,
    ask: bool = False,
    levels: bool = True,
) -> Examination:
    """Open SOURCEs to be examined; the arguments are those of open_source and open_decoding, and besides

    ask: send the one request for address claims and product information to a live bus. levels: without them only the roll of
    the bus can be had, in the memory that it takes itself.
    An empty recording is a silent bus. Raises CanlevelError for what cannot be opened.
    """
    if not isinstance(roster, Roster):
        roster = load_roster(roster) if roster is not None else Roster()
    paths = [dbc] if isinstance(dbc, str | Path) else dbc
    decoder = TankDecoder([message for path in paths for message in load_dbc(path)])
    words = [sources] if isinstance(sources, str | Path) else list(sources)
    source = open_source(words, start=start, bitrate=bitrate, seconds=seconds, leniently=True, ask=ask)
    return Examination(source, roster, decoder, bitrate, levels=levels)


def _once(kept: Kept) -> Kept:
    """Of recordings that overlap each frame once: by its time, identifier and data, whatever the channel was called."""
    columns = {name: values_of(kept.frames.column(name)) for name in ("payload", "identifier")}
    columns |= {"time_us": times_us(kept.frames), "number": kept.number}
    rows = np.setdiff1d(np.arange(len(kept.number)), doubled(columns.__getitem__))
    return Kept(rows_at(kept.frames, rows), kept.number[rows])


# ---- what devices say ----


def _listen_to(kept: Kept, before: _Said) -> _Said:
    """Everything that devices said of themselves in the frames that were kept, and before them."""
    said = before.who()
    frames = kept.frames
    if not len(frames):
        return said
    group = pgns(values_of(frames.column("identifier")))
    for row, channel, source, payload, length in _rows(frames, group == ADDRESS_CLAIM):
        if length < 8:
            continue
        name = name_of(payload)
        said.names[channel, source] = name
        said.claims.append(Claim(channel, source, name.number, int(kept.number[row]), _proof(frames, row)))
    to_all = (values_of(frames.column("identifier")) >> np.uint32(8) & np.uint32(0xFF)) == TO_ALL
    for row, channel, _, payload, length in _rows(frames, (group == REQUEST) & to_all):
        if length >= 3 and payload & 0xFFFFFF == ADDRESS_CLAIM and channel not in said.asked:
            said.asked[channel] = _proof(frames, row)
    time_us = times_us(frames)
    # Most devices repeat what they say; the same data is taken apart once.
    told: dict[tuple[bool, int, int], list[str]] = {}
    diagnostics = (group == RVC_DIAGNOSTIC) | (group == J1939_DIAGNOSTIC)
    for row, channel, source, payload, length in _rows(frames, diagnostics):
        rvc = bool(group[row] == RVC_DIAGNOSTIC)
        if (rvc, payload, length) not in told:
            told[rvc, payload, length] = _troubles(payload, length, rvc=rvc)
        for words in told[rvc, payload, length]:
            said.note_trouble((channel, source), words, partial(_proof, frames, row), _known(int(time_us[row])))
    for _, channel, source, payload, length in _rows(frames, group == PRODUCT_IDENTIFICATION):
        identification = product_identification(payload.to_bytes(8, "little")[:length])
        if identification is not None:
            said.identifications[channel, source] = identification
    for row, channel, source, payload, length in _rows(frames, (group == SYSTEM_TIME) & (time_us != UNKNOWN_TIME_US)):
        told_us = system_time_us(payload, length)
        if told_us is not None:
            said.times.append(BusTime(channel, source, int(kept.number[row]), int(time_us[row]), told_us))
    multiple = (PRODUCT_INFORMATION, CONFIGURATION_INFORMATION, TRANSPORT_CONTROL, TRANSPORT_DATA)
    parts = np.flatnonzero(np.isin(group, multiple))
    if len(parts):
        for message in Assembler().add(rows_at(frames, parts)):
            _take(message, said)
    return said


def _take(message: Assembled, said: _Said) -> None:
    """Note what an assembled message says, if it is of a kind that matters here."""
    who = (message.channel, message.source_address)
    if message.pgn == PRODUCT_INFORMATION:
        product = product_information(message.data)
        if product is not None:
            said.products[who] = product
    elif message.pgn == CONFIGURATION_INFORMATION:
        texts = installer_texts(message.data)
        if texts is not None:
            said.installers[who] = texts
    elif message.pgn == PRODUCT_IDENTIFICATION:
        identification = product_identification(message.data)
        if identification is not None:
            said.identifications[who] = identification
    elif message.pgn == J1939_DIAGNOSTIC:
        sample = f"{message.channel or 'can'} PGN {message.pgn:05X} of {message.source_address}: {message.data.hex().upper()}"
        proof = Proof(1, _known(message.first_time_us), _known(message.time_us), message.line, sample)
        for trouble in j1939_diagnostics(message.data):
            said.note_trouble(who, _trouble_words(trouble), lambda: proof, _known(message.time_us))


def _rows(frames: pa.Table, mine: Any) -> Iterator[tuple[int, str | None, int, int, int]]:
    """(row, channel, source address, payload, length) of some of n FRAMES. mine: (n,) which."""
    every = np.flatnonzero(mine)
    channel, words = codes_of(frames.column("channel"))
    identifier, payload, length = (values_of(frames.column(name)) for name in ("identifier", "payload", "length"))
    # Python's own numbers take ten times the room: some at a time.
    for begin in range(0, len(every), SLICE):
        rows = every[begin : begin + SLICE]
        columns = (
            [words[code] for code in channel[rows].tolist()],
            source_addresses(identifier[rows]).tolist(),
            payload[rows].tolist(),
            length[rows].tolist(),
        )
        yield from zip(rows.tolist(), *columns, strict=True)


def _proof(frames: pa.Table, row: int) -> Proof:
    """A Proof by one of the frames that were kept."""
    one = frames.slice(row, 1)
    known = _known(int(times_us(one)[0]))
    numbers = {
        name: int(values_of(one.column(name))[0]) for name in ("identifier", "flags", "length", "payload", "line")
    }
    line = numbers.pop("line")
    return Proof(1, known, known, line, frame_text(one.column("channel")[0].as_py(), **numbers))


def _known(time_us: int) -> int | None:
    return None if time_us == UNKNOWN_TIME_US else time_us


def _troubles(payload: int, length: int, *, rvc: bool) -> list[str]:
    """The faults that one diagnostic frame reports, in words."""
    if rvc:
        trouble = rvc_diagnostic(payload, length)
        return [] if trouble is None else [_trouble_words(trouble)]
    return [_trouble_words(trouble) for trouble in j1939_diagnostics(payload.to_bytes(8, "little")[:length])]


def _trouble_words(trouble: Trouble) -> str:
    words = f"SPN {trouble.spn}"
    if trouble.spn_other_order is not None:
        words += f" (or {trouble.spn_other_order}, if its low byte comes first)"
    words += f", failure mode {trouble.fmi}: {trouble.fmi_text}"
    if trouble.dsa is not None:
        words += f"; part {trouble.dsa} of the device"
    if trouble.lamps:
        words += f"; lamp on: {', '.join(trouble.lamps)}"
    return words


# ---- as plain values ----


def _tank_facts(tank: Tank) -> dict[str, Any]:
    """A tank as its device last told it; keys as in `canlevel tanks`."""
    known = np.flatnonzero(tank.numbers_known)
    level_pct = float(tank.level_pct[-1]) if tank.numbers_known[-1] else None
    told_l = tank.capacity_l[tank.capacity_l > 0]
    entry = tank.entry
    capacity_l = entry.capacity_l if entry is not None and entry.capacity_l is not None else None
    if capacity_l is None and len(told_l):
        capacity_l = float(told_l[-1])
    volume_l = None
    if level_pct is not None and capacity_l is not None:
        shape = entry.shape if entry is not None else Shape()
        volume_l = float(shape.volume_l(np.array([level_pct]), np.array([capacity_l]))[0])
    sender = None
    if tank.timed and len(known) >= FEWEST_OF_A_SENDER:
        latest = known[-MOST_OF_A_SENDER:]
        sender = describe_sender(np.maximum.accumulate(tank.at_s[latest]), tank.level_pct[latest])
    seen = tank.proof()
    return {
        "tank": tank.tank,
        "name": entry.name if entry is not None else None,
        "protocol": tank.protocol,
        "fluid": tank.fluid,
        "instance": tank.instance,
        "source_address": tank.source_address,
        "channel": tank.channel,
        "level_pct": level_pct,
        "volume_l": volume_l,
        "capacity_l": capacity_l,
        "status": STATUSES[int(tank.status[-1])],
        "period_s": tank.usual_s,
        "first_time": _time_text(seen.first_us),
        "last_time": _time_text(seen.last_us),
        "readings": seen.frames,
        "malformed": int(np.count_nonzero(tank.status == MALFORMED)),
        "step_pct": sender.step_pct if sender is not None and sender.step_pct else None,
        "noise_pct": sender.noise_pct if sender is not None and sender.step_pct else None,
    }


def _device_row(device: Device, said: _Said) -> dict[str, Any]:
    """A row of DEVICES, times in microseconds."""
    who = (device.channel, device.source_address)
    name, product = said.names.get(who), said.products.get(who)
    identification, installers = said.identifications.get(who), said.installers.get(who)
    row: dict[str, Any] = dict.fromkeys(DEVICES.names) | {
        "channel": device.channel,
        "source_address": device.source_address,
        "frames": sum(sender.frames for sender in device.senders),
        "first_heard": _earliest(sender.first_us for sender in device.senders),
        "last_heard": max((sender.last_us for sender in device.senders if sender.last_us is not None), default=None),
        "load_share_pct": 100 * load_share(device),
        "tanks": list(dict.fromkeys(tank.tank for tank in device.tanks)),
        "faults": list(said.troubles.get(who, {})),
        "sends": _sends(device),
        "installer_text": [text for text in installers or () if text],
    }
    if identification is not None:
        row |= {"make": identification.make, "model": identification.model}
        row |= {"serial": identification.serial, "unit": identification.unit}
    if product is not None:
        row |= {"model": product.model, "serial": product.serial, "product_code": product.product_code}
        row |= {"software": product.software, "model_version": product.model_version}
        row |= {"network_version": product.version, "certification": product.certification, "load_ma": product.load_ma}
    if name is not None:
        row |= {
            "name": f"{name.number:016X}",
            "identity": name.identity,
            "manufacturer_code": name.manufacturer,
            "ecu_instance": name.ecu_instance,
            "function_instance": name.function_instance,
            "function": name.function,
            "device_class": name.device_class,
            "system_instance": name.system_instance,
            "industry_group": name.industry_group,
            "industry": name.industry,
            "arbitrary_address": name.arbitrary_address,
        }
    return row


def _earliest(moments: Iterable[int | None]) -> int | None:
    return min((moment for moment in moments if moment is not None), default=None)


def _sends(device: Device) -> list[dict[str, Any]]:
    """What a device sends, by PGN: those of several priorities or destinations together; the most frequent first."""
    by_pgn: dict[int, list[Any]] = {}
    for sender in device.senders:
        if sender.pgn is not None:
            by_pgn.setdefault(sender.pgn, []).append(sender)
    rows = []
    for pgn, senders in by_pgn.items():
        most = max(senders, key=lambda sender: sender.intervals)
        # What comes in several frames comes in bursts, and some things come once: the mean of those is no period.
        steady = (
            most.intervals >= FEWEST_PERIODS
            and most.spread_s <= STEADY * most.mean_s
            and most.mean_s * most.intervals >= SHORTEST_RHYTHM_S
        )
        period_s = most.mean_s if steady else None
        rows.append({"pgn": pgn, "frames": sum(sender.frames for sender in senders), "period_s": period_s})
    return sorted(rows, key=lambda row: (-row["frames"], row["pgn"]))


def _bus_facts(evidence: Evidence, checks: Sequence[Check]) -> dict[str, Any]:
    firsts = [bus.first_us for bus in evidence.buses if bus.first_us is not None]
    lasts = [bus.last_us for bus in evidence.buses if bus.last_us is not None]
    spoken = [p for p in ("nmea2000", "rvc", "j1939") if any(tank.protocol == p for tank in evidence.tanks)]
    return {
        "frames": evidence.frames,
        "first_time": _time_text(min(firsts, default=None)),
        "last_time": _time_text(max(lasts, default=None)),
        "seconds": max((bus.seconds for bus in evidence.buses if bus.seconds is not None), default=None),
        "heard_seconds": evidence.heard_s,
        "bitrate": evidence.recording.bitrate,
        "protocols": spoken,
        "error_frames": evidence.errors.frames,
        "frames_with_11_bits": evidence.eleven_bits,
        "dropped_frames": evidence.recording.dropped,
        "skipped_lines": evidence.recording.skipped,
        "channels": [_channel_facts(bus, evidence.recording.bitrate) for bus in evidence.buses],
        "not_checked": [{"code": one.code, "needs_seconds": one.needs_s} for one in not_answered(evidence, checks)],
    }


def _channel_facts(bus: Bus, bitrate: int) -> dict[str, Any]:
    worst = load_pct(bus, bitrate)
    return {
        "channel": bus.channel,
        "frames": bus.frames,
        "seconds": bus.seconds,
        "devices": len({s.source_address for s in bus.senders if s.source_address is not None}),
        "worst_minute_load_pct": None if worst is None else round(worst[0], 2),
        "worst_minute_load_least_pct": None if worst is None else round(worst[1], 2),
        "gaps": sum(not stop.clock for stop in bus.stops),
        "clock_steps": sum(stop.clock for stop in bus.stops),
    }


def _plain_finding(finding: Finding) -> dict[str, Any]:
    proof = finding.proof
    return {
        "code": finding.code,
        "severity": finding.severity,
        "tank": finding.tank,
        "source_address": finding.source_address,
        "summary": finding.summary,
        "evidence": {
            "frames": proof.frames,
            "first_time": _time_text(proof.first_us),
            "last_time": _time_text(proof.last_us),
            "first_line": proof.first_line,
            "sample": proof.sample,
        },
        "causes": list(finding.causes),
        "next_steps": list(finding.next_steps),
        "caution": finding.caution,
    }


def _time_text(time_us: int | None) -> str | None:
    """ISO 8601, UTC, to the microsecond; None for a time that only counts from a start that is not known."""
    time_us = _dated(time_us)
    return None if time_us is None else f"{np.datetime64(time_us, 'us')}Z"


def _dated(time_us: int | None) -> int | None:
    """A time, or None for one that only counts from a start that is not known."""
    return None if time_us is None or time_us < EARLIEST_DATE_US else time_us


def _between(first_us: int | None, last_us: int | None) -> str:
    if first_us is None or last_us is None:
        return ""
    first, last = clock_words(first_us), clock_words(last_us)
    if _dated(first_us) is None:
        return f"{first} to {last} by the recorder's clock"
    return f"{first.removesuffix(' UTC')} to {last}"
