"""Tank readings: our columns against cantools frame by frame, and against the published ranges."""

from __future__ import annotations

import math
from importlib import resources

import cantools
import numpy as np
import pytest
from conftest import frames
from hypothesis import given, settings
from hypothesis import strategies as st

from canlevel.decoding.definitions import builtin_messages, network_messages
from canlevel.decoding.fields import Field, raw_values, scaled, statuses
from canlevel.decoding.tanks import decode_tanks
from canlevel.tables import ERROR_FRAME, EXTENDED, FD, READINGS, REMOTE, STATUSES

MESSAGES = {message.name: message for message in builtin_messages()}
DATABASES = [
    cantools.database.load_string(entry.read_text(encoding="utf-8"), "dbc")
    for entry in resources.files("canlevel.dbc").iterdir()
    if entry.name.endswith(".dbc")
]
BY_CANTOOLS = {message.name: message for database in DATABASES for message in database.messages}
EDGES = st.sampled_from([0, 1, (1 << 64) - 1, 1 << 63, 0x7FFF, 0x8000, 0xFFFE_FFFE_FFFE_FFFE])
PAYLOADS = st.one_of(EDGES, st.integers(0, (1 << 64) - 1)).map(lambda value: value.to_bytes(8, "little"))


def rows(*sent: tuple[int, bytes], flags: int = EXTENDED) -> list[dict]:
    return decode_tanks(frames(sent, flags=flags)).to_pylist()


def test_every_definition_is_compiled() -> None:
    assert set(MESSAGES) == {"FluidLevel", "TankStatus", "DashDisplay", "DieselExhaustFluid"}
    assert set(network_messages()) == {
        "AddressClaim",
        "DiagnosticMessage1",
        "RvcDiagnostic",
        "ProductInformation",
        "SystemTime",
        "RvcDateTime",
    }
    assert set(BY_CANTOOLS) == {*MESSAGES, *network_messages()}


@given(st.lists(PAYLOADS, min_size=1, max_size=40))
def test_raw_and_scaled_columns_equal_cantools(payloads: list[bytes]) -> None:
    """Oracle: cantools' decode_message, one frame at a time; equality is exact, to the last bit of the float."""
    column = np.array([int.from_bytes(payload, "little") for payload in payloads], np.uint64)
    for name, message in MESSAGES.items():
        raws = [BY_CANTOOLS[name].decode(payload, scaling=False, decode_choices=False) for payload in payloads]
        values = [BY_CANTOOLS[name].decode(payload, decode_choices=False) for payload in payloads]
        for field in message.fields:
            raw = raw_values(column, field)
            assert raw.tolist() == [row[field.name] for row in raws]
            assert scaled(raw, field).tolist() == [row[field.name] for row in values]


@settings(max_examples=200)
@given(st.lists(st.tuples(st.sampled_from(sorted(MESSAGES)), st.integers(0, 255), PAYLOADS), min_size=1, max_size=30))
def test_readings_equal_a_plain_reading_of_cantools(sent: list[tuple[str, int, bytes]]) -> None:
    """The whole path on mixed frames against plain code on what cantools says of each frame."""
    found = rows(*((6 << 26 | MESSAGES[name].pgn << 8 | source, payload) for name, source, payload in sent))
    expected = []
    for name, source, payload in sent:
        said = BY_CANTOOLS[name].decode(payload, decode_choices=True)
        raw = BY_CANTOOLS[name].decode(payload, scaling=False, decode_choices=False)
        expected += [(source, *reading) for reading in PLAIN[name](said, raw)]
    got = [(r["source_address"], r["tank"], r["level_pct"], r["capacity_l"], r["volume_l"], r["status"]) for r in found]
    assert got == expected


def plain_number(said: object) -> float | None:
    return None if isinstance(said, cantools.database.namedsignalvalue.NamedSignalValue) else float(said)


