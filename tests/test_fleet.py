"""Many stores: what one process, one store and a cluster say is the same, and a broken store stops none of the others."""

from __future__ import annotations

import json
import os
import shutil
import signal
import sys
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from test_leaks import tank_readings

import canlevel
from canlevel import history
from canlevel.derivation.flows import derive_flows
from canlevel.errors import QueryError, StoreWarning
from canlevel.fleet import FleetResult, Progress
from canlevel.fleet.engine import done_by
from canlevel.storage.reader import StoreReader, find_stores
from canlevel.storage.store import Store, create_store, open_store
from canlevel.tables import FLOWS

THURSDAY = datetime(
    2026, 5, 7, tzinfo=UTC
)  # when a week begins; readings of tank_readings begin on 2026-05-01 at 08:00
HOUR_US = 3_600_000_000
# Fills and drains in litres; some reach over the end of a week (after 136 h) or a day.
DAYS = {
    "few": ([0, 4, 4.2, 30, 30.3, 40], [160, 160, 120, 120, 180, 180]),
    "week": ([0, 60, 60.5, 135.8, 136.2, 200], [160, 160, 140, 140, 100, 100]),
    "night": ([0, 15.9, 16.1, 30], [60, 60, 150, 150]),
}


def vessel(path: Path, *kinds: str, stored: bool = True, seed: int = 1) -> Store:
    """A store with a tank for each kind of DAYS; stored: with its flows brought up to date."""
    store = create_store(path, vessel=path.name)
    tables = [
        tank_readings(*DAYS[kind], step_pct=0.4, period_s=20, instance=number, seed=seed + number, vessel=path.name)
        for number, kind in enumerate(kinds)
    ]
    with store.writing() as writer:
        writer.append(pa.concat_tables(tables).sort_by("time"))
    if stored:
        history.bring_flows_up_to_date(store)
    return store


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three whole stores: one with flows, two without."""
    folder = tmp_path_factory.mktemp("fleet")
    vessel(folder / "anna", "few", "week", "night")
    vessel(folder / "bella", "night", "few", stored=False, seed=5)
    vessel(folder / "clara", "week", stored=False, seed=9)
    return folder


def rows(result: FleetResult) -> list[dict[str, Any]]:
    return list(result.table().to_pylist())


def key(flow: dict[str, Any]) -> tuple[Any, ...]:
    return flow["start"], flow["tank"], flow["source_address"]


# --- The law: as one store says it ------------------------------------------------------------------------------------


def test_flows_are_those_of_each_store_row_by_row(fleet: Path, tmp_path: Path) -> None:
    result = canlevel.fleet.flows(fleet)
    assert (result.stores, len(result.failures)) == (3, 0)
    expected = []
    for name in ("anna", "bella", "clara"):
        shutil.copytree(fleet / name, tmp_path / name)  # stored_flows writes into the store
        store = open_store(tmp_path / name)
        flows = sorted(history.stored_flows(store).to_pylist(), key=key)
        assert len(flows) >= 2
        expected += [{"store": str(fleet / name), **flow} for flow in flows]
    assert rows(result) == expected
    assert result.frame().equals(canlevel.fleet.flows(str(fleet / "*")).frame())
    assert result.rows == len(expected)


@pytest.mark.parametrize("stored", [True, False])
@pytest.mark.parametrize(
    ("since", "until"),
    [
        ("2026-05-02", None),
        (None, "2026-05-02"),
        ("2026-05-01T23:55Z", "2026-05-02T00:01Z"),  # in the midst of a flow
        ("2026-05-06T12:00Z", "2026-05-08"),  # about the end of a week
        ("2027-01-01", None),
    ],
)
def test_flows_of_a_span_are_those_of_the_store(
    fleet: Path, tmp_path: Path, since: str | None, until: str | None, stored: bool
) -> None:
    store = open_store(shutil.copytree(fleet / ("anna" if stored else "bella"), tmp_path / "one"))
    found = canlevel.fleet.flows(store.path, since=since, until=until).table().drop_columns(["store"])
    expected = history.stored_flows(store, since=since, until=until)
    assert found.to_pylist() == sorted(expected.to_pylist(), key=key)


def test_a_tank_by_itself_has_the_flows_it_has_beside_others() -> None:
    """The law that tanks may be mapped one by one, as one process never holds more than one of them."""
    tables = [tank_readings(*DAYS[kind], step_pct=step, noise_pct=noise, period_s=20, instance=number, seed=number)
              for number, (kind, step, noise) in enumerate(zip(DAYS, (0.4, 2.8, 0.004), (0, 0, 0.2), strict=True))]  # fmt: skip
    whole = derive_flows(pa.concat_tables(tables).sort_by("time"))
    parts = pa.concat_tables([derive_flows(table) for table in tables])
    assert len(whole) >= 4
    assert whole.to_pylist() == sorted(parts.to_pylist(), key=key)


def test_stored_flows_are_taken_only_where_they_are_those_of_the_readings(
    fleet: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = open_store(shutil.copytree(fleet / "anna", tmp_path / "one"))
    before = rows(canlevel.fleet.flows(store.path))
    seen: list[int] = []
    real = history.derive_flows
    monkeypatch.setattr(history, "derive_flows", lambda readings: seen.append(len(readings)) or real(readings))
    assert rows(canlevel.fleet.flows(store.path)) == before
    assert seen == []
    # A day grows: the weeks that it touches are derived, and nothing is written into the store.
    listed = sorted(file.name for file in store.path.rglob("*"))
    more = tank_readings([110, 118], [50, 90], step_pct=0.4, period_s=20, instance=7)
    with store.writing() as writer:
        writer.append(more)
    grown = sorted(file.name for file in store.path.rglob("*"))
    found = rows(canlevel.fleet.flows(store.path))
    assert seen
    assert sorted(file.name for file in store.path.rglob("*")) == grown != listed
    assert {flow["tank"] for flow in found} == {*(flow["tank"] for flow in before), "nmea2000.fresh_water.7"}
    monkeypatch.setattr(history, "METHOD", history.METHOD + 1)
    seen.clear()
    assert rows(canlevel.fleet.flows(store.path)) == found
    assert len(seen) >= 4
    # A damaged part of flows costs nothing but time.
    monkeypatch.undo()
    history.bring_flows_up_to_date(store)
    part = sorted((store.path / "flows").rglob("*.parquet"))[0]
    part.write_bytes(part.read_bytes()[:-40])
    result = canlevel.fleet.flows(store.path)
    assert rows(result) == found
    assert len(result.failures) == 0


# --- Broken stores ------------------------------------------------------------------------------------------------------


def no_marker(store: Path) -> None:
    (store / "canlevel-store.json").unlink()


def newer(store: Path) -> None:
    (store / "canlevel-store.json").write_text('{"format_version": 2}')


def no_version(store: Path) -> None:
    (store / "canlevel-store.json").write_text('["a list"]')


def changing(store: Path) -> None:
    (store / "change.json").write_text('{"add": [], "remove": []}')


def damaged_part(store: Path) -> None:
    part = sorted((store / "readings").rglob("*.parquet"))[0]
    content = bytearray(part.read_bytes())
    content[len(content) // 2] ^= 1
    part.write_bytes(content)


def no_parquet(store: Path) -> None:
    (store / "readings" / "date=2026-05-01" / "notes.parquet").write_text("no Parquet")


BROKEN = {
    no_marker: "is no store",
    newer: "has format version 2; this canlevel knows 1",
    no_version: "is damaged: it does not tell its format version",
    changing: "in the midst of a change",
    damaged_part: "a bit of it has changed",
    no_parquet: "it is left out",
}


@pytest.mark.parametrize("broken", BROKEN, ids=lambda function: function.__name__)
def test_a_broken_store_is_named_and_stops_no_other(fleet: Path, tmp_path: Path, broken: Any) -> None:
    shutil.copytree(fleet / "anna", tmp_path / "a")
    shutil.copytree(fleet / "clara", tmp_path / "c")
    whole = rows(canlevel.fleet.flows([tmp_path / "a", tmp_path / "c"]))
    shutil.copytree(fleet / "bella", tmp_path / "b")
    broken(tmp_path / "b")
    result = canlevel.fleet.flows(tmp_path)
    assert [row for row in rows(result) if row["store"] != str(tmp_path / "b")] == whole
    (failure,) = result.failures.to_dict("records")
    assert failure["store"] == str(tmp_path / "b")
    assert BROKEN[broken] in failure["why"]
    assert pd.isna(failure["traceback"])
    assert result.stores == 3
    if broken in (damaged_part, no_parquet):
        # The rest of the store counts, as it does for whoever opens the store.
        with pytest.warns(StoreWarning):
            expected = derive_flows(open_store(tmp_path / "b").to_arrow())
        assert failure["file"].startswith("readings/date=2026-05-01/")
        found = [row for row in rows(result) if row["store"] == str(tmp_path / "b")]
        assert len(found) == len(expected) > 0


def test_what_else_may_be_wrong_is_named_too(fleet: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    create_store(tmp_path / "empty", vessel="nobody")
    (tmp_path / "file").write_text("no folder")
    vessel(tmp_path / "faulty", "night", stored=False)
    (tmp_path / "faulty" / "readings" / "date=soon").mkdir()
    (tmp_path / "faulty" / "journal").mkdir()
    (tmp_path / "faulty" / "journal" / "run").write_text("")
    stores = [tmp_path / name for name in ("empty", "file", "faulty", "nowhere")]
    result = canlevel.fleet.flows([*stores, fleet / "clara"])
    assert {Path(row["store"]).name: row["why"] for row in result.failures.to_dict("records")} == {
        "file": "is no store",
        "nowhere": "no such store",
    }
    assert result.journals == [str(tmp_path / "faulty")]
    assert {Path(row["store"]).name for row in rows(result)} == {"faulty", "clara"}

    real = history.derive_flows

    def fails(readings: pa.Table) -> pa.Table:
        if readings.column("vessel")[0].as_py() == "faulty":
            raise ZeroDivisionError("a fault of ours")
        return real(readings)

    monkeypatch.setattr(history, "derive_flows", fails)
    result = canlevel.fleet.flows([tmp_path / "faulty", fleet / "clara"])
    (failure,) = result.failures.to_dict("records")
    assert failure["why"] == "could not be worked out (ZeroDivisionError: a fault of ours)"
    assert "in fails" in failure["traceback"]
    assert {Path(row["store"]).name for row in rows(result)} == {"clara"}


def test_a_folder_that_may_not_be_read_is_no_empty_one(fleet: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from fsspec.implementations.local import LocalFileSystem

    real = LocalFileSystem.ls

    def refuse(self: LocalFileSystem, path: str, detail: bool = False, **more: Any) -> Any:
        if str(path).endswith("bella/readings/date=2026-05-02"):
            raise PermissionError(13, "Permission denied", str(path))
        return real(self, path, detail=detail, **more)

    monkeypatch.setattr(LocalFileSystem, "ls", refuse)
    result = canlevel.fleet.flows(fleet)
    (failure,) = result.failures.to_dict("records")
    assert (Path(failure["store"]).name, failure["why"]) == ("bella", "cannot be read (Permission denied)")
    assert {Path(row["store"]).name for row in rows(result)} == {"anna", "clara"}


def test_parts_that_are_merged_meanwhile_are_looked_for_again(fleet: Path, tmp_path: Path) -> None:
    store = open_store(shutil.copytree(fleet / "bella", tmp_path / "one"))
    reader = StoreReader(str(store.path))
    expected = rows(canlevel.fleet.flows(store.path))
    canlevel.tidy(store.path)
    assert len(reader.hold(reader.days())) == 2
    assert sum(len(reader.day(day, ["time"])) for day in reader.days()) == len(store.to_arrow())
    assert rows(canlevel.fleet.flows(store.path)) == expected


# --- Where stores are, and where the result goes -----------------------------------------------------------------------


@pytest.fixture
def in_memory(fleet: Path) -> Iterator[str]:
    """The fleet in fsspec's file system in memory, which has no folders of its own and no renames, as object stores."""
    import fsspec

    memory = fsspec.filesystem("memory")
    memory.store.clear()
    memory.pseudo_dirs[:] = [""]
    for file in fleet.rglob("*"):
        if file.is_file():
            memory.pipe_file(f"/fleet/{file.relative_to(fleet)}", file.read_bytes())
    yield "memory://fleet"
    memory.store.clear()


