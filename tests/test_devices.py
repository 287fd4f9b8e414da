"""What devices say of themselves: worked numbers, cantools as a second opinion, and any bytes at all."""

from __future__ import annotations

import unicodedata
from dataclasses import astuple
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st
from test_decoding import BY_CANTOOLS, PAYLOADS

from canlevel.decoding.definitions import network_messages
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
from canlevel.decoding.fields import value_of

# J1939-73, from memory, in our own words; 22 to 30 are not given out.
FAILURE_MODES = {3: "voltage too high", 4: "voltage too low", 5: "current low or open circuit", 9: "abnormal update rate",
                 12: "bad device", 31: "condition exists"}  # fmt: skip


# --- Fields ---------------------------------------------------------------------------------------------------------


@given(st.sampled_from(sorted(network_messages())), st.binary(min_size=134, max_size=134), PAYLOADS)
def test_every_field_equals_cantools(name: str, long: bytes, short: bytes) -> None:
    """Oracle: cantools' decode_message, raw values, the texts as numbers of 256 bits; and scaled ones to the last bit."""
    message = network_messages()[name]
    data = long if message.length == 134 else short
    raw = BY_CANTOOLS[name].decode(data, scaling=False, decode_choices=False)
    values = BY_CANTOOLS[name].decode(data, decode_choices=False)
    payload = int.from_bytes(data, "little")
    assert {field: value_of(payload, where) for field, where in message.fields.items()} == raw
    scaled = {
        field: raw[field] * where.scale + where.offset for field, where in message.fields.items() if where.bits < 64
    }
    assert scaled == {field: values[field] for field in scaled}


def test_network_messages_have_the_numbers_of_the_standards() -> None:
    """PGNs 60928, 65226, 126992, 126996 and DGNs 1FECAh, 1FFFFh; from memory, as is their layout."""
    numbers = {name: (message.pgn, message.length) for name, message in network_messages().items()}
    assert numbers == {
        "AddressClaim": (60928, 8),
        "DiagnosticMessage1": (65226, 8),
        "RvcDiagnostic": (0x1FECA, 8),
        "ProductInformation": (126996, 134),
        "SystemTime": (126992, 8),
        "RvcDateTime": (0x1FFFF, 8),
    }


def test_every_message_and_field_says_where_it_is_from() -> None:
    for name, message in network_messages().items():
        source = BY_CANTOOLS[name]
        comments = [source.comment, *(source.get_signal_by_name(field).comment for field in message.fields)]
        assert [comment for comment in comments if "memory" not in (comment or "")] == []


@pytest.mark.parametrize("name", ["DiagnosticMessage1", "RvcDiagnostic"])
def test_every_failure_mode_has_words(name: str) -> None:
    words = network_messages()[name].fields["Fmi"].words
    assert sorted(words) == list(range(32))
    assert [number for number, word in words.items() if word == "reserved"] == list(range(22, 31))
    assert all(words[number].startswith(start) for number, start in FAILURE_MODES.items())
    assert words == network_messages()["DiagnosticMessage1"].fields["Fmi"].words


# --- NAME -----------------------------------------------------------------------------------------------------------


def test_a_name_taken_apart() -> None:
    """Built by the bits of J1939-81, from memory: 21, 11, 3, 5, 8, 1, 7, 4, 3, 1 of them, the identity lowest."""
    parts = [(123456, 21), (1851, 11), (2, 3), (3, 5), (130, 8), (0, 1), (75, 7), (1, 4), (4, 3), (1, 1)]
    number = at = 0
    for value, bits in parts:
        number |= value << at
        at += bits
    assert at == 64
    assert name_of(number) == Name(number, 123456, 1851, 2, 3, 130, 75, 1, 4, "marine", True)


def test_a_claim_byte_by_byte() -> None:
    """01 00 20 00 00 82 32 C0: identity 1, maker 1, function 130, class 25 (50 / 2), industry 4 and self-configuring (C0h)."""
    name = name_of(int.from_bytes(bytes.fromhex("01002000008232c0"), "little"))
    assert (name.identity, name.manufacturer, name.function, name.device_class) == (1, 1, 130, 25)
    assert (name.industry, name.arbitrary_address, name.number) == ("marine", True, 0xC032820000200001)


