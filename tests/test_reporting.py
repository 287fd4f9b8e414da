"""The report and the pictures: what they say is what the library says, and nothing that comes in can be more than text."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pyarrow as pa
import pytest
from conftest import Result
from faults import FLUID_LEVEL, PRODUCT, every, fast_packet, log_text, product_data
from hypothesis import given, settings
from hypothesis import strategies as st

import canlevel
from canlevel.derivation.alarms import Alarm
from canlevel.derivation.balance import balance
from canlevel.derivation.flows import derive_flows
from canlevel.derivation.leaks import watch_leaks
from canlevel.derivation.outlook import outlook
from canlevel.derivation.overview import overview
from canlevel.errors import CanlevelError, CaptureError, QueryError
from canlevel.reporting.gather import MOST_POINTS, gather, open_hearing
from canlevel.reporting.page import headlines, report_html
from canlevel.reporting.pictures import plot_levels, shaded
from canlevel.reporting.proofs import load_proof
from canlevel.reporting.thinning import LevelBins, Points
from canlevel.reporting.writing import write_file
from canlevel.reporting.zoom import LEVEL_STEP_PCT, packed
from canlevel.roster import Roster, TankEntry
from canlevel.show.ahead import crossed_words, figure
from canlevel.show.text import levels
from canlevel.simulate import Flow, Tank, simulate
from canlevel.storage.store import create_store
from canlevel.tables import OUTAGES, READINGS, dictionary_column, float_column, null_column, time_column, times_us
from canlevel.units import VolumeUnit

CAPTURES = Path(__file__).parent.parent / "captures"
MADE = datetime(2026, 6, 1, 12, tzinfo=UTC)
START = datetime(2026, 5, 1, 8, tzinfo=UTC)
START_US = 1_777_622_400_000_000
HOSTILE = "</script><script>alert(1)</script><img src=x onerror=alert(2)>'\"&\u202egnp.exe {{ 7*7 }}"


class Page(HTMLParser):
    """The parts of a page: its tags, the ids in it, the rows of its tables by their captions, the text of its scripts."""

    VOID = ("meta", "br", "img", "hr", "input", "link")

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.tables: dict[str, list[list[str]]] = {}
        self.scripts: list[tuple[dict[str, str | None], str]] = []
        self.text = ""
        self._caption = ""
        self.feed(text)
        self.close()
        assert not self.open

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag in self.VOID:
            return
        self.open.append(tag)
        if tag == "caption":
            self._caption = ""
        elif tag == "tr":
            self.tables.setdefault(self._caption, []).append([])
        elif tag in ("td", "th"):
            self.tables[self._caption][-1].append("")
        elif tag == "script":
            self.scripts.append((dict(attrs), ""))

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open, f"</{tag}> without a beginning"
        assert self.open.pop() == tag, self.getpos()

    def handle_data(self, data: str) -> None:
        if "script" in self.open:
            attrs, text = self.scripts[-1]
            self.scripts[-1] = attrs, text + data
            return
        if "style" in self.open:
            return
        self.text += data
        if "caption" in self.open:
            self._caption += data
        elif "td" in self.open or "th" in self.open:
            self.tables[self._caption][-1][-1] += data


def readings_of(
    levels: list[float | None],
    *,
    period_s: float = 2.5,
    tank: str = "nmea2000.fresh_water.0",
    name: str | None = "Fresh water",
    capacity_l: float | None = 200.0,
    source: int = 35,
    begin_us: int = START_US,
) -> pa.Table:
    """READINGS of one tank at a steady rhythm; None is a reading without a level."""
    n = len(levels)
    level = np.array([np.nan if one is None else one for one in levels])
    protocol, fluid, instance = tank.split(".")
    words = {
        "vessel": "Harbour workboat",
        "channel": "can0",
        "protocol": protocol,
        "tank": tank,
        "name": name,
        "fluid": fluid,
    }
    columns = {
        **{key: dictionary_column(np.zeros(n, np.int64), [word]) for key, word in words.items()},
        "time": time_column(begin_us + (np.arange(n) * period_s * 1e6).astype(np.int64)),
        "instance": pa.array([int(instance)] * n, pa.int16()),
        "source_address": pa.array([source] * n, pa.uint8()),
        "level_pct": float_column(level),
        "capacity_l": float_column(np.full(n, np.nan if capacity_l is None else capacity_l)),
        "volume_l": float_column(level * (np.nan if capacity_l is None else capacity_l / 100)),
        "status": dictionary_column(np.isnan(level).astype(np.int64), ["ok", "not_available"]),
        **{key: null_column(n, pa.float64()) for key in ("rate_l_per_min", "rate_low", "rate_high")},
    }
    return pa.table([columns[field.name] for field in READINGS], schema=READINGS)


def stored(path: Path, *tables: pa.Table, roster: Roster | None = None) -> Path:
    store = create_store(path, vessel="Harbour workboat")
    with store.writing() as writer:
        writer.append(pa.concat_tables(tables).unify_dictionaries().sort_by("time"))
    if roster is not None:
        store.note_roster(roster)
    return path


@pytest.fixture(scope="module")
def workboat() -> tuple[str, object]:
    hearing = open_hearing(CAPTURES / "workboat.log.gz", roster=CAPTURES / "workboat.toml")
    hearing.run()
    report = gather(hearing=hearing, sources=("workboat.log.gz",), made=MADE)
    return report_html(report, version="1"), report


# ---- thinning ----


@settings(max_examples=200, deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, 999), st.integers(0, 20)), min_size=1, max_size=80),
    st.integers(1, 300),
    st.integers(1, 5),
)
def test_thinned_levels_keep_ends_and_extremes(told: list[tuple[int, int]], width: int, pieces: int) -> None:
    """Law: in every stretch the first, last, lowest and highest are readings that were made; however the batches are cut."""
    told = sorted(told, key=lambda one: one[0])
    time_us, level = np.array([t for t, _ in told]), np.array([float(v) for _, v in told])
    bins = LevelBins(0, width, 999 // width + 1)
    for some in np.array_split(np.arange(len(told)), pieces):
        bins.add(time_us[some], level[some])
    assert bins.total == len(told)
    points = bins.points(silence_s=1.0)
    drawn = {(int(t), float(v)) for t, v in zip(points.time_us, points.level_pct, strict=True)}
    assert drawn <= {(t, float(v)) for t, v in told}
    assert (np.diff(points.time_us) >= 0).all()
    for number in range(bins.count):
        mine = (time_us // width) == number
        assert bins.readings[number] == mine.sum()
        if not mine.any():
            continue
        assert bins.first[0][number] == time_us[mine].min()
        assert bins.last[0][number] == time_us[mine].max()
        assert bins.lowest[1][number] == level[mine].min()
        assert bins.highest[1][number] == level[mine].max()
    # The line is that of all that was kept: also where points on it were left out.
    for t, v in ((bins.lowest[0], bins.lowest[1]), (bins.highest[0], bins.highest[1])):
        for at in np.flatnonzero(bins.readings):
            low, high = (points.time_us.searchsorted(t[at], side) for side in ("left", "right"))
            around = points.level_pct[max(low - 1, 0) : high + 1]
            assert around.min() <= v[at] <= around.max()


def test_a_line_is_interrupted_where_nothing_was_heard() -> None:
    time_us = np.array([0, 10, 20, 500, 510]) * 1_000_000
    bins = LevelBins(0, 5_000_000, 110)
    bins.add(time_us, np.array([5.0, 5.0, 5.0, 5.0, 5.0]))
    points = bins.points(silence_s=60)
    assert points.time_us.tolist() == [0, 20_000_000, 260_000_000, 500_000_000, 510_000_000]
    assert np.isnan(points.level_pct).tolist() == [False, False, True, False, False]


@settings(max_examples=100, deadline=None)
@given(st.integers(0, 2**32), st.integers(2, 400), st.sampled_from([1, 3, 30]))
def test_a_line_thinned_again_is_the_same_line(seed: int, columns: int, levels: int) -> None:
    """Law: at every reading it is within what its column heard, and interrupted where it was: also that of a coarse sender,
    of which few points are left."""
    rng = np.random.default_rng(seed)
    time_us = np.cumsum(rng.choice([2, 3, 2, 3, 2, 3, 600], 700)) * 1_000_000
    level = np.repeat(rng.integers(0, levels, 70), 10) * 3.0
    length = int(time_us[-1] - time_us[0]) + 1
    bins = LevelBins(int(time_us[0]), 1_000_000, length // 1_000_000 + 1)
    bins.add(time_us, level)
    points = bins.points(silence_s=60)
    again = points.thinned(int(time_us[0]), -(-length // columns), columns)
    breaks = [line.time_us[np.isnan(line.level_pct)] for line in (points, again)]
    column = (time_us - time_us[0]) // -(-length // columns)
    apart = np.diff(column, append=column[-1]) > 0
    between = {int((a + b) // 2) for a, b in pairwise(time_us.tolist()) if b - a > 60e6}
    assert set(breaks[0].tolist()) == between
    assert set(breaks[1].tolist()) <= between
    told = ~np.isnan(again.level_pct)
    for number in np.unique(column):
        mine = column == number
        drawn = again.level_pct[told][(again.time_us[told] - time_us[0]) // -(-length // columns) == number]
        if len(drawn):
            assert drawn.min() >= level[mine].min()
            assert drawn.max() <= level[mine].max()
    # Where one column has one reading at most, nothing is lost: the line goes through all of them.
    if apart[:-1].all():
        np.testing.assert_allclose(np.interp(time_us, again.time_us[told], again.level_pct[told]), level)
    # A level line stays, however few its points: between two readings without a break the line is there.
    ends = np.flatnonzero(np.isnan(again.level_pct))
    assert not len(ends) or (np.diff(ends) > 1).all()


def test_a_level_that_never_changes_is_a_line() -> None:
    bins = LevelBins(0, 2_500_000, 4000)
    bins.add(np.arange(4000) * 2_500_000, np.full(4000, 50.0))
    again = bins.points(silence_s=60).thinned(0, 10_000_000, 1000)
    assert again.time_us.tolist() == [0, 3999 * 2_500_000]
    assert again.level_pct.tolist() == [50.0, 50.0]


def test_points_are_packed_and_come_back() -> None:
    import base64

    points = Points(np.array([1_000_000, 1_500_000, 9_000_000]), np.array([0.004, np.nan, 131.056]))
    told = packed(points, 1_000_000)
    times = np.frombuffer(base64.b64decode(told["times"]), "<u4") * told["step_ms"] + told["begin_ms"]
    levels = np.frombuffer(base64.b64decode(told["levels"]), "<i2")
    assert times.tolist() == [1000.0, 1500.0, 9000.0]
    # Ends of the published range: PGN 127505 field lists in NMEA 2000 equipment manuals.
    assert levels.tolist() == [1, -32768, 32764]
    assert levels[2] * LEVEL_STEP_PCT == pytest.approx(131.056)
    year = Points(np.array([0, 366 * 86_400_000_000]), np.array([1.0, 2.0]))
    assert packed(year, 0)["step_ms"] == 8  # 32 bits of milliseconds hold 49 days
    assert packed(Points(np.zeros(0, np.int64), np.zeros(0)), 0)["times"] == ""


# ---- what a page says ----


def test_the_page_says_what_the_library_says(workboat) -> None:
    text, report = workboat
    page = Page(text)
    readings = canlevel.decode(CAPTURES / "workboat.log.gz", roster=CAPTURES / "workboat.toml")
    table = pa.Table.from_pandas(readings, preserve_index=False).select(READINGS.names)
    table = pa.table([table.column(f.name).cast(f.type) for f in READINGS], schema=READINGS)
    flows = derive_flows(table)
    names = {row["tank"]: row["name"] for row in overview(table).to_pylist()}
    assert report.flows.to_pylist() == flows.to_pylist()
    assert [one.overview for one in sorted(report.tanks, key=lambda one: one.tank)] == overview(table).to_pylist()

    shown = {row[0]: row for row in page.tables["Tanks as last heard"][1:]}
    for row in overview(table).to_pylist():
        assert shown[row["name"]][2:5] == [
            f"{row['level_pct']:.1f}",
            figure(row["volume_l"], VolumeUnit.LITRE),
            figure(row["capacity_l"], VolumeUnit.LITRE),
        ]
    drawn = page.tables["Fills and drains, the latest first"][1:]
    assert [row[1:3] for row in drawn] == [[names[f["tank"]], f["kind"]] for f in reversed(flows.to_pylist())]
    assert [row[5] for row in drawn] == [figure(f["volume_l"], VolumeUnit.LITRE) for f in reversed(flows.to_pylist())]
    (day,) = balance(table, flows).to_pylist()
    (told,) = page.tables["Water by day (UTC), L"][1:]
    assert told[3:5] == [figure(day[key], VolumeUnit.LITRE) for key in ("out_of_fresh_l", "into_waste_l")]
    leaks = {row["name"]: row["status"] for row in watch_leaks(table, flows).to_pylist()}
    assert {row[0]: row[1] for row in page.tables["Slow losses and gains in quiet hours"][1:]} == leaks
    ahead = {row["name"]: f"{row['level_pct']:.1f}" for row in outlook(table, flows).to_pylist()}
    rows = next(rows for caption, rows in page.tables.items() if caption.startswith("When tanks will be"))
    assert {row[0]: row[1] for row in rows[1:]} == ahead
    found = canlevel.explain(CAPTURES / "workboat.log.gz", roster=CAPTURES / "workboat.toml")
    assert [one.summary for one in found.findings] == [one.summary for one in report.explanation.findings]
    devices = canlevel.devices(CAPTURES / "workboat.log.gz")
    assert [row[0] for row in page.tables["Devices on the bus, by source address"][1:]] == [
        f"{a} ({a:02X}h)" for a in devices["source_address"]
    ]
    # Daily use is the sum of the flows, which lie in one day here.
    (use,) = (row for row in page.tables["Use by day (UTC), L"][1:] if row[0] == "2026-05-01")
    fresh = [f["volume_l"] for f in flows.to_pylist() if f["tank"] == "nmea2000.fresh_water.0" and f["kind"] == "drain"]
    at = page.tables["Use by day (UTC), L"][0].index("Fresh water")
    assert use[at].startswith(figure(sum(fresh), VolumeUnit.LITRE))


def test_pictures_have_their_numbers(workboat) -> None:
    """Every picture has a table, and its lowest and highest are those of the readings."""
    text, report = workboat
    page = Page(text)
    assert len([1 for tag, attrs in page.tags if tag == "figure"]) == 5
    assert text.count("<summary>The numbers of this picture</summary>") == 5
    frame = canlevel.decode(CAPTURES / "workboat.log.gz", roster=CAPTURES / "workboat.toml")
    for tank in report.tanks:
        mine = frame[frame["tank"] == tank.tank]
        assert min(row.lowest_pct for row in tank.stretches) == mine["level_pct"].min()
        assert max(row.highest_pct for row in tank.stretches) == mine["level_pct"].max()
        assert sum(row.readings for row in tank.stretches) == len(mine) == tank.readings
        assert tank.stretches[-1].last_pct == mine["level_pct"].iloc[-1]
        assert tank.stretches[-1].last_l == pytest.approx(mine["volume_l"].iloc[-1])


def test_the_page_asks_nothing_of_a_network(workboat) -> None:
    text, _ = workboat
    page = Page(text)
    policy = next(attrs["content"] for tag, attrs in page.tags if attrs.get("http-equiv") == "Content-Security-Policy")
    assert policy is not None
    assert policy.startswith("default-src 'none'; script-src 'sha256-")
    assert "http" not in policy
    for tag, attrs in page.tags:
        assert "src" not in attrs
        assert tag not in ("link", "iframe", "object", "embed", "form", "base", "img")
        assert not [key for key in attrs if key.startswith("on")]
        if "href" in attrs:
            assert (attrs["href"] or "").startswith("#")
    ids = [attrs["id"] for _, attrs in page.tags if "id" in attrs]
    assert len(ids) == len(set(ids))
    targets = {(attrs["href"] or "")[1:] for _, attrs in page.tags if "href" in attrs}
    assert targets <= set(ids)
    # Of the page's own: the library's script has names of hosts in it, which the policy keeps it from.
    own = re.sub(r"<script>.*?</script>", "", text, flags=re.DOTALL)
    assert not re.findall(r"(?:https?:)?//[a-z0-9.-]+\.[a-z]+", own.replace("http://www.w3.org", ""))
    assert "url(" not in re.sub(r"url\(#[\w-]+\)", "", own)


def test_scripts_are_those_that_the_policy_names(workboat) -> None:
    import base64
    import hashlib

    text, _ = workboat
    page = Page(text)
    run_ones = [script for attrs, script in page.scripts if attrs.get("type") != "application/json"]
    assert len(run_ones) == 2
    for script in run_ones:
        assert f"'sha256-{base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()}'" in text
    data = json.loads(next(script for attrs, script in page.scripts if attrs.get("type") == "application/json"))
    assert len(data["figures"]) == 5


def test_headings_and_tables_are_for_those_who_cannot_see(workboat) -> None:
    page = Page(workboat[0])
    tags = [tag for tag, _ in page.tags]
    assert ("html", {"lang": "en"}) in page.tags
    assert tags.count("h1") == 1
    assert tags.count("table") == tags.count("caption")
    assert all(attrs.get("scope") in ("col", "row") for tag, attrs in page.tags if tag == "th")
    assert all(
        attrs.get("tabindex") == "0" for tag, attrs in page.tags if "scroll" in (attrs.get("class") or "").split()
    )
    levels = [int(tag[1]) for tag in tags if re.fullmatch(r"h[1-6]", tag)]
    assert all(after - before <= 1 for before, after in pairwise(levels))


def test_hostile_names_are_text(tmp_path: Path) -> None:
    roster = Roster(
        HOSTILE, (TankEntry(HOSTILE, "fresh_water", 0, capacity_l=200.0), TankEntry("مياه\u200f", "fuel", 0))
    )
    table = roster.apply(pa.concat_tables([
        readings_of([50.0, 40.0] * 40, name=HOSTILE),
        readings_of([20.0] * 40, tank="nmea2000.fuel.0", name=None),
    ]).unify_dictionaries())  # fmt: skip
    stored(tmp_path / "store", table, roster=roster)
    report = gather(store=tmp_path / "store", made=MADE)
    plain = Page(report_html(report))
    names = [attrs for tag, attrs in plain.tags if tag in ("img", "script")]
    assert len(names) == 3  # the data, the library, the page's own
    assert "<img src=x onerror=alert(2)>" in plain.text
    assert "{{ 7*7 }}" in plain.text
    assert "\\u202egnp.exe" in plain.text
    assert "\u202e" not in report_html(report)
    assert "مياه\u200f" in plain.text
    plot_levels(report, tmp_path / "levels.svg")
    drawn = (tmp_path / "levels.svg").read_text()
    assert "<script" not in drawn
    assert "&lt;/script&gt;" in drawn


def test_text_from_the_bus_is_text(tmp_path: Path) -> None:
    """What a device says of itself is escaped: product information (PGN 126996) with a script in its model."""
    data = product_data(b"<script>alert(3)</script>")
    capture = [*every(2.5, FLUID_LEVEL, 35, bytes.fromhex("10d430d0070000ff")), *fast_packet(3.0, PRODUCT, 35, data)]
    log = tmp_path / "bus.log"
    log.write_text(log_text(sorted(capture)))
    hearing = open_hearing(log)
    hearing.run()
    page = Page(report_html(gather(hearing=hearing, made=MADE)))
    assert "<script>alert(3)</script>" in page.text
    assert len(page.scripts) == 3


# ---- stores, spans, limits ----


def test_a_store_without_readings_makes_a_page(tmp_path: Path) -> None:
    create_store(tmp_path / "store")
    report = gather(store=tmp_path / "store", made=MADE)
    page = Page(report_html(report))
    assert "no tank was heard" in page.text
    assert not page.scripts
    with pytest.raises(QueryError, match="nothing to draw"):
        plot_levels(report, tmp_path / "levels.png")


@pytest.mark.parametrize("levels", [[50.0], [None], [None, None, 30.0], [50.0, 50.0], [-5.0, 140.0]])
def test_few_readings_make_a_page(tmp_path: Path, levels: list[float | None]) -> None:
    stored(tmp_path / "store", readings_of(levels))
    report = gather(store=tmp_path / "store", made=MADE)
    page = Page(report_html(report))
    assert len(report.tanks) == 1
    if levels == [None]:
        assert "not available" in page.text
        assert "sent no number" in page.text
    plot_levels(report, tmp_path / "levels.svg")


def test_a_tank_without_a_capacity_is_told_in_percent(tmp_path: Path) -> None:
    levels = [80.0] * 400 + list(np.linspace(80, 40, 200)) + [40.0] * 400
    stored(tmp_path / "store", readings_of(levels, capacity_l=None))
    report = gather(store=tmp_path / "store", made=MADE)
    page = Page(report_html(report))
    (row,) = (row for row in page.tables["Use by day (UTC), L"][1:] if row[0] == "2026-05-01")
    assert float(row[1].split("of")[0]) == pytest.approx(40, abs=1)
    assert "no litres" in page.text


def test_a_store_is_told_as_in_memory(tmp_path: Path) -> None:
    """Day by day from a store, or all at once: the same report."""
    levels = (55 + 20 * np.sin(np.arange(6 * 1440) / 700)).tolist()  # 36 hours
    table = readings_of(levels, period_s=15.0)
    stored(tmp_path / "store", table)
    report = gather(store=tmp_path / "store", made=MADE)
    flows = derive_flows(table)
    assert report.tanks[0].overview == overview(table).to_pylist()[0]
    assert report.tanks[0].leaks == tuple(watch_leaks(table, flows).to_pylist())
    assert report.tanks[0].ahead == outlook(table, flows).to_pylist()[0]
    assert report.begin_us == START_US
    assert report.end_us == int(times_us(table).max())
    assert sum(day.out for day in report.tanks[0].days) == pytest.approx(
        sum(f["volume_l"] for f in flows.to_pylist() if f["kind"] == "drain")
    )


def test_only_the_last_days_of_a_store(tmp_path: Path) -> None:
    old = readings_of([50.0] * 100, begin_us=START_US - 90 * 86_400_000_000)
    stored(tmp_path / "store", old, readings_of([60.0] * 100))
    assert gather(store=tmp_path / "store", made=MADE).tanks[0].readings == 100
    assert gather(store=tmp_path / "store", since="2026-01-01", made=MADE).tanks[0].readings == 200
    assert gather(store=tmp_path / "store", since="2026-01-01", until="2026-03-01", made=MADE).tanks[0].readings == 100
    with pytest.raises(QueryError, match="not before"):
        gather(store=tmp_path / "store", since="2026-03-01", until="2026-01-01", made=MADE)


def test_limits_of_the_roster_come_first(tmp_path: Path) -> None:
    entry = TankEntry("Fresh water", "fresh_water", 0, low_pct=15, silent_after_s=60)
    other = TankEntry("Fuel", "fuel", 0, high_pct=90)
    roster = Roster("Harbour workboat", (entry, other, TankEntry("Never heard", "oil", 0)))
    stored(
        tmp_path / "store",
        readings_of([10.0] * 100),
        readings_of([70.0] * 1000, tank="nmea2000.fuel.0", name="Fuel", source=42),
        roster=roster,
    )
    report = gather(store=tmp_path / "store", made=MADE)
    told = [(one.grade, one.word, one.text) for one in headlines(report)]
    assert told[0] == ("fault", "Limit", "Fresh water: low: 10.0 % (limit 15 %)")
    assert told[1][2].startswith("Fresh water: silent for")
    assert told[2] == ("fault", "Missing", "Never heard: in the roster, and not heard in this time")
    text = report_html(report)
    shown = {row[0]: row[5] for row in Page(text).tables["Tanks as last heard"][1:]}
    assert shown == {"Fresh water": "silent for 38 min", "Fuel": "ok"}  # what it said so long ago is no status of now
    assert "limit at 15 %" in text
    assert "limit at 90 %" in text


def test_a_leak_beyond_its_limit_is_told_in_the_unit_of_the_page() -> None:
    alarm = Alarm(
        "leak_l_per_h", limit=3.785411784, value=7.570823568, sentence="loses at least 7.6 L/h (limit 3.78541 L/h)"
    )
    assert crossed_words(alarm, VolumeUnit.US_GALLON) == "loses at least 2.00 US gal/h (limit 1.00 US gal/h)"
    assert crossed_words(alarm, VolumeUnit.LITRE) == "loses at least 7.57 L/h (limit 3.79 L/h)"


def test_a_character_that_no_font_has_is_told_once(tmp_path: Path) -> None:
    stored(tmp_path / "store", readings_of([10.0] * 10, name="Fresh \U0002fa1d\U0001fbfa"))  # hardly in any font
    with pytest.warns(UserWarning, match="boxes in the picture") as warned:
        plot_levels(gather(store=tmp_path / "store", made=MADE), tmp_path / "levels.png")
    assert len(warned) == 1


def test_no_level_is_minus_nothing() -> None:
    assert levels(-0.2, 29.2) == "0 → 29"
    assert levels(0.6, -0.04) == "0.6 → 0.0"


def test_outages_are_shaded_and_listed(tmp_path: Path) -> None:
    path = stored(tmp_path / "store", readings_of([50.0] * 2000))
    begin = START + timedelta(minutes=20)
    row = {"from": begin, "to": begin + timedelta(minutes=5), "why": "the adapter was gone", "channel": "can0"}
    canlevel.open_store(path).add_marks("outages", pa.Table.from_pylist([row | {"vessel": None}], schema=OUTAGES))
    page = Page(report_html(gather(store=path, made=MADE)))
    rows = page.tables["Outages, the latest first: gaps that are not the tanks'"]
    assert rows[1] == ["2026-05-01 08:20:00", "2026-05-01 08:25:00", "5 min", "the adapter was gone", "can0"]
    data = json.loads(next(script for attrs, script in page.scripts if attrs.get("type") == "application/json"))
    assert "BoxAnnotation" in json.dumps(data)


def test_gaps_that_no_logger_noted_are_told_as_nothing_heard(tmp_path: Path) -> None:
    """A store filled from recordings: an hour between two of them, and a tank that stayed away for longer."""
    hour_us = 3_600_000_000
    fresh, fuel = {"tank": "nmea2000.fresh_water.0"}, {"tank": "nmea2000.fuel.0", "name": "Fuel", "source": 42}
    path = stored(
        tmp_path / "store",
        readings_of([50.0] * 400, **fresh),
        readings_of([50.0] * 400, begin_us=START_US + hour_us, **fresh),
        readings_of([50.0] * 400, begin_us=START_US + 2 * hour_us, **fresh),
        readings_of([60.0] * 400, **fuel),
        readings_of([60.0] * 400, begin_us=START_US + 2 * hour_us, **fuel),
    )
    row = {
        "from": START + timedelta(seconds=998),
        "to": START + timedelta(hours=1),
        "why": "switched off",
        "channel": "can0",
    }
    canlevel.open_store(path).add_marks("outages", pa.Table.from_pylist([row | {"vessel": None}], schema=OUTAGES))
    report = gather(store=path, made=MADE)
    second = START_US + hour_us + 997_500_000, START_US + 2 * hour_us
    assert report.silences == (second,)  # the first hour is the logger's own
    gaps = {one.tank: one.gaps for one in report.tanks}
    # Of the fuel tank the time in which the fresh one was heard, too.
    assert gaps == {"nmea2000.fresh_water.0": (second,), "nmea2000.fuel.0": ((START_US + hour_us, second[1]),)}
    assert [shaded(one, report) for one in report.tanks] == [
        ([(START_US + 998_000_000, START_US + hour_us)], list(gaps[one.tank])) for one in report.tanks
    ]
    page = Page(report_html(report))
    told = page.tables["Times without a reading, the latest first, of which nobody noted why"]
    assert [(row[0][11:], row[1][11:], row[3]) for row in told[1:]] == [
        ("09:16:37", "10:00:00", "any tank"),
        ("09:00:00", "10:00:00", "Fuel"),
    ]
    numbers = [row for caption, rows in page.tables.items() if caption.startswith("Levels in steps") for row in rows]
    assert [row for row in numbers if "nothing heard" in row[-1]] == [
        ["2026-05-01 09:16", "nothing heard until 2026-05-01 10:00 (43 min)"],
        ["2026-05-01 09:00", "nothing heard until 2026-05-01 10:00 (60 min)"],
    ]
    assert page.text.count("outage, noted by the logger") == 2
    plot_levels(report, tmp_path / "levels.svg")
    assert "UTC   dark: an outage, noted by the logger   light: nothing heard" in (tmp_path / "levels.svg").read_text()


def test_each_tank_says_whose_it_is_where_there_are_two_vessels(tmp_path: Path) -> None:
    def of(vessel: str, level: float) -> pa.Table:
        readings = readings_of([level] * 200 + [level + i / 10 for i in range(300)])
        at = readings.schema.get_field_index("vessel")
        column = dictionary_column(np.zeros(len(readings), np.int64), [vessel])
        return readings.set_column(at, READINGS.field("vessel"), column)

    path = stored(tmp_path / "store", of("Harbour workboat", 10.0), of("Clinic <coach>", 40.0))
    report = gather(store=path, made=MADE)
    page = Page(report_html(report))
    both = ["Fresh water of Clinic <coach>", "Fresh water of Harbour workboat"]
    assert [row[0] for row in page.tables["Tanks as last heard"][1:]] == both
    assert {row[2] for row in page.tables["Fills and drains, the latest first"][1:]} == {
        "Clinic <coach>",
        "Harbour workboat",
    }
    assert page.tables["Use by day (UTC), L"][0][1:] == both
    assert [row[0] for row in page.tables["Slow losses and gains in quiet hours"][1:]] == both
    plot_levels(report, tmp_path / "levels.svg")
    assert "Fresh water of Harbour workboat" in (tmp_path / "levels.svg").read_text()
    # A roster's limits are those of its own vessel.
    roster = Roster("Harbour workboat", (TankEntry("Water", "fresh_water", 0, low_pct=90),))
    told = gather(store=path, roster=roster, made=MADE).tanks
    assert [(one.vessel, [alarm.kind for alarm in one.alarms]) for one in told] == [
        ("Clinic <coach>", []),
        ("Harbour workboat", ["low_pct"]),
    ]
    alone = gather(store=stored(tmp_path / "one", of("Harbour workboat", 10.0)), made=MADE)
    assert [row[0] for row in Page(report_html(alone)).tables["Tanks as last heard"][1:]] == ["Fresh water"]


@pytest.mark.parametrize(("stored_as", "shown"), [(None, "Barge"), ("Harbour workboat", "Barge")])
def test_a_roster_names_the_vessel_of_a_history(stored_as: str | None, shown: str, tmp_path: Path) -> None:
    """Logged without a roster, reported with one: so begin most."""
    store = create_store(tmp_path / "store", vessel=stored_as)
    with store.writing() as writer:
        readings = readings_of([50.0 + i / 20 for i in range(400)], name=None)
        at = readings.schema.get_field_index("vessel")
        column = dictionary_column(np.zeros(len(readings), np.int64), [stored_as])
        writer.append(readings.set_column(at, READINGS.field("vessel"), column))
    roster = Roster(shown, (TankEntry("Water", "fresh_water", 0, capacity_l=400.0),))
    report = gather(store=tmp_path / "store", roster=roster, made=MADE)
    assert report.vessels == (shown,)
    (tank,) = report.tanks
    assert (tank.vessel, tank.name, len(tank.flows), tank.overview["capacity_l"]) == (shown, "Water", 1, 400.0)
    assert {flow["vessel"] for flow in report.flows.to_pylist()} == {shown}


def test_one_reading_is_no_good_news(tmp_path: Path) -> None:
    path = stored(tmp_path / "store", readings_of([50.0]))
    told = headlines(gather(store=path, made=MADE))
    assert "good" not in {one.grade for one in told}
    assert "Fresh water: 1 reading, too little to judge" in {one.text for one in told}
    path = stored(tmp_path / "two", readings_of([50.0]), readings_of([60.0] * 50, tank="nmea2000.fuel.0", name="Fuel"))
    assert headlines(gather(store=path, made=MADE))[0].text == "no crossed limit or leak was found in 1 tank"


def test_a_recording_and_a_store_together(tmp_path: Path) -> None:
    """Findings and devices of the recording, all else of the store."""
    store = stored(tmp_path / "store", readings_of([50.0] * 100, name="From the store"))
    report = canlevel.report(CAPTURES / "workboat.log.gz", tmp_path / "report.html", store=store)
    assert [one.name for one in report.tanks] == ["From the store"]
    assert report.explanation is not None
    page = Page((tmp_path / "report.html").read_text())
    assert len(page.tables["Devices on the bus, by source address"]) == 4


def test_a_recording_without_dates_wants_a_start(tmp_path: Path) -> None:
    log = tmp_path / "zero.log"
    log.write_text("".join(f"({i}.000000) can0 19F21123#00D430D0070000FF\n" for i in range(60)))
    with pytest.raises(CaptureError) as caught:
        canlevel.report(log, tmp_path / "report.html")
    assert "--start" in (caught.value.next_step or "")
    report = canlevel.report(log, tmp_path / "report.html", start="2026-05-01T08:00Z")
    assert report.begin_us == START_US


def test_an_empty_recording_is_a_finding(tmp_path: Path) -> None:
    (tmp_path / "empty.log").write_text("")
    canlevel.report(tmp_path / "empty.log", tmp_path / "report.html")
    page = Page((tmp_path / "report.html").read_text())
    assert "no-traffic" in page.text


def test_overlapping_recordings_count_once(tmp_path: Path) -> None:
    capture = simulate(
        [Tank("nmea2000", "fresh_water", 0, 35, 200, 100, flows=(Flow(300, -6.0, 30),))],
        start=START, seconds=1200, seed=3,
    ).text().splitlines(keepends=True)  # fmt: skip
    (tmp_path / "a.log").write_text("".join(capture[:700]))
    (tmp_path / "b.log").write_text("".join(capture[300:]))
    (tmp_path / "all.log").write_text("".join(capture))
    both = canlevel.report([tmp_path / "a.log", tmp_path / "b.log"], tmp_path / "r.html")
    whole = canlevel.report(tmp_path / "all.log", tmp_path / "r.html")
    assert both.tanks[0].readings == whole.tanks[0].readings
    assert both.flows.to_pylist() == whole.flows.to_pylist()


def test_use_across_midnight_is_shared_out(tmp_path: Path) -> None:
    midnight = START_US + 16 * 3_600_000_000
    levels = [80.0] * 700 + list(np.linspace(80, 40, 720)) + [40.0] * 700
    table = readings_of(levels, begin_us=midnight - 1060 * 2_500_000)
    stored(tmp_path / "store", table)
    first, second = gather(store=tmp_path / "store", made=MADE).tanks[0].days
    assert first.out == pytest.approx(40, rel=0.1)  # 80 L in half an hour, half of it before midnight
    assert first.out + second.out == pytest.approx(80, rel=0.05)
    assert first.out == pytest.approx(second.out, rel=0.1)


# ---- proofs ----


def proof(**changes: object) -> dict[str, object]:
    item = {
        "item": "rises", "title": "rises when filled", "result": "ok", "sentence": "rose by 40 %",
        "measured": 40.0, "low": 39.0, "high": 41.0, "unit": "%", "limit": "at least 2 steps",
    }  # fmt: skip
    tank = {
        "tank": "nmea2000.fuel.0",
        "name": HOSTILE,
        "verdict": "not proved",
        "reasons": ["it fell"],
        "items": [item],
    }
    return {"format": "canlevel proof", "format_version": 1, "vessel": "Boat", "tanks": [tank], **changes}


def test_a_proof_is_told(tmp_path: Path) -> None:
    (tmp_path / "proof.json").write_text(json.dumps(proof()))
    stored(tmp_path / "store", readings_of([50.0] * 20))
    report = gather(store=tmp_path / "store", proofs=[load_proof(tmp_path / "proof.json")], made=MADE)
    page = Page(report_html(report))
    assert page.tables["Questions, answers and limits"][1][:4] == [
        "rises when filled", "ok", "40.0 % (39.0 to 41.0)", "at least 2 steps"]  # fmt: skip
    # A rate in the page's unit (1 US gallon is 3.785411784 L, NIST SP 811), and one of which only the limits are known.
    item = {
        "item": "speed",
        "result": "ok",
        "unit": "L/min",
        "measured": 7.570823568,
        "low": 3.785411784,
        "high": 11.356235352,
    }
    counted = {"item": "one_device", "result": "ok", "unit": "devices", "measured": 1.0}
    items = [item, item | {"unit": "s", "measured": None}, counted]
    tank = {"tank": "nmea2000.fuel.0", "verdict": "proved", "items": items}
    (tmp_path / "speed.json").write_text(json.dumps(proof(tanks=[tank])))
    (proved,) = load_proof(tmp_path / "speed.json").tanks
    told = [one.figure(VolumeUnit.US_GALLON) for one in proved.items]
    assert told == ["2.0 US gal/min (1.0 to 3.0)", "3.8 to 11.4 s", "1 device"]
    assert [one.text for one in headlines(report) if one.word == "Proof"] == [f"{HOSTILE}: not proved"]
    assert len(page.scripts) == 3


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "no JSON"),
        ("[]", "is no proof"),
        ('{"format": "canlevel proof", "format_version": 2}', "format_version"),
        (json.dumps(proof(tanks={})), "tanks is no list"),
        (json.dumps(proof(tanks=[5])), "tanks[0] is no object"),
        (json.dumps(proof(tanks=[{"tank": "a", "verdict": "maybe"}])), "tanks[0].verdict"),
        (
            json.dumps(proof(tanks=[{"tank": "a", "verdict": "proved", "items": [{"result": 5}]}])),
            "tanks[0].items[0].result",
        ),
        (json.dumps(proof(vessel=["x"])), "vessel is no text"),
        ("[" * 100_000, "no JSON"),
        (json.dumps(proof()).replace("40.0", "1e999"), "measured is no number"),
        (json.dumps(proof()).replace("40.0", "true"), "measured is no number"),
        ("\x00\xff", "no JSON"),
    ],
)
def test_what_is_no_proof_is_refused_with_its_place(tmp_path: Path, text: str, told: str) -> None:
    (tmp_path / "proof.json").write_text(text)
    with pytest.raises(QueryError) as caught:
        load_proof(tmp_path / "proof.json")
    assert told in str(caught.value)
    assert caught.value.where is not None
    assert caught.value.where.file.endswith("proof.json")


# ---- files ----


def test_a_file_is_replaced_whole(tmp_path: Path) -> None:
    target = tmp_path / "report.html"
    target.write_text("old")
    write_file(target, b"new")
    assert target.read_bytes() == b"new"
    assert [one.name for one in tmp_path.iterdir()] == ["report.html"]
    for wrong in (tmp_path, tmp_path / "nowhere" / "report.html"):
        with pytest.raises(CanlevelError) as caught:
            write_file(wrong, b"x")
        assert caught.value.next_step


def test_pictures_are_of_their_kind(tmp_path: Path) -> None:
    source = CAPTURES / "clinic-coach.log.gz"
    canlevel.plot(source, tmp_path / "levels.svg", roster=CAPTURES / "clinic-coach.toml")
    canlevel.plot(source, tmp_path / "levels.PNG", tank="rvc.fresh_water.0")
    svg = (tmp_path / "levels.svg").read_text()
    assert svg.startswith("<?xml")
    assert "Fresh water" in svg
    assert (tmp_path / "levels.PNG").read_bytes().startswith(b"\x89PNG\r\n\x1a\n")
    with pytest.raises(QueryError, match=r"svg or \.png"):
        canlevel.plot(source, tmp_path / "levels.gif")
    with pytest.raises(QueryError, match="no tank"):
        canlevel.plot(source, tmp_path / "levels.svg", tank="rvc.fresh_water.9")


def test_a_picture_says_what_it_is_to_those_who_cannot_see_it(tmp_path: Path) -> None:
    """A name and a description (WAI-ARIA 1.2, role img; SVG 2, title and desc), and a panel without a level says so."""
    path = stored(
        tmp_path / "store",
        readings_of([50.0] * 20 + [30.0] * 20, name='Bow <1> & "co"'),
        readings_of([None] * 40, tank="nmea2000.fuel.0", name="Fuel", source=42),
    )
    plot_levels(gather(store=path, made=MADE), tmp_path / "levels.svg")
    root = ElementTree.parse(tmp_path / "levels.svg").getroot()
    svg = "{http://www.w3.org/2000/svg}"
    assert root.attrib["role"] == "img"
    title = root.findtext(f"{svg}title")
    assert (
        title
        == root.attrib["aria-label"]
        == "Tank levels of Harbour workboat, 2026-05-01 08:00 to 2026-05-01 08:01 UTC"
    )
    told = root.findtext(f"{svg}desc")
    assert told is not None
    assert 'Bow <1> & "co": from 50.0 to 30.0 %, between 30.0 and 50.0 %' in told
    assert "Fuel: no level was told" in told
    assert "no level was told (not available)" in [element.text for element in root.iter(f"{svg}text")]


def test_the_commands(tmp_path: Path, canlevel: Callable[..., Result]) -> None:
    source, roster = str(CAPTURES / "workboat.log.gz"), str(CAPTURES / "workboat.toml")
    out = str(tmp_path / "report.html")
    code, told, _ = canlevel("report", source, "--roster", roster, "-o", out, "--units", "us-gallon")
    assert code == 0
    assert "5 tanks, 21,600 readings" in told
    assert "US gal/min" in Path(out).read_text()
    assert canlevel("plot", source, "-o", tmp_path / "levels.svg")[0] == 0
    for words, sentence in (
        (["report", "-o", out], "give a SOURCE, --store, or both"),
        (["report", source, "-o", tmp_path], "is a folder"),
        (["report", source, "-o", tmp_path / "a" / "b.html"], "its folder is not there"),
        (["report", source, "-o", out, "--since", "2026-05-02", "--until", "2026-05-01"], "--since is not before"),
        (["report", "--store", tmp_path / "none", "-o", out], "no such store"),
        (["report", source, "--proof", source, "-o", out], "no JSON"),
        (["plot", source, "--store", "x", "-o", tmp_path / "levels.svg"], "not both"),
        (["plot", source, "-o", tmp_path / "levels.pdf"], "svg or .png"),
    ):
        code, _, errors = canlevel(*words)
        assert code == 2
        assert sentence in errors


def test_a_page_stays_within_bounds(tmp_path: Path) -> None:
    """However much is in it: levels that scatter, in sixty tanks, half a million readings."""
    rng = np.random.default_rng(5)
    tables = [
        readings_of(rng.normal(50, 3, 8000).tolist(), tank=f"nmea2000.fuel.{n % 16}", source=n, name=None)
        for n in range(60)
    ]
    stored(tmp_path / "store", *tables)
    report = gather(store=tmp_path / "store", made=MADE)
    assert sum(len(tank.points) for tank in report.tanks) <= MOST_POINTS
    assert len(report_html(report)) < 12_000_000
