"""The fault campaign: a store at work under SIGKILL, full disks, second writers, readers, and damaged files.

    python tests/campaign.py [--rounds 20] [--seed 1] [--only NAME …]

Each part prints what it tried and what it saw, and the exit code is 1 where something was lost, doubled or not told. The
pytest suite runs the same parts, smaller (tests/test_campaign.py); crashes and power cuts between any two calls are tried there
in full (tests/test_durable.py).
"""

from __future__ import annotations

import argparse
import contextlib
import os
import random
import signal
import subprocess
import sys
import tempfile
import threading
import time
import warnings
from collections.abc import Callable, Iterator
from pathlib import Path

import pandas as pd
from adapter import Adapter, WireFrame

import canlevel
from canlevel.simulate import candump_text, workboat

GUARD_S = 60.0
LEVEL_ONE = 2500  # raw level of the first frame; each has its own
MOST_RAW = 25_000
MOST_GROWTH_MB = 24.0


class FaultError(Exception):
    """What the campaign is there to find."""


def expect(condition: bool, words: str) -> None:
    """Raises FaultError with words where something is not as it must be."""
    if not condition:
        raise FaultError(words)


def program(*words: str | Path) -> subprocess.Popen[str]:
    """canlevel in a process of its own."""
    return subprocess.Popen(
        [sys.executable, "-m", "canlevel", *map(str, words)],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )


def until(condition: Callable[[], bool], what: str) -> None:
    """Wait for what must come."""
    give_up_s = time.monotonic() + GUARD_S
    while not condition():
        expect(time.monotonic() < give_up_s, f"waited in vain for {what}")
        time.sleep(0.005)


def all_sent(adapter: Adapter, frames: int) -> None:
    """Wait until an adapter has sent so many frames in all."""
    until(lambda: adapter.sent >= frames, "the frames to be sent")


def tank_frame(number: int) -> WireFrame:
    """PGN 127505 of a tank of 200 L whose level tells the number of the frame: 46 tanks, 22,500 levels each."""
    tank, level = divmod(number, MOST_RAW - LEVEL_ONE)
    fluid, instance = divmod(tank, 16)
    data = bytes([fluid << 4 | instance]) + (LEVEL_ONE + level).to_bytes(2, "little") + bytes.fromhex("D0070000FF")
    return WireFrame(0x19F21123, data)


def numbers_in(store: Path) -> list[int]:
    """The numbers of the frames whose readings a plain reader finds, in order."""
    frame = pd.read_parquet(store / "readings", columns=["tank", "level_pct"])
    fluids = ("fuel", "fresh_water", "grey_water")
    words = frame["tank"].astype(str).str.split(".", expand=True)
    tank = words[1].map(fluids.index).astype(int) * 16 + words[2].astype(int)
    level = (frame["level_pct"] / 0.004).round().astype(int) - LEVEL_ONE
    return sorted((tank * (MOST_RAW - LEVEL_ONE) + level).tolist())


def rows_of(store: Path) -> pd.DataFrame:
    """All readings of a store, in an order that does not depend on how they came in."""
    frame = canlevel.open_store(store).readings()
    words = frame.select_dtypes("category").columns
    return frame.astype(dict.fromkeys(words, object)).sort_values(["time", "tank"]).reset_index(drop=True)


def recording(path: Path, seconds: int) -> Path:
    """The workboat's bus for so long."""
    path.write_text(candump_text(workboat(seconds=seconds).frames))
    return path


def killed_imports(scratch: Path, draw: random.Random, rounds: int) -> str:
    """An import killed again and again and then run to its end equals one clean import."""
    source = scratch / "boat.log"
    text = candump_text(workboat().frames)
    source.write_text(text)
    clean, cut = scratch / "clean", scratch / "cut"
    began = time.monotonic()
    expect(program("log", source, "--store", clean).wait() == 0, "the clean import failed")
    whole_s = time.monotonic() - began
    killed = 0
    for _ in range(rounds):
        process = program("log", source, "--store", cut)
        time.sleep(draw.uniform(0.3, 1.0) * whole_s)
        process.kill()
        killed += process.wait() < 0
        process.communicate()
    expect(program("log", source, "--store", cut).wait() == 0, "the last import failed")
    expected, found = (rows_of(path) for path in (clean, cut))
    expect(found.equals(expected), f"{len(found):,} readings after kills, {len(expected):,} clean")
    return (
        f"{rounds} imports, {killed} of them killed before their end: equal to the clean one, {len(found):,} readings"
    )