@given(PAYLOADS)
def test_names_equal_cantools(payload: bytes) -> None:
    """Oracle: cantools on the same definition, words included."""
    said = BY_CANTOOLS["AddressClaim"].decode(payload, decode_choices=True)
    name = name_of(int.from_bytes(payload, "little"))
    assert astuple(name) == (
        int.from_bytes(payload, "little"),
        said["Identity"],
        said["Manufacturer"],
        said["EcuInstance"],
        said["FunctionInstance"],
        said["Function"],
        said["DeviceClass"],
        said["SystemInstance"],
        name.industry_group,
        str(said["IndustryGroup"]),
        bool(said["ArbitraryAddress"]),
    )


# --- Product and installer ------------------------------------------------------------------------------------------


def product(**changes: bytes) -> bytes:
    """134 bytes: version, code, four texts of 32 characters, certification, load (layout from memory)."""
    parts = {
        "version": (2100).to_bytes(2, "little"),
        "code": (4711).to_bytes(2, "little"),
        "model": b"Harbour gateway",
        "software": b"1.4.2 build 7",
        "model_version": b"rev C",
        "serial": b"0012345",
        "certification": b"\x01",
        "load": b"\x02",
    } | changes
    return b"".join(
        part.ljust(32, b"\xff") if name in ("model", "software", "model_version", "serial") else part
        for name, part in parts.items()
    )


def test_product_information_byte_by_byte() -> None:
    """Two units of 50 mA are 100 mA; 2100 thousandths are version 2.1 (from memory)."""
    data = product()
    assert len(data) == 134
    expected = Product(2.1, 4711, "Harbour gateway", "1.4.2 build 7", "rev C", "0012345", 1, 100)
    assert product_information(data) == expected
    assert product_information(data + b"\xff\xff") == expected
    assert product_information(data[:-1]) is None
    assert product_information(b"") is None


def test_numbers_that_are_not_available_are_none() -> None:
    assert product_information(b"\xff" * 134) == Product(None, None, "", "", "", "", None, None)
    assert [product_information(product(version=raw.to_bytes(2, "little"))).version for raw in (1201, 1301, 65532)] == [
        1.201,
        1.301,
        65.532,
    ]


@pytest.mark.parametrize(
    ("coded", "text"),
    [
        (b"Pump" + bytes(28), "Pump"),
        (b"Pump".ljust(32), "Pump"),
        (b"Pump".ljust(32, b"@"), "Pump"),
        (b"  Pump\0\0  \xff", "Pump"),
        (b"Pump\0left over\xff", "Pump"),
        (b"me@sea", "me@sea"),
        (b"Caf\xe9 bar", "Caf\ufffd bar"),
        ("Café".encode(), "Café"),
        (b"a\x1b[2Jb\r\n\tc", "a [2Jb   c"),
        ("a\u202eb\u00a0c".encode(), "a b c"),
        (b"\xff" * 32, ""),
        (bytes(32), ""),
        (b"@" * 32, ""),
        (b"x" * 32, "x" * 32),
    ],
)
def test_texts_are_cleaned(coded: bytes, text: str) -> None:
    found = product_information(product(model=coded))
    assert found is not None
    assert (found.model, found.software) == (text, "1.4.2 build 7")


def lau(text: str, encoding: int) -> bytes:
    """A text with its length and encoding: 0 UTF-16, 1 eight bits (from memory)."""
    coded = text.encode("utf-16-le" if encoding == 0 else "utf-8")
    return bytes([len(coded) + 2, encoding]) + coded


@pytest.mark.parametrize("encoding", [0, 1])
def test_installer_texts(encoding: int) -> None:
    data = lau("Fuel port", encoding) + lau("", encoding) + lau("Réservoir", encoding)
    assert installer_texts(data) == ("Fuel port", "", "Réservoir")
    assert installer_texts(data + b"\xff\xff") == ("Fuel port", "", "Réservoir")


@pytest.mark.parametrize(
    ("data", "texts"),
    [
        (b"", None),
        (b"\x05", None),
        (b"\x00\x01", None),
        (b"\x01\x01abc", None),
        (b"\x02\x01", ("", "", "")),
        (b"\x02\x01" * 3, ("", "", "")),
        (b"\x05\x01abc", ("abc", "", "")),
        (b"\x05\x01abc\x00\x01xyz\x03\x01q", ("abc", "", "")),
        (b"\xf0\x01abc", ("abc", "", "")),
        (b"\x05\x01ab", ("ab", "", "")),
        (b"\x05\x00a\x00b", ("a", "", "")),
        (b"\x04\x00\x00\xd8", ("\ufffd", "", "")),
        (b"\x08\x00a\x00\xff\xff\xff\xff", ("a", "", "")),
        (b"\x05\x07abc\x03\x01d", ("abc", "d", "")),
        (b"\xff" * 20, ("", "", "")),
    ],
)
def test_damaged_installer_texts(data: bytes, texts: tuple[str, str, str] | None) -> None:
    assert installer_texts(data) == texts


