"""A calibration as text for a person, and as values for a program."""

from __future__ import annotations

from dataclasses import asdict
from textwrap import wrap
from typing import Any

from canlevel.derivation.calibration import Calibration, Plateau
from canlevel.roster import TABLE
from canlevel.units import VolumeUnit
from canlevel.words import counted

__all__ = ["CAUTION", "calibration_lines", "calibration_values", "live_line"]

SHAPE_WORDS = {
    "prismatic": "prismatic (upright walls)",
    "horizontal_cylinder": "a lying cylinder",
    "wedge": "a wedge, narrow at the bottom",
    "wedge_upside_down": "a wedge, narrow at the top",
    TABLE: "none of the common shapes: the table below",
}
CAUTION = (
    "Caution: pour fuel only as local codes and licensed practice have it: no flame or spark, ventilated, the can earthed to "
    "the filler; never LPG or gas. A level is an indication and no overfill protection."
)
PLENTY = 0.9  # of the weight, from which on one shape is sure
SHOWN_WEIGHT = 0.05
NARROWEST = 80  # columns


def calibration_lines(
    found: Calibration, tank: str, units: VolumeUnit, *, name: str | None = None
) -> list[tuple[str, str]]:
    """(style, line) of a calibration."""
    unit = units.symbol

    def amount(litres: float) -> str:
        return _figure(units.from_litres(litres))

    half = max(found.capacity_high_l - found.capacity_l, found.capacity_l - found.capacity_low_l)
    lines = [("bold", f"{tank}{f', {name}' if name else ''}")]
    lines.append(
        ("bold", f"capacity  {amount(found.capacity_l)} {unit} ± {_uncertainty(units.from_litres(half))}   "
                 f"(95 %: {amount(found.capacity_low_l)} to {amount(found.capacity_high_l)})")
    )  # fmt: skip
    lines.append(("", f"shape     {SHAPE_WORDS[found.shape]}"))
    lines += [("", f"          {why}") for why in _why(found)]
    what = f"steps of {found.step_pct:.2g} %" if found.stepped else f"a noise of {found.noise_pct:.2g} % at rest"
    lines.append(("", f"sender    {what}"))
    verb = "taken out" if found.drain else "poured in"
    lines.append(
        ("", f"{verb:9} {counted(len(found.pours_l), 'pour')}, {amount(sum(found.pours_l))} {unit} in all; "
             f"the can within {100 * found.can_error:.3g} %")
    )  # fmt: skip
    lines.append(("", f"assumed   {_assumed(found, amount, unit)}"))
    lines.append(("", ""))
    lines.append(
        (
            "bold",
            f"{'pours':>5}  {unit + (' out' if found.drain else ' in'):>9}  {'level %':>8}  {'true level % (95 %)':>20}  "
            f"{'rested':>8}",
        )
    )
    lines += [("", _plateau_line(plateau, amount)) for plateau in found.plateaus]
    lines.append(("", ""))
    lines.append(("bold", f"{'level %':>8}  {'holds ' + unit:>12}  95 %"))
    for point in found.points:
        told = "  extrapolated" if point.extrapolated else ""
        lines.append(
            ("yellow" if told else "", f"{point.level_pct:8.2f}  {amount(point.litres):>12}  "
             f"{amount(point.low_l)} to {amount(point.high_l)}{told}")
        )  # fmt: skip
    for note in found.notes:
        lines += [("yellow", line) for line in wrap(f"note: {note}", NARROWEST, subsequent_indent="      ")]
    return lines


def calibration_values(found: Calibration, tank: str, source_address: int, name: str | None) -> dict[str, Any]:
    """A calibration as values that JSON holds, litres and percent."""
    values = asdict(found)
    values["table"] = [list(pair) for pair in found.table]
    return {"tank": tank, "name": name, "source_address": source_address, **values}


def live_line(pour: int, count: int, amount_l: float, units: VolumeUnit, state: str, *, drain: bool) -> str:
    """What a technician sees while pouring."""
    verb = "take out" if drain else "pour"
    return f"{verb} {pour} of {count}: {_figure(units.from_litres(amount_l))} {units.symbol} … {state}"


def _assumed(found: Calibration, amount: Any, unit: str) -> str:
    end = "full" if found.drain else "empty"
    if found.start_known:
        if found.end_known:
            return f"{end} before the first pour, {'empty' if found.drain else 'full'} after the last"
        return f"the tank was {end} before the first pour (else --begins unknown)"
    return (
        f"nothing of the start: by the readings {amount(found.start_l)} {unit} "
        f"({amount(found.start_low_l)} to {amount(found.start_high_l)})"
    )


def _why(found: Calibration) -> list[str]:
    if found.shape == TABLE:
        return []
    others = [
        "a table" if kind == TABLE else SHAPE_WORDS[kind].partition(" (")[0]
        for kind, share in sorted(found.weights.items(), key=lambda item: -item[1])
        if kind != found.shape and share >= SHOWN_WEIGHT
    ]
    lines = ["it fits the plateaus as well as a table does"]
    if found.weights.get(found.shape, 0.0) < PLENTY:
        lines += [f"{'or' if number else 'it may be, too:'} {other}" for number, other in enumerate(others)]
    return lines


def _plateau_line(plateau: Plateau, amount: Any) -> str:
    begin = f"{plateau.pours:5d}  {amount(plateau.litres):>9}  "
    if plateau.level_pct is None or plateau.low_pct is None or plateau.high_pct is None:
        return begin + "     not seen apart"
    rested = "" if plateau.begin_s is None or plateau.end_s is None else f"{plateau.end_s - plateau.begin_s:.0f} s"
    return f"{begin}{plateau.level_pct:8.2f}  {f'{plateau.low_pct:.2f} to {plateau.high_pct:.2f}':>20}  {rested:>8}".rstrip()


def _figure(value: float) -> str:
    return f"{value:.0f}" if abs(value) >= 1000 else f"{value:.1f}" if abs(value) >= 9.95 else f"{value:.2f}"


def _uncertainty(value: float) -> str:
    return f"{value:.0f}" if value >= 9.95 else f"{value:.2g}"