def test_an_object_store_says_what_the_disk_says(fleet: Path, in_memory: str) -> None:
    here, there = (canlevel.fleet.flows(paths).table() for paths in (fleet, f"{in_memory}/*"))
    assert there.drop_columns(["store"]).to_pylist() == here.drop_columns(["store"]).to_pylist()
    assert set(there.column("store").to_pylist()) == {f"memory:///fleet/{name}" for name in ("anna", "bella", "clara")}
    assert find_stores(in_memory) == find_stores(f"{in_memory}/*")
    result = canlevel.fleet.daily(in_memory, to="memory://results/daily")
    assert result.path == "memory:///results/daily"
    expected = canlevel.fleet.daily(fleet).table()
    assert result.table().drop_columns(["store"]).to_pylist() == expected.drop_columns(["store"]).to_pylist()


def test_a_result_is_parquet_by_month_that_any_reader_opens(fleet: Path, tmp_path: Path) -> None:
    vessel(tmp_path / "june" / "dora", "few")
    for part in list((tmp_path / "june").rglob("*.parquet")):
        assert pq.ParquetFile(part).metadata.num_rows
    stores = [fleet, tmp_path / "june" / "dora"]
    whole = canlevel.fleet.flows(stores)
    result = canlevel.fleet.flows(stores, to=tmp_path / "result")
    assert result.frame().equals(whole.frame())
    assert result.files == ("month=2026-05/stores-00000-of-00001.parquet",)
    plain = pd.read_parquet(tmp_path / "result")
    assert len(plain) == whole.rows
    assert set(plain["month"].astype(str)) == {"2026-05"}
    assert list(plain.columns) == ["store", *FLOWS.names, "month"]
    note = json.loads((tmp_path / "result" / "_canlevel-fleet.json").read_text())
    assert (note["finished"], note["stores"], note["rows"], note["failures"]) == (True, 4, whole.rows, [])