def killed_logs(scratch: Path, draw: random.Random, rounds: int) -> str:
    """A logger on a serial adapter, killed at random: what was sent a second before is there, once."""
    store, sent_s, losses, lost = scratch / "history", [], [], 0
    with Adapter(frames_per_s=200.0) as adapter:
        for _ in range(rounds):
            process = program("log", f"slcan:{adapter.path},sleep_after_open=0", "--store", store)
            until(lambda: adapter.is_open, "the channel to be opened")
            begin_s = time.monotonic()
            end_s = begin_s + draw.uniform(0.5, 4.0)
            first = len(sent_s)
            while time.monotonic() < end_s:
                before = adapter.sent
                adapter.send([tank_frame(len(sent_s))])
                all_sent(adapter, before + 1)
                sent_s.append(time.monotonic())
            process.kill()
            killed_s = time.monotonic()
            process.communicate()
            adapter.is_open = False
            canlevel.open_store(store)
            there = set(numbers_in(store))
            gone = [number for number in range(first, len(sent_s)) if number not in there]
            lost += len(gone)
            losses.append(killed_s - sent_s[gone[0]] if gone else 0.0)
            # The same frames may never come in a second time.
    found = numbers_in(store)
    expect(len(found) == len(set(found)), "readings are doubled")
    expect(max(losses) <= 1.0, f"{max(losses):.2f} s were lost")
    return (
        f"{rounds} logs killed, {len(sent_s):,} frames sent, {lost} lost with the kills, none doubled; "
        f"the worst loss {max(losses):.2f} s, the middle one {sorted(losses)[len(losses) // 2]:.2f} s"
    )


def faulty_adapter(scratch: Path, draw: random.Random, rounds: int) -> str:
    """An adapter that is pulled out and comes back, sends garbage and half lines, killed loggers in between.

    Every frame that was read from the port is stored, once, and each time that the adapter was away is an outage.
    """
    store, port, sent, pulled, killed, garbage = scratch / "history", scratch / "adapter", 0, 0, 0, 0

    def start() -> subprocess.Popen[str]:
        before = adapter.openings
        process = program("log", f"slcan:{port},sleep_after_open=0", "--store", store)
        until(lambda: adapter.openings > before, "the channel to be opened")
        return process

    with Adapter(frames_per_s=400.0, port=port) as adapter:
        process = start()
        for _ in range(rounds):
            n = draw.randrange(1, 200)
            for number in range(sent, sent + n):
                adapter.send([tank_frame(number)])
                if draw.random() < 0.05:
                    adapter.send_raw(
                        draw.choice([b"\xff\xfe\x00\r", b"T19F2112\r", b"garbage\r", b"\a\r", b"T19F21\r\r"])
                    )
                    garbage += 1
            sent += n
            until(lambda: adapter.is_drained, "the frames to be read")
            time.sleep(1.0)
            fault = draw.choice(["pulled", "pulled", "killed", "none"])
            if fault == "pulled":
                adapter.unplug()
                time.sleep(draw.uniform(0.2, 2.0))
                before = adapter.openings
                adapter.replug()
                until(lambda before=before: adapter.openings > before, "the channel to be opened again")
                pulled += 1
            elif fault == "killed":
                process.kill()
                process.communicate()
                adapter.is_open = False
                killed += 1
                process = start()
        adapter.send([tank_frame(sent)])
        sent += 1
        until(lambda: adapter.is_drained, "the last frame to be read")
        time.sleep(1.0)
        process.send_signal(signal.SIGTERM)
        words = process.communicate(timeout=GUARD_S)[0]
    expect(process.returncode == 0, f"ended with {process.returncode}: {words}")
    expect("Traceback" not in words, words)
    found = numbers_in(store)
    expect(found == list(range(sent)), f"{sent} frames sent, {len(found)} stored, {len(set(found))} of them once")
    outages = canlevel.open_store(store).marks("outages").column("why").to_pylist()
    expect(outages.count("canlevel was not running") == killed, f"{killed} killed, {outages}")
    expect(len(outages) - killed == pulled, f"{pulled} times pulled out, {outages}")
    return (
        f"{rounds} rounds: adapter pulled out {pulled} times, {killed} loggers killed, {garbage} pieces of garbage: "
        f"{sent:,} frames sent, all stored, once; {len(outages)} outages told"
    )