def plain_nmea2000(said: dict, raw: dict) -> list[tuple]:
    # Kinds 0 to 5 by published field lists, 6 from memory; others are no kind of fluid that is known.
    kinds = {0: "fuel", 1: "fresh_water", 2: "grey_water", 3: "live_well", 4: "oil", 5: "black_water", 6: "gasoline"}
    tank = f"nmea2000.{kinds.get(raw['FluidType'], 'unknown')}.{raw['Instance']}"
    level = plain_number(said["LevelPct"])
    status = str(said["LevelPct"]) if level is None else "ok" if 0 <= level <= 100 else "over_range"
    return [(tank, level, plain_number(said["CapacityL"]), None, status)]


def plain_rvc(said: dict, raw: dict) -> list[tuple]:
    kinds = {0: "fresh_water", 1: "black_water", 2: "grey_water", 3: "lpg"}
    kinds |= {16 + low: fluid for low, fluid in kinds.items()}
    tank = f"rvc.{kinds.get(raw['Instance'], 'unknown')}.{raw['Instance']}"
    count, steps = plain_number(said["LevelCount"]), plain_number(said["LevelSteps"])
    if steps == 0:
        level, status = None, "error"
    elif count is None or steps is None:
        level, status = None, str(said["LevelCount"] if count is None else said["LevelSteps"])
    else:
        level, status = 100 * count / steps, "ok" if count <= steps else "over_range"
    told = {name: raw[name] if raw[name] <= 65530 else None for name in ("VolumeL", "TankSizeL")}
    return [(tank, level, told["TankSizeL"], told["VolumeL"] if level is not None else None, status)]


def plain_j1939(names: dict[str, str]):
    def plain(said: dict, raw: dict) -> list[tuple]:
        found = []
        for name, tank in names.items():
            level = plain_number(said[name])
            if raw[name] != 255:  # not available: not fitted
                found.append((tank, level, None, None, "ok" if level is not None else str(said[name])))
        return found

    return plain


PLAIN = {
    "FluidLevel": plain_nmea2000,
    "TankStatus": plain_rvc,
    "DashDisplay": plain_j1939(
        {"WasherFluidPct": "j1939.washer_fluid.1", "Fuel1Pct": "j1939.fuel.1", "Fuel2Pct": "j1939.fuel.2"}
    ),
    "DieselExhaustFluid": plain_j1939({"Tank1Pct": "j1939.def.1"}),
}


# Ends of the published range, and 50 % in its 0.004 % steps: PGN 127505 field lists in NMEA 2000 equipment manuals.
@pytest.mark.parametrize(
    ("raw", "level_pct", "status"),
    [
        (-32768, -131.072, "over_range"),
        (-1, -0.004, "over_range"),
        (0, 0.0, "ok"),
        (12500, 50.0, "ok"),
        (25000, 100.0, "ok"),
        (25001, 100.004, "over_range"),
        (32764, 131.056, "over_range"),
        (32765, None, "reserved"),
        (32766, None, "error"),
        (32767, None, "not_available"),
    ],
)
def test_nmea2000_level_has_the_published_range(raw: int, level_pct: float | None, status: str) -> None:
    data = bytes([0x10]) + raw.to_bytes(2, "little", signed=True) + (2000).to_bytes(4, "little") + b"\xff"
    (reading,) = rows((0x19F21123, data))
    assert reading["status"] == status
    assert reading["level_pct"] == (None if level_pct is None else pytest.approx(level_pct, abs=1e-9))
    assert (reading["tank"], reading["capacity_l"]) == ("nmea2000.fresh_water.0", 200.0)


