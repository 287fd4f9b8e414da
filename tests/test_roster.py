"""The roster: what it gives to readings, and that every mistake in it is an error with its line."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from conftest import frames
from hypothesis import given
from hypothesis import strategies as st

from canlevel.decoding.tanks import decode_tanks
from canlevel.errors import RosterError
from canlevel.roster import Roster, Shape, TankEntry, cylinder_fraction, load_roster
from canlevel.tables import dictionary_column

FRESH = (0x19F21123, bytes.fromhex("10D430D0070000FF"))  # fresh water 0, 50 %, 200 L


def reading(roster: Roster, frame: tuple[int, bytes] = FRESH) -> dict:
    (row,) = roster.apply(decode_tanks(frames([frame]))).to_pylist()
    return row


def written(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "tanks.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_roster_names_and_sizes_its_tanks(tmp_path: Path) -> None:
    path = written(
        tmp_path,
        '[vessel]\nname = "Arbeitsboot Möwe"\n\n[[tank]]\nname = "Süßwasser \\"vorn\\""\nfluid = "fresh_water"\ninstance = 0\n'
        'capacity = "25 us-gallon"\n',
    )
    row = reading(load_roster(path))
    assert (row["vessel"], row["name"]) == ("Arbeitsboot Möwe", 'Süßwasser "vorn"')
    assert row["capacity_l"] == pytest.approx(25 * 3.785411784)  # NIST SP 811, appendix B
    assert row["volume_l"] == pytest.approx(12.5 * 3.785411784)


def test_of_several_vessels_a_roster_is_about_its_own() -> None:
    roster = Roster("Bow", (TankEntry("Water", "fresh_water", 0, capacity_l=400.0),))
    plain = decode_tanks(frames([FRESH] * 4))
    at = plain.schema.get_field_index("vessel")

    def of(*vessels: str | None) -> pa.Table:
        words = list(dict.fromkeys(vessels))
        return plain.set_column(
            at, plain.schema.field(at), dictionary_column(np.array([words.index(v) for v in vessels]), words)
        )

    def told(table: pa.Table) -> list[tuple[str | None, str | None, float]]:
        return [(row["vessel"], row["name"], row["capacity_l"]) for row in table.to_pylist()]

    own, other = ("Bow", "Water", 400.0), ("Stern", None, 200.0)
    mixed = of("Stern", "Bow", None, "Stern")
    assert told(roster.apply_to_own(mixed)) == [other, own, own, other]
    assert (
        told(roster.apply_to_own(of("Stern", "Stern", "Stern", None))) == [own] * 4
    )  # one vessel, whatever it was called
    assert told(roster.apply_to_own(of(*["Stern"] * 4), {"Bow", "Stern"})) == [other] * 4
    assert [row[0] for row in told(roster.apply_to_own(of("Stern", "Mid", "Mid", "Mid")))] == [
        "Stern",
        "Mid",
        "Mid",
        "Mid",
    ]
    named = [
        roster.name_vessels(mixed, vessels).column("vessel").to_pylist() for vessels in ({"Bow", "Stern"}, {"Stern"})
    ]
    assert named == [["Stern", "Bow", "Bow", "Stern"], ["Bow"] * 4]


def test_without_a_roster_the_device_tells_the_capacity() -> None:
    row = reading(Roster())
    assert (row["name"], row["capacity_l"], row["volume_l"]) == (None, 200.0, 100.0)


def test_the_entry_that_says_most_wins() -> None:
    anyone = TankEntry("any", "fresh_water", 0)
    protocol = TankEntry("by protocol", "fresh_water", 0, protocol="nmea2000")
    device = TankEntry("by device", "fresh_water", 0, source_address=0x23)
    both = TankEntry("by both", "fresh_water", 0, protocol="nmea2000", source_address=0x23)
    others = [
        TankEntry("other", "fresh_water", 1),
        TankEntry("other", "fresh_water", 0, protocol="rvc"),
        TankEntry("other", "grey_water", 0),
        TankEntry("other", "fresh_water", 0, source_address=0x24),
    ]
    for entries, name in [
        ([anyone], "any"),
        ([anyone, protocol], "by protocol"),
        ([protocol, device, anyone], "by device"),
        ([both, device, protocol], "by both"),
        (others, None),
    ]:
        assert reading(Roster(None, (*others, *entries)))["name"] == name


# Filled fraction of a lying cylinder, from the area of a circular segment as handbooks tabulate it.
@pytest.mark.parametrize(
    ("depth", "fraction"),
    [(0, 0), (0.1, 0.05204), (0.25, 0.19550), (0.5, 0.5), (0.75, 0.80450), (0.9, 0.94796), (1, 1)],
)
def test_cylinder_against_handbook_values(depth: float, fraction: float) -> None:
    assert cylinder_fraction(np.array([depth]))[0] == pytest.approx(fraction, abs=6e-6)
    litres = Shape("horizontal_cylinder").volume_l(np.array([100.0 * depth]), np.array([80.0]))
    assert litres[0] == pytest.approx(80 * fraction, abs=5e-4)


def test_cylinder_against_integration() -> None:
    """Oracle: numerical integration of the chord's width over the depth."""
    depth = np.linspace(0, 1, 200_001)
    width = 2 * np.sqrt(np.clip(depth * (1 - depth), 0, None))
    area = np.concatenate([[0], np.cumsum((width[1:] + width[:-1]) / 2)]) / np.sum(width)
    assert np.abs(cylinder_fraction(depth) - area).max() < 1e-6