@pytest.mark.parametrize(
    ("data", "found"),
    [
        (b"WORKS*TANK 4*12*UNIT7*", Identification("WORKS", "TANK 4", "12", "UNIT7")),
        (b"WORKS*TANK 4*12*UNIT7", Identification("WORKS", "TANK 4", "12", "UNIT7")),
        (b"WORKS*TANK 4*\xff\xff", Identification("WORKS", "TANK 4", "", "")),
        (b"*TANK***more*", Identification("", "TANK", "", "")),
        (b"WORKS", Identification("WORKS", "", "", "")),
        (b"W\x07S*T\x00K*", Identification("W S", "T", "", "")),
        (b"****", None),
        (b"\xff" * 8, None),
        (b"", None),
    ],
)
def test_product_identification(data: bytes, found: Identification | None) -> None:
    """Fields parted by `*`: make, model, serial, unit."""
    assert product_identification(data) == found


# --- Faults ---------------------------------------------------------------------------------------------------------


def rvc(text: str) -> Trouble | None:
    data = bytes.fromhex(text)
    return rvc_diagnostic(int.from_bytes(data, "little"), len(data))


def test_an_rvc_fault_byte_by_byte() -> None:
    """12 34 A5h, highest byte first: 18 << 11 | 52 << 3 | 5 = 36864 + 416 + 5 = 37285, and FMI 5.

    In the other order: 18 | 52 << 8 | 5 << 16 = 18 + 13312 + 327680 = 341010. Orders from memory.
    """
    assert rvc("15451234a503ffff") == Trouble(37285, 5, "current low or open circuit", 3, 0x45, 341010, ("yellow",))


@pytest.mark.parametrize(
    ("status", "lamps"),
    [("00", ()), ("40", ("red",)), ("10", ("yellow",)), ("55", ("red", "yellow")), ("ff", ()), ("a0", ())],
)
def test_rvc_lamps(status: str, lamps: tuple[str, ...]) -> None:
    """Bits 6-7 red, 4-5 yellow, 01b is on (from memory)."""
    found = rvc(f"{status}450001057fffff")
    assert found is not None
    assert (found.lamps, found.occurrences) == (lamps, None)


def test_rvc_faults_as_far_as_they_go() -> None:
    same = rvc("00ff80108501ffff")
    assert same is not None
    assert (same.dsa, same.occurrences) == (None, 1)
    assert rvc("00458010") is None
    short = rvc("0045801085")
    assert short is not None
    assert (short.spn, short.occurrences) == (0x80 << 11 | 0x10 << 3 | 4, None)


def test_the_two_orders_never_give_the_same_number() -> None:
    """By arithmetic over all SPNs: only 0 and all ones read the same, and they are no fault; so both numbers are told."""
    same = [spn for spn in range(1 << 19) if spn == spn >> 11 | (spn >> 3 & 255) << 8 | (spn & 7) << 16]
    assert same == [0, 0x7FFFF]


@pytest.mark.parametrize("text", ["0045000000ffffff", "0545ffffffffffff", "0045ffffe1ffffff", "0045000011ffffff"])
def test_an_rvc_device_that_is_well(text: str) -> None:
    """SPN 0, or all ones, with whatever failure mode (from memory)."""
    assert rvc(text) is None


def test_one_j1939_fault_byte_by_byte() -> None:
    """SPN 96 (60h 00h), FMI 4, five times, amber lamp. SPN 524286 has its high bits in bits 6 to 8 of byte 3 (memory)."""
    (trouble,) = j1939_diagnostics(bytes.fromhex("04ff60000405ffff"))
    assert trouble == Trouble(96, 4, "voltage too low, or shorted to ground", 5, None, None, ("warning",))
    (high,) = j1939_diagnostics(bytes.fromhex("00fffeffff7fffff"))
    assert (high.spn, high.fmi, high.occurrences) == (524286, 31, None)


