"""The tables that are of a fleet alone: its findings, and what failed. Every table of a fleet has the store in front."""

from __future__ import annotations

import pyarrow as pa

from canlevel.tables import TIME_TYPE, WORD, described

__all__ = ["FAILURES", "FLEET_FINDINGS", "with_store"]

STORE = described("store", WORD, "where the store is: an absolute path on this computer, else its URL")


def with_store(schema: pa.Schema) -> pa.Schema:
    """A schema with the store in front."""
    return pa.schema([STORE, *schema])


FLEET_FINDINGS = with_store(
    pa.schema(
        [
            described("vessel", WORD, "the vessel that the store was made for", null="nobody said"),
            described("severity", WORD, "fault, warning or info"),
            described("code", WORD, "which fault it is, as of `canlevel explain`"),
            described("tank", WORD, "the tank it is about", null="about no single tank"),
            described("source_address", pa.uint8(), "the device that sends it", null="about no single device"),
            described("summary", pa.string(), "the finding in one sentence, of its worst and then its last day"),
            described("first_time", TIME_TYPE, "the first reading it rests on", unit="UTC"),
            described("last_time", TIME_TYPE, "the last reading it rests on", unit="UTC"),
            described("days", pa.int64(), "on how many days it was found; of a leak, from its first to its last"),
            described("readings", pa.int64(), "how many readings it rests on", null="a leak or a gain"),
            described("ongoing", pa.bool_(), "whether it was found on the last day, too"),
            described("value", pa.float64(), "of a leak or a gain: lost or gained an hour, in `unit`", null="no leak"),
            described("value_low", pa.float64(), "its 95 % interval begins here", null="no leak, or no capacity"),
            described("value_high", pa.float64(), "its 95 % interval ends here", null="no leak, or no capacity"),
            described("unit", WORD, "of the value: L/h, or %/h without a capacity", null="no leak"),
            described("causes", pa.list_(pa.string()), "what is likely to be behind it, likely ones first"),
            described("next_steps", pa.list_(pa.string()), "what to look at or measure, in that order"),
            described("caution", pa.string(), "the caution that belongs to it, or nothing"),
        ]
    )
)
FAILURES = pa.schema(
    [
        described("store", pa.string(), "the store that could not be read, or not all of it"),
        described("file", pa.string(), "the part that was left out", null="nothing of the store was read"),
        described("why", pa.string(), "what is wrong"),
        described("next_step", pa.string(), "what to do about it", null="nothing is known to help"),
        described("traceback", pa.string(), "where in canlevel it went wrong", null="the fault is the store's"),
    ]
)