@given(
    st.lists(st.tuples(st.floats(0.1, 20), st.floats(0, 50)), min_size=2, max_size=10),
    st.lists(st.floats(-5, 120), min_size=2, max_size=30),
)
def test_a_table_is_monotone_and_goes_through_its_pairs(rises: list[tuple[float, float]], levels: list[float]) -> None:
    table = tuple(
        zip(np.cumsum([r[0] for r in rises]).tolist(), np.cumsum([r[1] for r in rises]).tolist(), strict=True)
    )
    shape = Shape("table", table)
    nothing = np.full(len(levels), np.nan)
    litres = shape.volume_l(np.sort(levels), nothing)
    assert (np.diff(litres) >= -1e-9).all()
    assert shape.volume_l(np.array([p[0] for p in table]), nothing[:1]).tolist() == pytest.approx([p[1] for p in table])


@pytest.mark.parametrize(
    "table", ["table = [[0, 0], [50, 20], [100, 80]]", 'shape = "table"\ntable = [[0,0],[50,20],[100,80]]',
              "shape = [[0, 0], [50, 20], [100, 80]]", "shape = { table = [[0, 0], [50, 20], [100, 80]] }"]
)  # fmt: skip
def test_every_way_to_write_a_table(table: str, tmp_path: Path) -> None:
    path = written(tmp_path, f'[[tank]]\nname = "a"\nfluid = "fresh_water"\ninstance = 0\n{table}\n')
    row = reading(load_roster(path))
    assert (row["capacity_l"], row["volume_l"]) == (80.0, 20.0)
    row = reading(load_roster(path), (0x19F21123, bytes.fromhex("106A18D0070000FF")))  # 25 %
    assert row["volume_l"] == pytest.approx(10.0)


def test_volume_is_the_devices_own_only_without_a_capacity() -> None:
    rvc = (0x19FFB744, bytes([0, 7, 28, 25, 0, 0xFF, 0xFF, 0xFF]))  # 25 %, 25 L, size not available
    row = reading(Roster(), rvc)
    assert (row["capacity_l"], row["volume_l"]) == (None, 25.0)
    row = reading(Roster(None, (TankEntry("a", "fresh_water", 0, capacity_l=200),)), rvc)
    assert (row["capacity_l"], row["volume_l"]) == (200.0, 50.0)


def test_over_range_levels_go_on_in_a_straight_line() -> None:
    row = reading(Roster(), (0x19F21123, (25500).to_bytes(2, "little").join([b"\x10", bytes.fromhex("D0070000FF")])))
    assert (row["status"], row["level_pct"], row["volume_l"]) == ("over_range", 102.0, 204.0)


GOOD = '[[tank]]\nname = "a"\nfluid = "fuel"\ninstance = 0\n'


