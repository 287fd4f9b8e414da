"""canlevel: a CAN-bus frame decoder and tank-level logger.

    import canlevel

    readings = canlevel.decode("boat.log")           # a pandas frame, one row a reading
    canlevel.log("boat.log", store="history")        # append to a Parquet history
    history = canlevel.open_store("history").readings()
    flows = canlevel.flows(history)                  # fills and drains
    canlevel.tanks(history)                          # one row for each tank and source
    canlevel.levels_at(history, every="1h")          # levels and litres at even intervals
    canlevel.open_stores("fleet/*").flows()          # many stores at once
    canlevel.traffic("boat.log").senders()           # everything on the bus, tank or not
    canlevel.explain("boat.log").findings            # what is wrong on it, and why
    canlevel.devices("boat.log")                     # who is on it
    canlevel.calibrate("pours.log", "nmea2000.fresh_water.0", [10] * 12).table  # what a tank holds at each level
    canlevel.fleet.flows("fleet/*").frame()          # flows of many stores, here or on a cluster
    canlevel.prove("boat.log", roster="tanks.toml", fill="08:12:30/08:19").tanks   # whether each tank is what it should be

Every column is described in README.md. Heavy packages are imported when they are needed, not with this one.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from canlevel import fleet
    from canlevel.api import (
        balance,
        calibrate,
        decode,
        decode_batches,
        devices,
        explain,
        flows,
        join,
        leaks,
        levels_at,
        log,
        open_store,
        open_stores,
        outlook,
        plot,
        prove,
        report,
        revise,
        tanks,
        tidy,
        traffic,
    )
    from canlevel.errors import (
        CanlevelError,
        CaptureError,
        DefinitionError,
        QueryError,
        RosterError,
        StoreError,
        StoreWarning,
    )
    from canlevel.histories import Histories, History
    from canlevel.roster import Roster, load_roster
    from canlevel.season import write_season
    from canlevel.storage.store import Store

__version__ = "0.1.0"

__all__ = [
    "CanlevelError",
    "CaptureError",
    "DefinitionError",
    "Histories",
    "History",
    "QueryError",
    "Roster",
    "RosterError",
    "Store",
    "StoreError",
    "StoreWarning",
    "balance",
    "calibrate",
    "decode",
    "decode_batches",
    "devices",
    "explain",
    "fleet",
    "flows",
    "join",
    "leaks",
    "levels_at",
    "load_roster",
    "log",
    "open_store",
    "open_stores",
    "outlook",
    "plot",
    "prove",
    "report",
    "revise",
    "tanks",
    "tidy",
    "traffic",
    "write_season",
]

_HOMES = {
    "canlevel.api": (
        "balance",
        "calibrate",
        "decode",
        "decode_batches",
        "devices",
        "explain",
        "flows",
        "join",
        "leaks",
        "levels_at",
        "log",
        "open_store",
        "open_stores",
        "outlook",
        "plot",
        "prove",
        "report",
        "revise",
        "tanks",
        "tidy",
        "traffic",
    ),
    "canlevel.errors": (
        "CanlevelError",
        "CaptureError",
        "DefinitionError",
        "QueryError",
        "RosterError",
        "StoreError",
        "StoreWarning",
    ),
    "canlevel.histories": ("Histories", "History"),
    "canlevel.roster": ("Roster", "load_roster"),
    "canlevel.season": ("write_season",),
    "canlevel.storage.store": ("Store",),
}
_HOME_OF = {name: home for home, names in _HOMES.items() for name in names}


def __getattr__(name: str) -> Any:
    if name == "fleet":  # a room of its own, which few need
        return import_module("canlevel.fleet")
    home = _HOME_OF.get(name)
    if home is None:
        raise AttributeError(f"module 'canlevel' has no attribute {name!r}")
    return getattr(import_module(home), name)


def __dir__() -> list[str]:
    return sorted([*__all__, "__version__"])
