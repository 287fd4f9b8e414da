"""A fleet: the same derivations over many stores, in this process or on a Dask cluster, from a laptop up without a change.

    import canlevel

    result = canlevel.fleet.flows("fleet/*")                      # fills and drains of every store
    result.frame()                                                # as a pandas frame
    result.failures                                               # what could not be read, and why
    canlevel.fleet.daily("s3://bucket/fleet/*", client=client, to="s3://bucket/daily")

Stores are read where they are, through fsspec, and never changed. client: a `distributed.Client`; without one the work is done
in this process. Needs `pip install 'canlevel[fleet]'`.
"""

from __future__ import annotations

from canlevel.fleet.questions import daily, findings, flows
from canlevel.fleet.result import FleetResult, Progress

__all__ = ["FleetResult", "Progress", "daily", "findings", "flows"]