@pytest.mark.parametrize(
    ("text", "line", "word"),
    [
        (GOOD + "color = 3\n", 5, "color"),
        (GOOD + "\n" + GOOD.replace('"a"', '"b"'), 6, "twice"),
        (GOOD + 'capacity = "25 gal"\n', 5, "unit"),
        (GOOD + 'capacity = "25"\n', 5, "unit"),
        (GOOD + "capacity = 25\n", 5, "unit"),
        (GOOD + 'capacity = "x litre"\n', 5, "number"),
        (GOOD + "capacity_l = 0\n", 5, "above 0"),
        (GOOD + "capacity_l = -3\n", 5, "above 0"),
        (GOOD + "capacity_l = nan\n", 5, "above 0"),
        (GOOD + 'capacity_l = "3"\n', 5, "above 0"),
        (GOOD + 'capacity_l = 3\ncapacity = "3 litre"\n', 6, "keep one"),
        (GOOD + "# why\nshape = 'sphere'\n", 6, "sphere"),
        (GOOD + "table = [[0, 0]]\n", 5, "two"),
        (GOOD + "table = [[0, 0], [50, 10], [40, 20]]\n", 5, "rise"),
        (GOOD + "table = [[0, 9], [50, 10], [60, 5]]\n", 5, "rise"),
        (GOOD + "table = [[0, 0], [50]]\n", 5, "pairs"),
        (GOOD + "shape = 'prismatic'\ntable = [[0, 0], [100, 5]]\n", 6, "keep one"),
        (GOOD.replace('"fuel"', '"petrol"'), 3, "petrol"),
        (GOOD.replace("instance = 0", "instance = -1"), 4, "instance"),
        (GOOD.replace("instance = 0", "instance = 1.5"), 4, "instance"),
        (GOOD.replace("instance = 0", "instance = true"), 4, "instance"),
        (GOOD + "source_address = 256\n", 5, "source_address"),
        (GOOD + 'protocol = "can"\n', 5, "can"),
        (GOOD + "[[tank]]\nname = 'b'\ninstance = 1\n", 5, "fluid"),
        ('[[tank]]\nfluid = "fuel"\ninstance = 0\n', 1, "name"),
        (GOOD.replace('"a"', '""'), 2, "name"),
        (GOOD + "[vessel]\nname = 'x'\nlength = 3\n", 7, "length"),
        ("[boat]\nname = 'x'\n", 1, "boat"),
        ("# first\n[tank]\nname = 'a'\n", 2, "two brackets"),
        ("vessel = 'x'\n", 1, "vessel"),
        (GOOD + "name = 'again'\n", 5, "TOML"),
        (GOOD + "capacity_l = \n", 5, "TOML"),
        (GOOD + "shape = 'sphere\n", 5, "TOML"),
    ],
)
def test_every_mistake_names_its_line(text: str, line: int, word: str, tmp_path: Path) -> None:
    path = written(tmp_path, text)
    with pytest.raises(RosterError) as caught:
        load_roster(path)
    assert caught.value.where is not None
    assert caught.value.where.file == str(path)
    assert (caught.value.where.line, word in str(caught.value)) == (line, True), str(caught.value)


def test_files_that_cannot_be_rosters(tmp_path: Path) -> None:
    (tmp_path / "binary.toml").write_bytes(bytes(range(128, 256)))
    for path in (tmp_path / "binary.toml", tmp_path / "missing.toml", tmp_path):
        with pytest.raises(RosterError):
            load_roster(path)


def test_an_empty_roster_is_a_roster(tmp_path: Path) -> None:
    assert load_roster(written(tmp_path, "\ufeff# nothing yet\n")) == Roster()


def test_equal_fluids_of_two_protocols_are_no_duplicates(tmp_path: Path) -> None:
    text = GOOD + 'protocol = "nmea2000"\n' + GOOD + 'protocol = "j1939"\n' + GOOD
    assert len(load_roster(written(tmp_path, text)).tanks) == 3


def test_a_roster_on_stored_readings_keeps_what_it_does_not_tell() -> None:
    first = Roster("Workboat", (TankEntry("old name", "fresh_water", 0),)).apply(decode_tanks(frames([FRESH, FRESH])))
    for roster, name in [(Roster(), "old name"), (Roster(None, (TankEntry("new", "fresh_water", 0),)), "new")]:
        rows = roster.apply(first).to_pylist()
        assert [(row["vessel"], row["name"], row["capacity_l"]) for row in rows] == [("Workboat", name, 200.0)] * 2