def test_a_result_written_again_is_the_same_and_leaves_nothing_behind(fleet: Path, tmp_path: Path) -> None:
    to = tmp_path / "result"
    canlevel.fleet.flows(fleet, to=to)
    before = {file.relative_to(to): file.read_bytes() for file in to.rglob("*") if file.is_file()}
    stale = to / "month=2025-01" / "stores-00000-of-00002.parquet"  # of an earlier, larger fleet
    stale.parent.mkdir()
    shutil.copy(to / "month=2026-05" / "stores-00000-of-00001.parquet", stale)
    canlevel.fleet.flows(fleet, to=to)
    assert {file.relative_to(to): file.read_bytes() for file in to.rglob("*") if file.is_file()} == before
    with pytest.raises(QueryError, match="holds the answer to another question"):
        canlevel.fleet.flows(fleet, to=to, since="2026-05-02")
    with pytest.raises(QueryError, match="holds other things"):
        canlevel.fleet.flows(fleet, to=fleet)


def test_groups_of_stores_have_files_of_their_own(fleet: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from canlevel.fleet import questions

    whole = canlevel.fleet.flows(fleet).frame()
    monkeypatch.setattr(questions, "STORES_OF_A_FILE", 1)
    result = canlevel.fleet.flows(fleet, to=tmp_path / "result")
    assert len(result.files) >= 2
    assert all(name.endswith("-of-00004.parquet") for name in result.files)
    assert result.frame().equals(whole)
    assert canlevel.fleet.flows(fleet).frame().equals(whole)


def test_questions_that_cannot_be_asked(fleet: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for paths, words in (
        ([], "no path of a store was given"),
        (tmp_path / "nowhere", "is not there"),
        (f"{tmp_path}/no*", "no folder is there"),
        ("nonsense://x/*", "cannot be reached"),
    ):
        with pytest.raises(QueryError, match=words):
            canlevel.fleet.flows(paths)
    with pytest.raises(QueryError, match="since is not before until"):
        canlevel.fleet.flows(fleet, since="2026-05-02", until="2026-05-01")
    with pytest.raises(QueryError, match="client is no distributed\\.Client, but str"):
        canlevel.fleet.flows(fleet, client="tcp://scheduler:8786")  # type: ignore[arg-type]
    for missing, more in (("distributed", {"client": object()}), ("fsspec.core", {})):
        with monkeypatch.context() as without:
            without.setitem(sys.modules, missing, None)
            with pytest.raises(QueryError, match="is not installed") as caught:
                canlevel.fleet.flows(fleet, **more)
        assert "pip install 'canlevel[fleet]'" in (caught.value.next_step or "")


def test_progress_is_told_after_every_store(fleet: Path) -> None:
    told: list[Progress] = []
    canlevel.fleet.flows(fleet, progress=told.append)
    assert [(one.done, one.stores) for one in told] == [(1, 3), (2, 3), (3, 3)]
    assert str(told[-1]) == "3 of 3 stores, 0 with failures"
    assert str(Progress(100, 1000, 2, 10.0)) == "100 of 1,000 stores, 2 with failures, 90 s left"


# --- A cluster ----------------------------------------------------------------------------------------------------------


@pytest.fixture
def client() -> Iterator[Any]:
    """Two workers, each a process."""
    from distributed import Client, LocalCluster

    with (
        LocalCluster(n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None) as cluster,
        Client(cluster) as found,
    ):
        yield found


def test_a_worker_that_is_killed_in_the_middle_changes_nothing(fleet: Path, tmp_path: Path, client: Any) -> None:
    stores = []
    for number in range(12):
        name = ("anna", "bella", "clara")[number % 3]
        stores.append(shutil.copytree(fleet / name, tmp_path / "fleet" / f"{name}-{number}"))
        shutil.rmtree(stores[-1] / "flows", ignore_errors=True)
    newer(stores[5])
    alone = canlevel.fleet.flows(tmp_path / "fleet")
    killed: list[int] = []

    def kill(progress: Progress) -> None:
        if progress.done == 4:
            killed.extend(pid for pid in list(client.run(os.getpid).values())[:1])
            os.kill(killed[0], signal.SIGKILL)

    result = canlevel.fleet.flows(tmp_path / "fleet", client=client, to=tmp_path / "result", progress=kill)
    assert len(killed) == 1
    assert killed[0] not in client.run(os.getpid).values()
    assert result.frame().equals(alone.frame())
    assert alone.rows > 24
    assert len(pd.read_parquet(tmp_path / "result")) == alone.rows
    assert result.failed.equals(alone.failed)
    assert len(result.failures) == 1
    # And kept in memory, by whoever is left.
    for ask in (canlevel.fleet.flows, canlevel.fleet.daily, canlevel.fleet.findings):
        assert ask(stores[:4], client=client).table().equals(ask(stores[:4]).table())


def test_a_store_that_takes_its_workers_down_is_named(client: Any) -> None:
    def work(store: str) -> str:
        import os

        if store == "deadly":
            os._exit(1)
        return f"{store} done"

    scheduler = client.cluster.scheduler
    before, scheduler.allowed_failures = scheduler.allowed_failures, 0
    try:
        told: list[None] = []
        groups = [("one", ["a", "deadly", "b"]), ("two", ["c"])]
        done = done_by(
            client,
            groups,
            work,
            lambda name, answers: (name, answers),
            lambda store, why: f"{store} lost: {why}",
            lambda: told.append(None),
        )
        found = dict(done)
    finally:
        scheduler.allowed_failures = before
    assert len(told) == 4
    assert found["two"] == ["c done"]
    a, deadly, b = found["one"]
    assert (a, b) == ("a done", "b done")
    assert deadly == "deadly lost: the workers that had it died, each time: it may need more memory than they have"


# --- The plan -----------------------------------------------------------------------------------------------------------


def test_the_figures_in_the_plan_are_made_of_what_was_measured() -> None:
    """Written anew by: python tests/benchmark/fleet_season.py --write"""
    import importlib.util

    place = Path(__file__).parent / "benchmark" / "fleet_figures.py"
    told = importlib.util.spec_from_file_location("fleet_figures", place)
    assert told is not None
    assert told.loader is not None
    figures = importlib.util.module_from_spec(told)
    told.loader.exec_module(figures)
    text = (Path(__file__).parent.parent / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert figures.written(text) == text
    measured = json.loads(figures.FIGURES.read_text())
    # What the contract asks for: 10, 100 and 1,000 vehicles on one worker and on two.
    flows = {(one["vehicles"], one["workers"]) for one in measured["fleet"] if one["kind"] == "flows"}
    assert flows >= {(vehicles, workers) for vehicles in (10, 100, 1000) for workers in (1, 2)}
