"""What devices say of themselves: their NAME, their product, the installer's words, the time, and the faults they report.

In: payloads as integers (byte 0 lowest) or whole messages as bytes, from decoding/assembly.py where they come in many frames.
Out: small records. Where each part stands is in dbc/network.dbc, the texts of product information included: DBC knows no
texts, so each is a signal of 256 bits. Only what DBC cannot say is here: texts that carry their own length, texts parted by a
character, and trouble codes that repeat. All of it from memory of the standards, as the comments in dbc/network.dbc say.
No function raises for what a device sends, and no text has a control character in it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from canlevel.decoding.definitions import network_messages
from canlevel.decoding.fields import Field, value_of

__all__ = [
    "Identification",
    "Name",
    "Product",
    "Trouble",
    "installer_texts",
    "j1939_diagnostics",
    "name_of",
    "product_identification",
    "product_information",
    "rvc_diagnostic",
    "system_time_us",
]

# What fills up a text: FFh and 00h, and in some devices spaces and "@" (common practice, no source).
_PADDING_BYTES = b"\x00\xff @"
_PADDING = "\x00\uffff @"
_UTF16 = 0
_TEXT_HEAD = 2  # the length and the encoding


@dataclass(frozen=True, slots=True)
class Name:
    """The 64-bit NAME of a device taken apart. number: all of it; of two that claim one address the lower number wins.

    industry: the industry group in words. Source: J1939-81, from memory.
    """

    number: int
    identity: int
    manufacturer: int
    ecu_instance: int
    function_instance: int
    function: int
    device_class: int
    system_instance: int
    industry_group: int
    industry: str
    arbitrary_address: bool


@dataclass(frozen=True, slots=True)
class Product:
    """NMEA 2000 product information. version: of the database it was built to, as 2.1; load_ma: its load on the network supply,
    milliamperes. Numbers are None where the device gives none, texts are empty.
    """

    version: float | None
    product_code: int | None
    model: str
    software: str
    model_version: str
    serial: str
    certification: int | None
    load_ma: int | None


@dataclass(frozen=True, slots=True)
class Identification:
    """RV-C product identification, which J1939 calls component identification. Empty where it is not told."""

    make: str
    model: str
    serial: str
    unit: str


@dataclass(frozen=True, slots=True)
class Trouble:
    """One fault that a device reports: the number of what is suspect, and in which way it fails, in our own words.

    occurrences, dsa: None where not told; dsa, the kind of device, is RV-C's alone. spn_other_order: RV-C's number read in the
    other order of its bytes, as it is not certain which is right; None for J1939. lamps: those that are on, the most severe
    first.
    """

    spn: int
    fmi: int
    fmi_text: str
    occurrences: int | None
    dsa: int | None
    spn_other_order: int | None
    lamps: tuple[str, ...]


def name_of(payload: int) -> Name:
    """The NAME in the eight bytes of an address claim, PGN 60928. payload: byte 0 lowest."""
    fields = _fields("AddressClaim")
    group = value_of(payload, fields["IndustryGroup"])
    return Name(
        number=payload,
        identity=value_of(payload, fields["Identity"]),
        manufacturer=value_of(payload, fields["Manufacturer"]),
        ecu_instance=value_of(payload, fields["EcuInstance"]),
        function_instance=value_of(payload, fields["FunctionInstance"]),
        function=value_of(payload, fields["Function"]),
        device_class=value_of(payload, fields["DeviceClass"]),
        system_instance=value_of(payload, fields["SystemInstance"]),
        industry_group=group,
        industry=fields["IndustryGroup"].words[group],
        arbitrary_address=bool(value_of(payload, fields["ArbitraryAddress"])),
    )


def product_information(data: bytes) -> Product | None:
    """The product information of PGN 126996; None where `data` is too short to be one."""
    message = network_messages()["ProductInformation"]
    if len(data) < message.length:
        return None
    fields, payload = message.fields, int.from_bytes(data, "little")
    version, load_ma = _number(payload, fields["Version"]), _number(payload, fields["LoadMa"])
    return Product(
        # Thousandths are not exact in binary; 1.201 shall not become 1.2010000000000001.
        version=None if version is None else round(version, 3),
        product_code=_raw(payload, fields["ProductCode"]),
        model=_field_text(payload, fields["Model"]),
        software=_field_text(payload, fields["Software"]),
        model_version=_field_text(payload, fields["ModelVersion"]),
        serial=_field_text(payload, fields["Serial"]),
        certification=_raw(payload, fields["Certification"]),
        load_ma=None if load_ma is None else round(load_ma),
    )


def installer_texts(data: bytes) -> tuple[str, str, str] | None:
    """PGN 126998: the installer's two descriptions, and the maker's information; None where not even the first can be read.

    Each is a byte with its whole length, a byte with its encoding (0 UTF-16, low byte first; 1 one byte a character, read as
    UTF-8, which ASCII is part of), and the text: from memory. Behind a length that cannot be, nothing can be found.
    """
    if len(data) < _TEXT_HEAD or data[0] < _TEXT_HEAD:
        return None
    texts = ["", "", ""]
    at = 0
    for i in range(len(texts)):
        length = data[at] if at < len(data) else 0
        if length < _TEXT_HEAD:
            break
        coded = data[at + _TEXT_HEAD : at + length]
        if data[at + 1 : at + _TEXT_HEAD] == bytes([_UTF16]):
            texts[i] = _clean(coded[: len(coded) // 2 * 2].decode("utf-16-le", "replace"))
        else:
            texts[i] = _text(coded)
        at += length
    return texts[0], texts[1], texts[2]


def product_identification(data: bytes) -> Identification | None:
    """DGN FEEBh: texts parted by `*`; None where it says nothing. Whatever follows the fourth is left out."""
    texts = [_text(part) for part in data.split(b"*")[:4]]
    texts += [""] * (4 - len(texts))
    return Identification(*texts) if any(texts) else None


def rvc_diagnostic(payload: int, length: int) -> Trouble | None:
    """The fault in a frame of RV-C's DGN 1FECAh; None where it says that all is well, or is too short. payload: byte 0 lowest.

    All is well where the SPN is 0 or all ones. RV-C has the highest byte of the SPN first; J1939-73 has the lowest first, which
    `spn_other_order` follows. From memory, all of it.
    """
    fields = _fields("RvcDiagnostic")
    if length < fields["Fmi"].end_byte:
        return None
    spn, fmi = value_of(payload, fields["Spn"]), value_of(payload, fields["Fmi"])
    if spn in (0, _all_ones(fields["Spn"])):
        return None
    return Trouble(
        spn=spn,
        fmi=fmi,
        fmi_text=fields["Fmi"].words[fmi],
        occurrences=_raw(payload, fields["Occurrences"]) if length >= fields["Occurrences"].end_byte else None,
        dsa=_raw(payload, fields["Dsa"]),
        spn_other_order=_j1939_spn(payload),  # its bytes stand where DM1 has those of its first fault
        lamps=_lamps(payload, fields),
    )


def j1939_diagnostics(data: bytes) -> list[Trouble]:
    """The active faults in PGN 65226 (DM1), from one frame or many; empty where there is none.

    SPN 0 with failure mode 0, and all ones, are no faults (J1939-73, from memory). Each has the lamps of the whole message.
    """
    fields = _fields("DiagnosticMessage1")
    payload = int.from_bytes(data, "little")
    # DBC shows the first trouble code; the others follow at once, each as long.
    start, end = fields["SpnLow"].shift // 8, fields["Occurrences"].end_byte
    none = ((0, 0), (_all_ones(fields["SpnLow"], fields["SpnHigh"]), _all_ones(fields["Fmi"])))
    troubles = []
    for offset in range(0, len(data) - end + 1, end - start):
        code = payload >> 8 * offset
        spn, fmi = _j1939_spn(code), value_of(code, fields["Fmi"])
        if (spn, fmi) in none:
            continue
        troubles.append(
            Trouble(
                spn=spn,
                fmi=fmi,
                fmi_text=fields["Fmi"].words[fmi],
                occurrences=_raw(code, fields["Occurrences"]),
                dsa=None,
                spn_other_order=None,
                lamps=_lamps(payload, fields),
            )
        )
    return troubles


def system_time_us(payload: int, length: int) -> int | None:
    """The time that a device tells in PGN 126992, microseconds since 1970, UTC; None where it does not know it.

    payload: byte 0 lowest, of so many bytes. Source: from memory of NMEA 2000.
    """
    fields = _fields("SystemTime")
    if length < max(field.end_byte for field in fields.values()):
        return None
    days, seconds = _raw(payload, fields["Days"]), _raw(payload, fields["SecondsOfDay"])
    if days is None or seconds is None:
        return None
    return days * 86_400_000_000 + round(seconds * fields["SecondsOfDay"].scale * 1_000_000)


def _fields(name: str) -> Mapping[str, Field]:
    return network_messages()[name].fields


def _raw(payload: int, field: Field) -> int | None:
    """The integer of a field, None where it is no number."""
    raw = value_of(payload, field)
    return None if raw in field.no_number else raw


def _number(payload: int, field: Field) -> float | None:
    raw = _raw(payload, field)
    return None if raw is None else raw * field.scale + field.offset


def _all_ones(*fields: Field) -> int:
    return (1 << sum(field.bits for field in fields)) - 1


def _j1939_spn(payload: int) -> int:
    fields = _fields("DiagnosticMessage1")
    low, high = fields["SpnLow"], fields["SpnHigh"]
    return value_of(payload, low) | value_of(payload, high) << low.bits


def _lamps(payload: int, fields: Mapping[str, Field]) -> tuple[str, ...]:
    """The lamps that are on. The more severe stand in higher bits, in J1939 and in RV-C."""
    lamps = sorted((part for part in fields.values() if part.name.startswith("Lamp")), key=lambda part: -part.shift)
    on = [part.name for part in lamps if part.words.get(value_of(payload, part)) == "on"]
    return tuple(name.removeprefix("Lamp").lower() for name in on)


def _field_text(payload: int, field: Field) -> str:
    return _text(value_of(payload, field).to_bytes(field.bits // 8, "little"))


def _text(coded: bytes) -> str:
    return _clean(coded.strip(_PADDING_BYTES).decode("utf-8", "replace"))


def _clean(text: str) -> str:
    """A text without padding, without what follows its end (00h), and without characters that drive a terminal."""
    shown = text.strip(_PADDING).split("\x00")[0]
    return "".join(c if c.isprintable() else " " for c in shown).strip(_PADDING)