# Regulation (EU) 2016/799, Annex I C, appendix 8, table 38, one-byte fields: valid 00h to FAh, parameter specific FBh,
# reserved FCh to FDh, error FEh, not available FFh.
def test_one_byte_levels_follow_table_38() -> None:
    by_raw = [rows((0x18FE5600, bytes([raw]) + b"\xff" * 7)) for raw in range(256)]
    assert [found[0]["status"] for found in by_raw[:251]] == ["ok"] * 251
    assert [found[0]["level_pct"] for found in by_raw[:251]] == [raw * 0.4 for raw in range(251)]
    assert [found[0]["status"] for found in by_raw[0xFB:0xFF]] == ["reserved"] * 3 + ["error"]
    assert all(found[0]["level_pct"] is None for found in by_raw[0xFB:0xFF])
    assert by_raw[0xFF] == []  # not available: not fitted


# The layout agrees with frames in a public bug report (instances 0 to 3 and 16 to 18); 19 is from memory.
@pytest.mark.parametrize(
    ("instance", "tank"),
    [
        (0, "rvc.fresh_water.0"),
        (1, "rvc.black_water.1"),
        (2, "rvc.grey_water.2"),
        (3, "rvc.lpg.3"),
        (16, "rvc.fresh_water.16"),
        (17, "rvc.black_water.17"),
        (18, "rvc.grey_water.18"),
        (19, "rvc.lpg.19"),
        (20, "rvc.unknown.20"),  # no standard meaning: never guessed
        (32, "rvc.unknown.32"),
        (255, "rvc.unknown.255"),
    ],
)
def test_rvc_instances(instance: int, tank: str) -> None:
    (reading,) = rows((0x19FFB744, bytes([instance, 7, 28, 25, 0, 100, 0, 255])))
    assert (reading["tank"], reading["instance"]) == (tank, instance)
    assert (reading["level_pct"], reading["capacity_l"], reading["volume_l"]) == (25.0, 100.0, 25.0)


@pytest.mark.parametrize(
    ("count", "steps", "level_pct", "status"),
    [
        (0, 4, 0.0, "ok"),
        (1, 3, 100 / 3, "ok"),
        (28, 28, 100.0, "ok"),
        (29, 28, 2900 / 28, "over_range"),
        (7, 0, None, "error"),
        (255, 28, None, "not_available"),
        (7, 255, None, "not_available"),
        (254, 28, None, "error"),
        (7, 254, None, "error"),
        (252, 28, None, "reserved"),
        (255, 255, None, "not_available"),
    ],
)
def test_rvc_fractions(count: int, steps: int, level_pct: float | None, status: str) -> None:
    (reading,) = rows((0x19FFB744, bytes([0, count, steps]) + b"\xff" * 5))
    assert (reading["level_pct"], reading["status"]) == (level_pct, status)
    assert (reading["capacity_l"], reading["volume_l"]) == (None, None)


def test_not_available_and_error_capacity_are_null() -> None:
    for raw in (0xFFFFFFFF, 0xFFFFFFFE, 0xFFFFFFFD):
        (reading,) = rows((0x19F21123, b"\x00\x00\x00" + raw.to_bytes(4, "little") + b"\xff"))
        assert (reading["level_pct"], reading["capacity_l"], reading["status"]) == (0.0, None, "ok")
    (reading,) = rows((0x19F21123, b"\x00\x00\x00" + (0xFFFFFFFC).to_bytes(4, "little") + b"\xff"))
    assert math.isclose(reading["capacity_l"], 429496729.2)


def test_factory_default_is_fuel_0_without_a_capacity() -> None:
    """Common practice, no source: devices leave the factory with kind 0, instance 0 and no capacity."""
    (reading,) = rows((0x19F21123, bytes.fromhex("00A861FFFFFFFFFF")))
    assert (reading["tank"], reading["level_pct"], reading["capacity_l"]) == ("nmea2000.fuel.0", 100.0, None)


