"""Own DBC files: a user's message becomes a tank by attributes, and every mistake is an error with its line."""

from __future__ import annotations

from pathlib import Path

import pytest
from conftest import frames

from canlevel.decoding.compiled import COMPILED, compiled_text, definitions_of
from canlevel.decoding.definitions import builtin_messages, builtin_texts, compile_texts, load_dbc, network_messages
from canlevel.decoding.fields import value_of
from canlevel.decoding.tanks import decode_tanks
from canlevel.errors import DefinitionError

# An invented proprietary message, PGN 61184 (EF00h, addressed), with two levels, one of them counted from the top byte.
OWN = """VERSION ""

BU_: X

BO_ 2565865214 PairOfTanks: 6 X
 SG_ Fore : 0|8@1+ (0.5,0) [0|100] "%" X
 SG_ Aft : 15|8@0+ (0.5,0) [0|100] "%" X
 SG_ Size : 16|16@1+ (1,0) [0|65000] "L" X
 SG_ Other : 32|8@1+ (1,0) [0|0] "" X

BA_DEF_ BO_ "TankProtocol" ENUM "none","nmea2000","rvc","j1939";
BA_DEF_ SG_ "TankField" ENUM "none","level","level_count","level_steps","capacity","volume","instance","fluid";
BA_DEF_ SG_ "TankFluid" STRING ;
BA_DEF_ SG_ "TankInstance" INT 0 65535;
BA_DEF_DEF_ "TankProtocol" "none";
BA_DEF_DEF_ "TankField" "none";
BA_DEF_DEF_ "TankFluid" "";
BA_DEF_DEF_ "TankInstance" 0;
BA_ "TankProtocol" BO_ 2565865214 1;
BA_ "TankField" SG_ 2565865214 Fore 1;
BA_ "TankFluid" SG_ 2565865214 Fore "live_well";
BA_ "TankInstance" SG_ 2565865214 Fore 4;
BA_ "TankField" SG_ 2565865214 Aft 1;
BA_ "TankFluid" SG_ 2565865214 Aft "oil";
BA_ "TankField" SG_ 2565865214 Size 4;
VAL_ 2565865214 Fore 255 "not_available" 254 "error" ;
"""


