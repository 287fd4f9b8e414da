"""Commands: leaks and outlook. Slow losses, and what comes next."""

from __future__ import annotations

from canlevel.cli.opening import one_of, readings_and_flows
from canlevel.cli.options import (
    DbcFiles,
    Format,
    MaybeSources,
    RosterFile,
    Since,
    Start,
    StoreFolder,
    TableFormat,
    TankId,
    Units,
    Until,
)
from canlevel.cli.program import app
from canlevel.cli.screen import print_plain, show
from canlevel.units import VolumeUnit

__all__: list[str] = []


@app.command(
    short_help="Watch the quiet hours of each tank for slow leaks.",
    epilog="Example:  canlevel leaks --store history --since 2026-05-01",
)
def leaks(
    source: MaybeSources = None,
    store: StoreFolder = None,
    tank: TankId = None,
    since: Since = None,
    until: Until = None,
    format: TableFormat = Format.TABLE,
    roster: RosterFile = None,
    dbc: DbcFiles = None,
    start: Start = None,
    units: Units = VolumeUnit.LITRE,
) -> None:
    """Watch the quiet hours of each tank for slow, steady loss or gain, and say how small a leak would have been seen.

    A heater, or whatever else draws slowly and steadily, looks like a leak. At most 1 alarm in 1,000 tank-days is false.
    Of a store the last 31 days are looked at, unless --since says otherwise.
    """
    from canlevel.derivation.leaks import LEAKS, watch_leaks
    from canlevel.show.ahead import leak_lines

    one_of(source, store, words="leaks")
    readings, flows = readings_and_flows(source, store, tank, since, until, roster=roster, dbc=dbc, start=start)
    found = watch_leaks(readings, flows)
    show(found, tuple(LEAKS.names), format, lambda _: print_plain(leak_lines(found, units)), "no tank was heard")


@app.command(
    short_help="Show when tanks will be empty or full, and the water balance.",
    epilog="Example:  canlevel outlook --store history --units us-gallon",
)
def outlook(
    source: MaybeSources = None,
    store: StoreFolder = None,
    tank: TankId = None,
    since: Since = None,
    until: Until = None,
    format: TableFormat = Format.TABLE,
    roster: RosterFile = None,
    dbc: DbcFiles = None,
    start: Start = None,
    units: Units = VolumeUnit.LITRE,
) -> None:
    """Show when each tank will be empty or full, at its present rate and at its habit, as of the last reading.

    Below, by day (UTC): fresh water out, waste water in, and what is missing. Data formats tell the two by "kind".
    Of a store the last 31 days are looked at, unless --since says otherwise.
    """
    import pyarrow as pa

    from canlevel.derivation.balance import balance
    from canlevel.derivation.outlook import outlook as look_ahead
    from canlevel.show.ahead import outlook_lines

    one_of(source, store, words="outlook")
    readings, flows = readings_and_flows(source, store, tank, since, until, roster=roster, dbc=dbc, start=start)
    ahead, days = look_ahead(readings, flows), balance(readings, flows)
    if format is Format.TABLE:
        show(ahead, (), format, lambda _: print_plain(outlook_lines(ahead, days, units)), "no tank was heard")
        return
    kinds = [
        table.add_column(0, "kind", pa.array([kind] * len(table), pa.string()))
        for kind, table in (("outlook", ahead), ("balance", days))
    ]
    if format is Format.JSONL and len(days):
        show(kinds[0], tuple(kinds[0].column_names), format, lambda _: None, "")
        show(kinds[1], tuple(kinds[1].column_names), format, lambda _: None, "")
        return
    both = pa.concat_tables(kinds, promote_options="default") if len(days) else kinds[0]
    show(both, tuple(both.column_names), format, lambda _: None, "no tank was heard")
