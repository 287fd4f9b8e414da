"""canlevel: a CAN-bus frame decoder and tank-level logger.

    import canlevel

    readings = canlevel.decode("boat.log")           # a pandas frame, one row a reading
    canlevel.log("boat.log", store="history")        # append to a Parquet history
    history = canlevel.open_store("history").readings()
    flows = canlevel.flows(history)                  # fills and drains
    canlevel.tanks(history)                          # one row for each tank and source
    canlevel.traffic("boat.log").senders()           # everything on the bus, tank or not
    canlevel.explain("boat.log").findings            # what is wrong on it, and why
    canlevel.devices("boat.log")                     # who is on it

Every column is described in README.md. Heavy packages are imported when they are needed, not with this one.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from canlevel.api import (
        decode,
        decode_batches,
        devices,
        explain,
        flows,
        join,
        log,
        open_store,
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
    from canlevel.roster import Roster, load_roster
    from canlevel.storage.store import Store

__version__ = "0.1.0"

__all__ = [
    "CanlevelError",
    "CaptureError",
    "DefinitionError",
    "QueryError",
    "Roster",
    "RosterError",
    "Store",
    "StoreError",
    "StoreWarning",
    "decode",
    "decode_batches",
    "devices",
    "explain",
    "flows",
    "join",
    "load_roster",
    "log",
    "open_store",
    "revise",
    "tanks",
    "tidy",
    "traffic",
]

_HOMES = {
    "canlevel.api": (
        "decode",
        "decode_batches",
        "devices",
        "explain",
        "flows",
        "join",
        "log",
        "open_store",
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
    "canlevel.roster": ("Roster", "load_roster"),
    "canlevel.storage.store": ("Store",),
}
_HOME_OF = {name: home for home, names in _HOMES.items() for name in names}


def __getattr__(name: str) -> Any:
    home = _HOME_OF.get(name)
    if home is None:
        raise AttributeError(f"module 'canlevel' has no attribute {name!r}")
    return getattr(import_module(home), name)


def __dir__() -> list[str]:
    return sorted([*__all__, "__version__"])