def long_log(scratch: Path, _draw: random.Random, rounds: int) -> str:
    """A logger that hears 50,000 frames in each round, and an outage after them: all stored, once, and its memory stays flat.

    A round lasts longer than what a bus has to be heard before the pauses between openings begin anew (capture/lasting.py).
    """
    store, port, sent, memory_mb = scratch / "history", scratch / "adapter", 0, []
    with Adapter(frames_per_s=4_500.0, burst=50, port=port) as adapter:
        process = program("log", f"slcan:{port},sleep_after_open=0", "--store", store, "--quiet")
        until(lambda: adapter.is_open, "the channel to be opened")
        for _ in range(rounds):
            adapter.send([tank_frame(number) for number in range(sent, sent + 50_000)])
            sent += 50_000
            until(lambda: adapter.is_drained, "the frames to be read")
            time.sleep(0.3)
            before = adapter.openings
            adapter.unplug()
            adapter.replug()
            until(lambda before=before: adapter.openings > before, "the channel to be opened again")
            memory_mb.append(resident_mb(process.pid))
        process.send_signal(signal.SIGTERM)
        words = process.communicate(timeout=GUARD_S)[0]
    expect(process.returncode == 0 and "Traceback" not in words, words)
    found = numbers_in(store)
    expect(found == list(range(sent)), f"{sent:,} frames sent, {len(found):,} stored, {len(set(found)):,} of them once")
    settled_mb = memory_mb[len(memory_mb) // 4]
    expect(memory_mb[-1] - settled_mb < MOST_GROWTH_MB, f"memory grew from {settled_mb:.0f} to {memory_mb[-1]:.0f} MB")
    outages = len(canlevel.open_store(store).marks("outages"))
    return (
        f"{sent:,} frames, all stored, once; {rounds} times pulled out, {outages} outages told (the last may have had no "
        f"frame after it); {memory_mb[0]:.0f} MB after the first round, {settled_mb:.0f} after a quarter, "
        f"{memory_mb[-1]:.0f} at the end"
    )


def resident_mb(pid: int) -> float:
    """Memory that a process holds."""
    pages = int(Path(f"/proc/{pid}/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


@contextlib.contextmanager
def small_disk(scratch: Path, size: str) -> Iterator[Path | None]:
    """A disk of its own in memory, None where this user may not mount one."""
    disk = scratch / "disk"
    disk.mkdir()
    if subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", disk], capture_output=True).returncode:
        yield None
        return
    try:
        yield disk
    finally:
        subprocess.run(["umount", "-l", disk], check=True)


def full_disk(scratch: Path, draw: random.Random, rounds: int) -> str:
    """A disk that is full for a while: nothing stored is hurt, and what came meanwhile is stored once there is room."""
    with small_disk(scratch, "8m") as disk:
        if disk is None:
            return "not tried: this user may not mount a disk"
        store, ballast, sent = disk / "history", disk / "ballast", 0
        canlevel.log(recording(scratch / "boat.log", 60), store)
        old = len(pd.read_parquet(store / "readings"))
        with Adapter(frames_per_s=400.0) as adapter:
            process = program("log", f"slcan:{adapter.path},sleep_after_open=0", "--store", store, "--vessel", "x")
            until(lambda: adapter.is_open, "the channel to be opened")
            for _ in range(rounds):
                for full in (False, True, False):
                    if full:
                        with contextlib.suppress(OSError), ballast.open("wb") as file:
                            while True:
                                file.write(bytes(4096))
                                file.flush()
                    else:
                        ballast.unlink(missing_ok=True)
                    n = draw.randrange(50, 400)
                    adapter.send([tank_frame(number) for number in range(sent, sent + n)])
                    sent += n
                    all_sent(adapter, sent)
                    time.sleep(draw.uniform(0.0, 2.0))
            time.sleep(1.0)
            process.send_signal(signal.SIGTERM)
            words = process.communicate(timeout=GUARD_S)[0]
        expect(process.returncode == 0, f"ended with {process.returncode}: {words}")
        expect("No space left" in words, "the full disk was not told")
        expect("Traceback" not in words, words)
        frame = pd.read_parquet(store / "readings")
        live = frame[frame["time"] > frame["time"].max() - pd.Timedelta("1h")]
        expect(len(live) == sent, f"{sent} frames sent while the disk was full in between, {len(live)} stored")
        expect(len(frame) == old + sent, "older readings were hurt")
    return f"{rounds} times full and empty again: {sent:,} frames sent, {len(live):,} stored, none lost"


def vanished_disk(scratch: Path, _draw: random.Random, _rounds: int) -> str:
    """A mount that goes away: nothing is written into the empty folder below it, and the logger says so and goes on."""
    with small_disk(scratch, "8m") as disk:
        if disk is None:
            return "not tried: this user may not mount a disk"
        store = disk / "history"
        with Adapter(frames_per_s=400.0) as adapter:
            process = program("log", f"slcan:{adapter.path},sleep_after_open=0", "--store", store)
            until(lambda: adapter.is_open, "the channel to be opened")
            adapter.send([tank_frame(number) for number in range(200)])
            all_sent(adapter, 200)
            time.sleep(1.5)
            subprocess.run(["umount", "-l", disk], check=True)
            adapter.send([tank_frame(number) for number in range(200, 400)])
            all_sent(adapter, 400)
            time.sleep(1.0)
            process.send_signal(signal.SIGTERM)
            words = process.communicate(timeout=GUARD_S)[0]
        expect(process.returncode == 2, f"ended with {process.returncode}: {words}")
        expect("Traceback" not in words, words)
        expect(not any(disk.iterdir()), "something was written below the mount")
        subprocess.run(["mount", "-t", "tmpfs", "tmpfs", disk], check=True)
    return "the mount went away while logging: told, exit code 2, nothing written below it"


def two_writers(scratch: Path, _draw: random.Random, rounds: int) -> str:
    """A second writer is told who holds the store; the lock of a killed one is free at once."""
    store = scratch / "history"
    with Adapter(chatter=tank_frame(0)) as adapter:
        for _ in range(rounds):
            holder = program("log", f"slcan:{adapter.path},sleep_after_open=0", "--store", store)
            until(lambda: adapter.is_open, "the channel to be opened")
            until(lambda: bool(list(store.glob("journal/*/*.log"))), "the journal")
            for words in (["log", recording(scratch / "boat.log", 10), "--store", store], ["tidy", "--store", store]):
                second = program(*words)
                said = second.communicate(timeout=GUARD_S)[0]
                expect(second.returncode == 2 and f"process {holder.pid}, since " in said, said)
            reader = program("tanks", "--store", store)
            expect(reader.wait(timeout=GUARD_S) == 0, "a reader was kept out")
            reader.communicate()
            holder.kill()
            holder.communicate()
            adapter.is_open = False
            third = program("tidy", "--store", store)
            said = third.communicate(timeout=GUARD_S)[0]
            expect(third.returncode == 0 and "brought in from the journal" in said, said)
    return f"{rounds} times: both second writers told the first one's process and since when, readers served, lock taken over"


def readers_at_work(scratch: Path, draw: random.Random, rounds: int) -> str:
    """Readers in a loop, while recordings come in and days are merged: never a row twice, never one missing that was there."""
    store, stop, faults, sights = scratch / "history", threading.Event(), [], [0, 0]
    day_us, begin_us = 86_400_000_000, 1_777_593_600_000_000
    rows = [0]

    def lines(first: int, n: int, day: int) -> str:
        out = []
        for number in range(first, first + n):
            at_us = begin_us + day * day_us + number * 1_000_000
            frame = tank_frame(number)
            out.append(
                f"({at_us // 1_000_000}.{at_us % 1_000_000:06d}) can0 {frame.identifier:08X}#{frame.data.hex().upper()}\n"
            )
        return "".join(out)

    (scratch / "first.log").write_text(lines(0, 10, 0))
    canlevel.log(scratch / "first.log", store)
    rows[0] = 10

    def read_plainly() -> None:
        while not stop.is_set():
            least = rows[0]
            try:
                found = numbers_in(store)
            except FileNotFoundError:
                sights[1] += 1  # listed before a merge and read after it: a plain reader tries again
                continue
            sights[0] += 1
            if len(found) != len(set(found)):
                faults.append(f"{len(found) - len(set(found))} rows twice")
            if len(found) < least:
                faults.append(f"{len(found)} rows where there were {least}")

    def read_ours() -> None:
        while not stop.is_set():
            least = rows[0]
            found = canlevel.open_store(store).to_arrow(columns=["time"])
            if not least <= len(found):
                faults.append(f"open_store: {len(found)} rows where there were {least}")
            sights[0] += 1

    threads = [threading.Thread(target=work) for work in (read_plainly, read_ours)]
    for thread in threads:
        thread.start()
    merged = 0
    try:
        number = 10
        for round_ in range(rounds):
            for _ in range(draw.randrange(1, 6)):
                n = draw.randrange(1, 50)
                (scratch / "next.log").write_text(lines(number, n, draw.randrange(3)))
                canlevel.log(scratch / "next.log", store)
                number += n
                rows[0] = number
            merged += canlevel.tidy(store).days
            expect(not faults, f"round {round_}: {faults[:3]}")
    finally:
        stop.set()
        for thread in threads:
            thread.join()
    expect(not faults, "; ".join(faults[:3]))
    return (
        f"{sights[0]:,} reads during {rounds} rounds of imports and {merged} merged days: every row there, once; "
        f"{sights[1]} times a plain reader had to list the folder again"
    )


def damaged_parts(scratch: Path, draw: random.Random, rounds: int) -> str:
    """Part files cut at every length and with bits flipped: named, left out or set aside, or read right; never wrong."""
    source = recording(scratch / "boat.log", 120)
    store = scratch / "history"
    canlevel.log(source, store)
    canlevel.log(recording(scratch / "other.log", 30), store)
    expected = canlevel.open_store(store).to_arrow()
    part = max(canlevel.open_store(store).parts(), key=lambda path: path.stat().st_size)
    whole = part.read_bytes()
    counts = {"left out": 0, "read right": 0}
    cases = [whole[:cut] for cut in range(0, len(whole), max(1, len(whole) // (25 * rounds)))]
    for _ in range(25 * rounds):
        data = bytearray(whole)
        for _ in range(draw.choice([1, 1, 1, 8])):
            data[draw.randrange(len(data))] ^= 1 << draw.randrange(8)
        cases.append(bytes(data))
    for data in cases:
        part.write_bytes(data)
        with warnings.catch_warnings(record=True) as told:
            warnings.simplefilter("always")
            found = canlevel.open_store(store).to_arrow()
        if told:
            expect(part.name in str(told[0].message), str(told[0].message))
            counts["left out"] += 1
        else:
            expect(found.equals(expected), "a damaged part was read, and not as it was written")
            counts["read right"] += 1
    part.write_bytes(whole[: len(whole) // 2])
    (part.parent / "notes.txt").write_text("a file of somebody else's")
    done = canlevel.tidy(store)
    expect({moved[0].name for moved in done.set_aside} == {part.name, "notes.txt"}, str(done.set_aside))
    expect(program("log", source, "--store", store).wait() == 0, "the recording could not be read again")
    expect(
        sorted(canlevel.open_store(store).to_arrow()["time"].to_pylist()) == sorted(expected["time"].to_pylist()),
        "rows",
    )
    return f"{len(cases)} damaged parts: {counts['left out']} named and left out, {counts['read right']} read right, 0 wrong"


PARTS = {
    part.__name__: part
    for part in (
        killed_imports,
        killed_logs,
        faulty_adapter,
        long_log,
        full_disk,
        vanished_disk,
        two_writers,
        readers_at_work,
        damaged_parts,
    )
}


def main() -> int:
    """Run the campaign."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--rounds", type=int, default=20)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", nargs="*", choices=PARTS, default=list(PARTS))
    words = parser.parse_args()
    code = 0
    for name in words.only:
        with tempfile.TemporaryDirectory(prefix="canlevel-campaign-") as scratch:
            try:
                print(f"{name}: {PARTS[name](Path(scratch), random.Random(words.seed), words.rounds)}", flush=True)
            except FaultError as fault:
                print(f"{name}: FAULT: {fault}", flush=True)
                code = 1
    return code


if __name__ == "__main__":
    raise SystemExit(main())
