"""Command: demo. The whole job on the captures that are shipped."""

from __future__ import annotations

from pathlib import Path

from canlevel.cli.options import Units
from canlevel.cli.program import app
from canlevel.cli.screen import print_flows, print_tanks, screen
from canlevel.units import VolumeUnit

__all__: list[str] = []


@app.command(
    short_help="Run the whole job on two captures shipped with it.", epilog="Example:  canlevel demo --units us-gallon"
)
def demo(units: Units = VolumeUnit.LITRE) -> None:
    """Run the whole job on two captures that come with the program: a harbour workboat and a clinic coach."""
    import tempfile
    from importlib import resources

    from canlevel.derivation.flows import derive_flows
    from canlevel.derivation.overview import overview
    from canlevel.pipeline import log_source, open_decoding
    from canlevel.shipped import shipped
    from canlevel.show.pictures import level_picture

    console = screen()
    folder = Path(tempfile.mkdtemp(prefix="canlevel-demo-"))
    scenarios = (("workboat", "A harbour workboat, NMEA 2000"), ("clinic-coach", "A clinic coach, RV-C and J1939"))
    for name, title in scenarios:
        captures = shipped("captures")
        with (
            resources.as_file(captures / f"{name}.log.gz") as capture,
            resources.as_file(captures / f"{name}.toml") as roster,
        ):
            store = folder / name
            summary = log_source(open_decoding(capture, roster=roster, need_dates=True), store)
        readings = summary.store.to_arrow()
        console.rule(title, style="dim")
        console.print(f"{summary.frames:,} frames held {summary.readings:,} tank readings.\n", highlight=False)
        print_tanks(console, overview(readings), units)
        print()
        for line in level_picture(readings, console.width):
            console.print(line, highlight=False, markup=False, no_wrap=True)
        console.print("\nFills and drains:\n")
        print_flows(console, derive_flows(readings), units)
    console.rule(style="dim")
    print("The histories are Parquet. Open one in a notebook:\n")
    print(f'    import pandas; pandas.read_parquet("{(folder / scenarios[0][0] / "readings").as_posix()}")\n')
    print("Your own bus or recording next:  canlevel tanks SOURCE, canlevel explain SOURCE")
