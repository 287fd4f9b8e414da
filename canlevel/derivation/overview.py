"""One row for each tank and source: what its readings say at their end. READINGS in, OVERVIEW out."""

from __future__ import annotations

import numpy as np
import pyarrow as pa

from canlevel.derivation.series import series_groups
from canlevel.tables import TIME_TYPE, UNKNOWN_TIME_US, WORD, column, times_us

__all__ = ["OVERVIEW", "overview"]


OVERVIEW = pa.schema(
    [
        pa.field("vessel", WORD),
        pa.field("tank", WORD),
        pa.field("name", WORD),
        pa.field("protocol", WORD),
        pa.field("fluid", WORD),
        pa.field("instance", pa.int16()),
        pa.field("source_address", pa.uint8()),
        pa.field("channel", WORD),
        pa.field("level_pct", pa.float64()),
        pa.field("volume_l", pa.float64()),
        pa.field("capacity_l", pa.float64()),
        pa.field("status", WORD),
        pa.field("rate_l_per_min", pa.float64()),
        pa.field("rate_low", pa.float64()),
        pa.field("rate_high", pa.float64()),
        pa.field("last_heard", TIME_TYPE),
        pa.field("period_s", pa.float64()),  # median time between two readings; null with fewer than two
        pa.field("first_time", TIME_TYPE),
        pa.field("last_time", TIME_TYPE),
        pa.field("readings", pa.int64()),
        pa.field("malformed", pa.int64()),
    ]
)


def overview(readings: pa.Table) -> pa.Table:
    """OVERVIEW of READINGS: the last reading of every vessel, tank and source, sorted by vessel, tank, source and channel.

    level_pct, status and the rest are those of the last reading. With readings that carry no time the last is the last in
    the table.
    """
    time_us = times_us(readings)
    which, first = series_groups(readings)
    malformed = column(readings, "status") == "malformed"
    order = np.lexsort((time_us, which))
    bounds = np.searchsorted(which[order], np.arange(len(first) + 1))
    rows = []
    for number in range(len(first)):
        mine = order[bounds[number] : bounds[number + 1]]
        known = time_us[mine]
        known = known[known != UNKNOWN_TIME_US]
        last = readings.slice(int(mine[-1]), 1).to_pylist()[0]
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
            }
        )
    rows.sort(key=lambda row: (row["vessel"] or "", row["tank"], row["source_address"], row["channel"] or ""))
    return pa.Table.from_pylist(rows, schema=OVERVIEW)