def written(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "own.dbc"
    path.write_text(text, encoding="utf-8")
    return path


def test_an_own_message_is_decoded_beside_the_built_in_ones(tmp_path: Path) -> None:
    own = load_dbc(written(tmp_path, OWN))
    sent = [
        (0x18EFFF23, bytes([100, 50, 120, 0, 9, 9])),
        (0x18EF2223, bytes([255, 201, 120, 0, 9, 9])),  # to another destination: the same PGN
        (0x19F21123, bytes.fromhex("10D430D0070000FF")),
        (0x18EFFF23, bytes(5)),
    ]
    found = decode_tanks(frames(sent), own).to_pylist()
    assert [(r["tank"], r["level_pct"], r["capacity_l"], r["status"]) for r in found] == [
        ("nmea2000.live_well.4", 50.0, 120.0, "ok"),
        ("nmea2000.oil.0", 25.0, 120.0, "ok"),
        ("nmea2000.live_well.4", None, 120.0, "not_available"),
        ("nmea2000.oil.0", None, 120.0, "reserved"),
        ("nmea2000.fresh_water.0", 50.0, 200.0, "ok"),
        ("nmea2000.unknown", None, None, "malformed"),
    ]


def test_an_enumeration_of_another_order_keeps_its_meaning(tmp_path: Path) -> None:
    text = OWN.replace('ENUM "none","nmea2000","rvc","j1939"', 'ENUM "none","rvc"')
    assert load_dbc(written(tmp_path, text))[0].protocol == "rvc"


def test_an_own_definition_replaces_the_built_in_one(tmp_path: Path) -> None:
    from importlib import resources

    text = (
        (resources.files("canlevel.dbc") / "nmea2000.dbc").read_text(encoding="utf-8").replace("(0.004,0)", "(0.002,0)")
    )
    (reading,) = decode_tanks(
        frames([(0x19F21123, bytes.fromhex("10D430D0070000FF"))]), load_dbc(written(tmp_path, text))
    ).to_pylist()
    assert reading["level_pct"] == 25.0


@pytest.mark.parametrize(
    ("old", "new", "line", "word"),
    [
        ('"%" X\n SG_ Aft', '"pct" X\n SG_ Aft', 6, "unit"),
        ('"L" X', '"gal" X', 8, "unit"),
        ('Fore "live_well"', 'Fore "diesel"', 6, "diesel"),
        ('BA_ "TankFluid" SG_ 2565865214 Fore "live_well";\n', "", 6, "fluid"),
        ("BO_ 2565865214 1;", "BO_ 2565865214 0;", 5, "TankProtocol"),
        (
            'BA_ "TankField" SG_ 2565865214 Fore 1;\n',
            'BA_ "TankField" SG_ 2565865214 Fore 0;\nBA_ "TankField" SG_ 2565865214 Other 4;\n',
            9,
            "more than one",
        ),
        ("Aft 1;", "Aft 2;", 5, "level_count"),
        ("SG_ Fore : 0|8@1+", "SG_ Fore 0|8@1+", 6, "DBC"),
        ("SG_ Size : 16|16", "SG_ Size : 40|16", None, "Size"),
    ],
)
def test_every_mistake_names_its_line(old: str, new: str, line: int | None, word: str, tmp_path: Path) -> None:
    assert old in OWN
    path = written(tmp_path, OWN.replace(old, new))
    with pytest.raises(DefinitionError) as caught:
        load_dbc(path)
    assert caught.value.where is not None
    assert caught.value.where.file == str(path)
    assert (caught.value.where.line, word in str(caught.value)) == (line, True), str(caught.value)


def test_eleven_bit_and_multiplexed_messages_are_refused(tmp_path: Path) -> None:
    with pytest.raises(DefinitionError, match="11-bit"):
        load_dbc(written(tmp_path, OWN.replace("2565865214", "291")))
    with pytest.raises(DefinitionError, match="multiplexed"):
        load_dbc(written(tmp_path, OWN.replace("SG_ Other :", "SG_ Other M :").replace("SG_ Size :", "SG_ Size m1 :")))


@pytest.mark.parametrize("content", [b"", b"\xff\xfe\x00", b"hello", b'VERSION ""\n'])
def test_files_without_a_tank_message(content: bytes, tmp_path: Path) -> None:
    path = tmp_path / "own.dbc"
    path.write_bytes(content)
    with pytest.raises(DefinitionError):
        load_dbc(path)
    with pytest.raises(DefinitionError):
        load_dbc(tmp_path / "missing.dbc")


def test_the_compiled_definitions_are_those_of_the_dbc_files() -> None:
    """After a change in dbc/ or in how it is compiled: python -m canlevel.decoding.compiled."""
    texts = builtin_texts()
    kept = (Path(__file__).parent.parent / "dbc" / COMPILED).read_text(encoding="utf-8")
    assert kept == compiled_text(compile_texts(texts), texts)
    assert definitions_of(kept, texts) == compile_texts(texts)


def test_definitions_compiled_from_other_files_are_left_alone() -> None:
    texts = builtin_texts()
    kept = compiled_text(compile_texts(texts), texts)
    changed = {name: text.replace("0.004", "0.005") for name, text in texts.items()}
    assert definitions_of(kept, changed) is None
    for broken in ("", "[]", "{}", kept[:100], kept.replace('"pgn"', '"png"')):
        assert definitions_of(broken, texts) is None


def test_the_built_in_periods() -> None:
    """From memory of each standard; README.md and dbc/ say so too."""
    periods = {message.name: message.period_s for message in builtin_messages()}
    assert periods == {"FluidLevel": 2.5, "TankStatus": 5.0, "DashDisplay": 1.0, "DieselExhaustFluid": 1.0}


PERIOD = 'BA_DEF_ BO_ "GenMsgCycleTime" {kind};\nBA_DEF_DEF_ "GenMsgCycleTime" {default};\n'


@pytest.mark.parametrize(
    ("kind", "default", "given", "period_s"),
    [
        ("INT 0 65535", "0", "", None),
        ("INT 0 65535", "0", "0", None),
        ("INT 0 65535", "0", "250", 0.25),
        ("INT 0 65535", "100", "", 0.1),
        ("FLOAT 0 65535", "0", "2.5", 0.0025),
    ],
)
def test_an_own_message_may_have_a_period(
    kind: str, default: str, given: str, period_s: float | None, tmp_path: Path
) -> None:
    text = OWN + PERIOD.format(kind=kind, default=default)
    if given:
        text += f'BA_ "GenMsgCycleTime" BO_ 2565865214 {given};\n'
    assert load_dbc(written(tmp_path, text))[0].period_s == period_s
    assert load_dbc(written(tmp_path, OWN))[0].period_s is None


@pytest.mark.parametrize(("kind", "given"), [("INT -9 65535", "-1"), ("STRING ", '"soon"')])
def test_a_period_that_is_none_is_an_error_with_its_line(kind: str, given: str, tmp_path: Path) -> None:
    default = '""' if kind.startswith("STRING") else "0"
    text = OWN + PERIOD.format(kind=kind, default=default) + f'BA_ "GenMsgCycleTime" BO_ 2565865214 {given};\n'
    with pytest.raises(DefinitionError, match="milliseconds") as caught:
        load_dbc(written(tmp_path, text))
    assert caught.value.where is not None
    assert caught.value.where.line == 5


NETWORK = """VERSION ""

BU_: X

BO_ 2565865214 Words: 40 X
 SG_ Text : 64|256@1+ (1,0) [0|0] "" X
 SG_ Count : 7|16@0+ (1,0) [0|0] "" X

BA_DEF_ BO_ "NetworkMessage" ENUM "no","yes";
BA_DEF_DEF_ "NetworkMessage" "no";
BA_ "NetworkMessage" BO_ 2565865214 1;
"""


def test_network_messages_keep_all_their_signals_of_any_length() -> None:
    (message,) = compile_texts({"network.dbc": NETWORK}).network
    assert (message.name, message.pgn, message.length) == ("Words", 0xEF00, 40)
    payload = int.from_bytes(bytes(range(1, 41)), "little")
    assert value_of(payload, message.fields["Text"]).to_bytes(32, "little") == bytes(range(9, 41))
    assert value_of(payload, message.fields["Count"]) == 0x0102
    assert compile_texts({"network.dbc": NETWORK.replace("2565865214 1;", "2565865214 0;")}).network == ()


MARKED = 'BA_DEF_ BO_ "NetworkMessage" ENUM "no","yes";\nBA_ "NetworkMessage" BO_ 2565865214 1;\n'


@pytest.mark.parametrize(
    ("text", "line", "word"),
    [
        (NETWORK.replace("Count : 7|16@0+", "Count : 327|8@0+").replace(": 40 X", ": 41 X"), 7, "eight bytes"),
        (NETWORK.replace("2565865214", "291"), 5, "11-bit"),
        (NETWORK.replace("Count :", "Count M :").replace("Text :", "Text m1 :"), 5, "multiplexed"),
        (OWN + MARKED, 5, "both"),
    ],
)
def test_mistakes_in_network_messages_name_their_line(text: str, line: int, word: str) -> None:
    with pytest.raises(DefinitionError, match=word) as caught:
        compile_texts({"network.dbc": text})
    assert caught.value.where is not None
    assert caught.value.where.line == line


def test_a_users_file_adds_no_network_messages(tmp_path: Path) -> None:
    with pytest.raises(DefinitionError, match="no message as a tank"):
        load_dbc(written(tmp_path, NETWORK))
    assert "Words" not in network_messages()
