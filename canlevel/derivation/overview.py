"""One row for each tank and source: what its readings say at their end. READINGS in, OVERVIEW out."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from canlevel.derivation.sender import describe_sender
from canlevel.derivation.series import series_groups
from canlevel.tables import TIME_TYPE, UNKNOWN_TIME_US, WORD, column, described, times_us

__all__ = ["FEWEST_OF_A_SENDER", "MOST_OF_A_SENDER", "OVERVIEW", "overview"]

FEWEST_OF_A_SENDER, MOST_OF_A_SENDER = 8, 250_000

OVERVIEW = pa.schema(
    [
        described("vessel", WORD, "whose tank", null="nobody said"),
        described("tank", WORD, "protocol.fluid.instance"),
        described("name", WORD, "the owner's name for the tank", null="not in a roster"),
        described("protocol", WORD, "nmea2000, rvc or j1939"),
        described("fluid", WORD, "as in readings"),
        described("instance", pa.int16(), "as on the wire", null="malformed frames did not tell it"),
        described("source_address", pa.uint8(), "the address of the device that sent it"),
        described("channel", WORD, "which bus", null="not told"),
        described(
            "level_pct",
            pa.float64(),
            "level at the last reading",
            unit="%",
            null="the device gave no number: see status",
        ),
        described("volume_l", pa.float64(), "volume at the last reading", unit="L", null="no level, or no capacity"),
        described("capacity_l", pa.float64(), "what the tank holds", unit="L", null="not known"),
        described("status", WORD, "of the last reading"),
        described(
            "rate_l_per_min",
            pa.float64(),
            "rate at the last reading, filling positive",
            unit="L/min",
            null="not known yet, or no capacity",
        ),
        described("rate_low", pa.float64(), "95 % limit of the rate", unit="L/min", null="as rate_l_per_min"),
        described("rate_high", pa.float64(), "95 % limit of the rate", unit="L/min", null="as rate_l_per_min"),
        described(
            "last_heard", TIME_TYPE, "time of the last reading", unit="UTC", null="the recording does not tell the date"
        ),
        described("period_s", pa.float64(), "median time between two readings", unit="s", null="fewer than two"),
        described("first_time", TIME_TYPE, "time of the first reading", unit="UTC", null="as last_heard"),
        described("last_time", TIME_TYPE, "the same as last_heard", unit="UTC", null="as last_heard"),
        described("readings", pa.int64(), "how many"),
        described("malformed", pa.int64(), "how many of them were malformed"),
        described("step_pct", pa.float64(), "the sender's true step", unit="%", null="the level never changed"),
        described(
            "noise_pct",
            pa.float64(),
            "standard deviation of a reading at rest, without the step's rounding",
            unit="%",
            null="too few readings",
        ),
    ]
)


def overview(readings: pa.Table) -> pa.Table:
    """OVERVIEW of READINGS: the last reading of every vessel, tank and source, sorted by vessel, tank, source and channel.

    level_pct, status and the rest are those of the last reading. With readings that carry no time the last is the last in
    the table.
    """
    time_us = times_us(readings)
    which, first = series_groups(readings)
    malformed, level_pct = column(readings, "status") == "malformed", column(readings, "level_pct")
    order = np.lexsort((time_us, which))
    bounds = np.searchsorted(which[order], np.arange(len(first) + 1))
    rows = []
    for number in range(len(first)):
        mine = order[bounds[number] : bounds[number + 1]]
        known = time_us[mine]
        known = known[known != UNKNOWN_TIME_US]
        last = readings.slice(int(mine[-1]), 1).to_pylist()[0]
        step_pct, noise_pct = _sender(time_us[mine], level_pct[mine])
        moments = (int(known[0]), int(known[-1])) if len(known) else (None, None)
        rows.append(
            {name: last[name] for name in OVERVIEW.names if name in last}
            | {
                "last_heard": moments[1],
                "period_s": float(np.median(np.diff(known))) / 1e6 if len(known) > 1 else None,
                "first_time": moments[0],
                "last_time": moments[1],
                "readings": len(mine),
                "malformed": int(malformed[mine].sum()),
                "step_pct": step_pct,
                "noise_pct": noise_pct,
            }
        )
    rows.sort(key=lambda row: (row["vessel"] or "", row["tank"], row["source_address"], row["channel"] or ""))
    return pa.Table.from_pylist(rows, schema=OVERVIEW)


def _sender(time_us: NDArray[np.int64], level_pct: NDArray[np.float64]) -> tuple[float | None, float | None]:
    """(true step, noise at rest) of the sender of n readings, percent; None where they do not tell."""
    usable = (time_us != UNKNOWN_TIME_US) & ~np.isnan(level_pct)
    if np.count_nonzero(usable) < FEWEST_OF_A_SENDER:
        return None, None
    # The latest ones, as it may be another sender by now.
    seconds, level = (time_us[usable][-MOST_OF_A_SENDER:] / 1e6, level_pct[usable][-MOST_OF_A_SENDER:])
    sender = describe_sender(seconds - seconds[0], level)
    return (sender.step_pct, sender.noise_pct) if sender.step_pct else (None, None)
