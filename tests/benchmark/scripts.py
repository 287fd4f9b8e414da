"""What the benchmarks run beside canlevel: what a user would write today, and the least that reading can cost.

python tests/benchmark/scripts.py NAME ARGUMENTS…
"""

from __future__ import annotations

import sys
import time
from pathlib import Path


def tank_frames_by_hand(path: str, most: str) -> None:
    """python-can's log reader, the identifier under a mask, cantools on the tank frames."""
    import can
    import cantools

    folder = Path(__file__).parents[2] / "dbc"
    messages = {}
    for name in ("nmea2000.dbc", "rvc.dbc"):
        for message in cantools.database.load_file(folder / name).messages:
            messages[message.frame_id >> 8 & 0x3FFFF] = message
    decoded = 0
    for number, frame in enumerate(can.CanutilsLogReader(path), 1):
        message = messages.get(frame.arbitration_id >> 8 & 0x3FFFF)
        if message is not None and frame.is_extended_id:
            message.decode(bytes(frame.data), decode_choices=False)
            decoded += 1
        if number >= int(most):
            break
    print(decoded)


def all_frames_by_hand(path: str, most: str) -> None:
    """The same reader with cantools asked about every frame."""
    import can
    import cantools

    database = cantools.database.Database()
    for name in ("nmea2000.dbc", "rvc.dbc"):
        database.add_dbc_file(Path(__file__).parents[2] / "dbc" / name)
    decoded = 0
    for number, frame in enumerate(can.CanutilsLogReader(path), 1):
        try:
            database.decode_message(frame.arbitration_id & 0x1FFFFF00 | 0xFE, bytes(frame.data), decode_choices=False)
            decoded += 1
        except KeyError:
            pass
        if number >= int(most):
            break
    print(decoded)


def explain(path: str) -> None:
    """What is wrong on the bus. (The command ends with 1 where there is a fault, which a timed process must not.)"""
    import canlevel

    print(len(canlevel.explain(path).findings))


def read_messages(path: str) -> None:
    """python-can's own reader of a recording, and nothing done with the messages."""
    import can

    print(sum(1 for _ in can.LogReader(path)))


def bare_read(path: str) -> None:
    """The bytes of a file, once, into one buffer."""
    room = bytearray(2 << 20)
    with Path(path).open("rb", buffering=0) as file:
        while file.readinto(room):
            pass


def unpack(path: str) -> None:
    """The bytes of a compressed file as canlevel unpacks them, and nothing done with them."""
    from canlevel.capture.files import open_recording

    opened = open_recording(Path(path))
    room = memoryview(bytearray(2 << 20))
    while opened.stream.readinto(room):
        pass


def traffic(path: str) -> None:
    """Every frame into columns, counted by sender, minute and gap: what findings need."""
    import canlevel

    counted = canlevel.traffic(path)
    print(counted.frames, counted.senders().num_rows, counted.minutes().num_rows, counted.gaps().num_rows)


def send(channel: str, seconds: str, rate: str) -> None:
    """A bus at so many frames a second, one in a hundred a tank's, sent to a multicast group of this machine."""
    import can

    bus = _multicast(channel)
    tank = can.Message(arbitration_id=0x19F21123, data=bytes.fromhex("10D430D0070000FF"))
    others = [can.Message(arbitration_id=0x09F80100 + 997 * i % 0xFFFF, data=bytes(range(8))) for i in range(99)]
    began, sent = time.perf_counter(), 0
    while time.perf_counter() - began < float(seconds):
        for message in (tank, *others)[sent % 100 : sent % 100 + 20]:
            bus.send(message)
        sent += 20
        time.sleep(max(0.0, began + sent / float(rate) - time.perf_counter()))
    bus.shutdown()


def bare_receive(channel: str, seconds: str) -> None:
    """Processor time for each frame of a loop that receives and does nothing: prints frames and microseconds."""
    bus = _multicast(channel)
    while bus.recv(1.0) is None:
        pass
    frames, began, until = 0, time.process_time(), time.monotonic() + float(seconds)
    while time.monotonic() < until:
        frames += bus.recv(0.2) is not None
    print(frames, 1e6 * (time.process_time() - began) / frames)
    bus.shutdown()


def log_live(channel: str, seconds: str, store: str, small: str) -> None:
    """The same for canlevel's logger, all of it: reception, decoding, store. small: a recording that warms it up."""
    import can.interfaces.udp_multicast  # noqa: F401

    import canlevel
    from canlevel.pipeline import log_source, open_decoding

    canlevel.log(small, store)
    decoding = open_decoding(f"udp_multicast:{channel}", seconds=float(seconds), need_dates=True)
    began = time.process_time()
    summary = log_source(decoding, store)
    print(summary.frames, 1e6 * (time.process_time() - began) / max(summary.frames, 1))


def _multicast(channel: str):  # type: ignore[no-untyped-def]
    import can

    group, port = channel.split(",port=")
    return can.Bus(interface="udp_multicast", channel=group, port=int(port), hop_limit=0)


if __name__ == "__main__":
    globals()[sys.argv[1]](*sys.argv[2:])