def test_several_j1939_faults() -> None:
    """Two bytes of lamps, then four for each fault; an empty place and padding are none."""
    data = bytes.fromhex("55ff" + "60000401" + "00000000" + "ffffffff" + "6100e302" + "ffff")
    troubles = j1939_diagnostics(data)
    assert [(t.spn, t.fmi, t.occurrences) for t in troubles] == [(96, 4, 1), (97 + 7 * 65536, 3, 2)]
    assert {t.lamps for t in troubles} == {("malfunction", "stop", "warning", "protect")}


@pytest.mark.parametrize(
    "text", ["00ff00000000ffff", "00ffffffffffffff", "ffff00000000ffff", "00ff6000", "", "00ff600004"]
)
def test_a_j1939_device_that_is_well(text: str) -> None:
    """SPN 0 with FMI 0, and all ones (J1939-73, from memory); and what is too short to say anything."""
    assert j1939_diagnostics(bytes.fromhex(text)) == []


@given(PAYLOADS)
def test_faults_equal_cantools(payload: bytes) -> None:
    """Oracle: cantools on the same definitions, put together by plain arithmetic."""
    number = int.from_bytes(payload, "little")
    said = BY_CANTOOLS["DiagnosticMessage1"].decode(payload, decode_choices=True)
    spn, fmi = said["SpnLow"] + 65536 * said["SpnHigh"], payload[4] % 32
    found = j1939_diagnostics(payload)
    if (spn, fmi) in ((0, 0), (0x7FFFF, 31)):
        assert found == []
    else:
        on = [lamp for lamp in ("Malfunction", "Stop", "Warning", "Protect") if str(said[f"Lamp{lamp}"]) == "on"]
        told = payload[5] % 128
        lamps = tuple(lamp.lower() for lamp in on)
        assert found == [Trouble(spn, fmi, str(said["Fmi"]), None if told == 127 else told, None, None, lamps)]
    said = BY_CANTOOLS["RvcDiagnostic"].decode(payload, decode_choices=True)
    rvc_found = rvc_diagnostic(number, 8)
    if said["Spn"] in (0, 0x7FFFF):
        assert rvc_found is None
    else:
        assert rvc_found is not None
        assert (rvc_found.spn, rvc_found.fmi_text) == (said["Spn"], str(said["Fmi"]))
        assert rvc_found.spn_other_order == spn


# --- Anything at all ------------------------------------------------------------------------------------------------

TEXTUAL = st.one_of(st.binary(max_size=230), st.text(max_size=60).map(lambda text: text.encode("utf-8", "replace")))


@given(TEXTUAL, st.integers(0, (1 << 64) - 1), st.integers(0, 8))
def test_any_bytes_give_clean_texts_and_no_error(data: bytes, payload: int, length: int) -> None:
    texts = list(installer_texts(data) or ())
    texts += list(installer_texts(bytes([min(len(data) + 2, 255), len(data) % 2]) + data) or ())
    texts += astuple(product_identification(data) or Identification("", "", "", ""))
    said = product_information(data.ljust(134, b"\xff"))
    assert said is not None
    texts += [said.model, said.software, said.model_version, said.serial]
    for text in texts:
        assert text == text.strip()
        assert all(unicodedata.category(c) not in ("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp") for c in text)
    assert product_information(data[:133]) is None
    assert name_of(payload).number == payload
    assert all(0 <= trouble.spn < 1 << 19 for trouble in j1939_diagnostics(data))
    trouble = rvc_diagnostic(payload, length)
    assert trouble is None or length >= 5


# PGN 126992, layout from memory: days since 1970 and tenths of milliseconds since midnight. 20,574 days after 1970-01-01 it is
# 2026-05-01 (Python's calendar), and 8 h 0 min 0.5 s are 288,005,000 tenths of milliseconds.
def test_the_time_that_a_device_tells() -> None:
    data = bytes([1, 0xF0]) + (20_574).to_bytes(2, "little") + (288_005_000).to_bytes(4, "little")
    moment = datetime(2026, 5, 1, 8, 0, 0, 500_000, tzinfo=UTC)
    assert system_time_us(int.from_bytes(data, "little"), 8) == round(moment.timestamp() * 1_000_000)
    assert system_time_us(int.from_bytes(data, "little"), 7) is None
    for at, size in ((2, 2), (4, 4)):
        unknown = data[:at] + b"\xff" * size + data[at + size :]
        assert system_time_us(int.from_bytes(unknown, "little"), 8) is None