def test_a_j1939_frame_yields_the_levels_it_carries() -> None:
    # Byte 1 washer fluid, byte 2 fuel level 1, byte 7 fuel level 2: from memory of J1939-71.
    found = rows((0x18FEFC17, bytes.fromhex("FF80FFFFFFFF32FF")))
    assert [(r["tank"], r["level_pct"]) for r in found] == [("j1939.fuel.1", 128 * 0.4), ("j1939.fuel.2", 20.0)]
    found = rows((0x18FEFC17, bytes.fromhex("19FFFFFFFFFFFEFF")))
    assert [(r["tank"], r["status"]) for r in found] == [("j1939.washer_fluid.1", "ok"), ("j1939.fuel.2", "error")]
    assert rows((0x18FEFC17, b"\xff" * 8)) == []


@pytest.mark.parametrize("length", range(8))
def test_short_frames_are_malformed_and_say_only_what_arrived(length: int) -> None:
    (reading,) = rows((0x19F21123, bytes.fromhex("25D430D0070000FF")[:length]))
    assert reading["status"] == "malformed"
    assert reading["level_pct"] is reading["capacity_l"] is reading["volume_l"] is None
    told = ("nmea2000.grey_water.5", 5) if length else ("nmea2000.unknown", None)
    assert (reading["tank"], reading["instance"]) == told


def test_a_short_frame_of_several_levels_is_one_malformed_row() -> None:
    found = rows((0x18FEFC17, b"\x40\x40"))
    assert [(r["tank"], r["status"]) for r in found] == [("j1939.unknown", "malformed")]
    found = rows((0x18FE5617, b""))
    assert [(r["tank"], r["status"]) for r in found] == [("j1939.def.1", "malformed")]


@pytest.mark.parametrize("flags", [0, EXTENDED | REMOTE, ERROR_FRAME, EXTENDED | FD])
def test_only_plain_29_bit_data_frames_are_readings(flags: int) -> None:
    assert rows((0x19F21123, bytes(8)), flags=flags) == []


def test_priority_and_source_do_not_matter_to_what_a_frame_is() -> None:
    sent = [(priority << 26 | 127505 << 8 | source, bytes(8)) for priority in range(8) for source in (0, 35, 254)]
    found = rows(*sent)
    assert [r["source_address"] for r in found] == [0, 35, 254] * 8
    assert {r["tank"] for r in found} == {"nmea2000.fuel.0"}


def test_readings_keep_the_order_of_their_frames_and_the_schema() -> None:
    sent = [(0x19F21100 | i % 5, bytes([i % 16] + [0] * 7)) for i in range(200)]
    table = decode_tanks(frames(sent))
    assert table.schema == READINGS
    assert table.column("time").to_pylist() == sorted(table.column("time").to_pylist())
    assert table.column("instance").to_pylist() == [i % 16 for i in range(200)]


def test_big_endian_fields_equal_cantools() -> None:
    """A user's DBC may count its bits the other way round."""
    signals = ' SG_ A : 7|16@0- (0.01,-3) [0|0] "" X\n SG_ B : 27|11@0+ (1,0) [0|0] "" X\n'
    text = 'VERSION ""\nBU_: X\nBO_ 2566844926 M: 8 X\n' + signals
    message = cantools.database.load_string(text, "dbc").messages[0]
    # "B" starts at bit 27: byte 3, bit 3, so 28 bits lie above it.
    fields = [
        Field("A", shift=48, bits=16, big_endian=True, signed=True, scale=0.01, offset=-3.0),
        Field("B", shift=64 - 28 - 11, bits=11, big_endian=True),
    ]
    payloads = np.random.default_rng(7).integers(0, 2**64, 500, dtype=np.uint64)
    for field in fields:
        expected = [message.decode(int(p).to_bytes(8, "little"))[field.name] for p in payloads]
        assert scaled(raw_values(payloads, field), field).tolist() == expected


def test_values_beyond_the_range_without_a_name_are_reserved() -> None:
    field = Field("F", shift=0, bits=8, low_raw=5, high_raw=250, no_number={255: "not_available"})
    found = statuses(np.array([4, 5, 250, 251, 255]), field)
    assert [STATUSES[code] for code in found] == ["reserved", "ok", "ok", "reserved", "not_available"]
