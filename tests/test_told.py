"""The times that devices tell. Oracles: Python's calendar, zoneinfo, and decoding/devices.py, one payload at a time.

The layouts are from memory, as dbc/network.dbc says; so are these frames.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from conftest import frames
from hypothesis import given
from hypothesis import strategies as st

from canlevel.decoding.devices import system_time_us
from canlevel.decoding.told import told_times
from canlevel.tables import EXTENDED, REMOTE

SYSTEM_TIME, RVC_TIME, TANK = 0x0DF01007, 0x19FFFF9C, 0x19F21123
BERLIN = ZoneInfo("Europe/Berlin")


def system_time(moment: datetime, source: int = 0) -> bytes:
    since = moment - datetime(1970, 1, 1, tzinfo=UTC)
    tenths = (since - timedelta(days=since.days)) // timedelta(microseconds=100)
    return bytes([1, 0xF0 | source]) + since.days.to_bytes(2, "little") + tenths.to_bytes(4, "little")


def rvc_time(moment: datetime, zone_code: int = 0xFF) -> bytes:
    day_of_week = moment.isoweekday() % 7 + 1
    clock = [moment.hour, moment.minute, moment.second]
    return bytes([moment.year - 2000, moment.month, moment.day, day_of_week, *clock, zone_code])


def us(moment: datetime) -> int:
    return (moment - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1)


NOON = datetime(2026, 5, 1, 12, 0, 0, 123_400, tzinfo=UTC)


def test_times_among_other_frames() -> None:
    sent = [
        (TANK, bytes(8)),
        (SYSTEM_TIME, system_time(NOON)),
        (SYSTEM_TIME & ~0xFF | 0x23, system_time(NOON, source=5)),
        (SYSTEM_TIME, system_time(NOON)[:7]),
        (SYSTEM_TIME, system_time(NOON)[:2] + b"\xff" * 6),
        (RVC_TIME, rvc_time(NOON)),
    ]
    told = told_times(frames(sent))
    assert told.row.tolist() == [1, 2]
    assert told.source_address.tolist() == [0x07, 0x23]
    assert told.told_us.tolist() == [us(NOON)] * 2
    assert told.good.tolist() == [True, False]  # a crystal is no better than our own
    assert told_times(frames(sent, flags=EXTENDED | REMOTE)).row.tolist() == []
    assert told_times(frames([])).row.tolist() == []


@pytest.mark.parametrize(
    ("source", "good"), [(0, True), (1, True), (2, True), (3, True), (4, True), (5, False), (9, False), (15, False)]
)
def test_sources_of_good_standing(source: int, good: bool) -> None:
    """From memory of NMEA 2000: 0 GPS, 1 GLONASS, 2 radio station, 3 caesium, 4 rubidium, 5 crystal clock."""
    assert told_times(frames([(SYSTEM_TIME, system_time(NOON, source))])).good.tolist() == [good]


@given(st.datetimes(datetime(1970, 1, 1), datetime(2149, 1, 1)))
def test_every_date_there_is(moment: datetime) -> None:
    moment = moment.replace(tzinfo=UTC, microsecond=moment.microsecond // 100 * 100)
    assert told_times(frames([(SYSTEM_TIME, system_time(moment))])).told_us.tolist() == [us(moment)]


@given(st.binary(min_size=0, max_size=8))
def test_any_bytes(data: bytes) -> None:
    told = told_times(frames([(SYSTEM_TIME, data), (RVC_TIME, data)]), local_zone=BERLIN)
    alone = system_time_us(int.from_bytes(data, "little"), len(data))
    first = [at for row, at in zip(told.row.tolist(), told.told_us.tolist(), strict=True) if row == 0]
    # A second of the day beyond the last, leap second included, is none; devices.py lets a finding say so.
    within = len(data) == 8 and int.from_bytes(data[4:], "little") <= 864_010_000
    assert first == ([alone] if within and alone is not None else [])


@given(st.datetimes(datetime(2000, 1, 1), datetime(2250, 1, 1), timezones=st.just(BERLIN)))
def test_local_time_in_a_zone_that_is_told(moment: datetime) -> None:
    moment = moment.replace(microsecond=0, fold=0)
    told = told_times(frames([(RVC_TIME, rvc_time(moment))]), local_zone=BERLIN).told_us.tolist()
    ambiguous = moment.utcoffset() != moment.replace(fold=1).utcoffset()
    assert told == ([] if ambiguous else [us(moment.astimezone(UTC))])


def test_local_time_is_not_guessed_at() -> None:
    for code in (0, 1, 250, 255):
        assert told_times(frames([(RVC_TIME, rvc_time(NOON, code))])).row.tolist() == []


@pytest.mark.parametrize(
    "data",
    [
        bytes([26, 2, 30, 1, 12, 0, 0, 0xFF]),  # the 30th of February
        bytes([26, 0, 1, 1, 12, 0, 0, 0xFF]),
        bytes([26, 5, 1, 1, 24, 0, 0, 0xFF]),
        bytes([26, 5, 1, 1, 12, 60, 0, 0xFF]),
        bytes([255, 5, 1, 1, 12, 0, 0, 0xFF]),
        bytes([26, 3, 29, 1, 2, 30, 0, 0xFF]),  # summer time begins in Berlin: there is no such hour
        bytes([26, 10, 25, 1, 2, 30, 0, 0xFF]),  # it ends: there are two
        bytes([26, 5, 1, 1, 12, 0, 0]),
    ],
)
def test_dates_that_are_none(data: bytes) -> None:
    assert told_times(frames([(RVC_TIME, data)]), local_zone=BERLIN).row.tolist() == []
