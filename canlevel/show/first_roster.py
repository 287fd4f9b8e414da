"""A first roster of what was heard, as TOML with comments on what to fill in. An explanation's values in, text out."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from canlevel.errors import printable
from canlevel.tables import FLUIDS, PROTOCOLS
from canlevel.words import PROTOCOL_NAMES, counted, span_words

__all__ = ["first_roster"]

FLUID_NAMES = {
    "fuel": "Fuel",
    "gasoline": "Gasoline",
    "fresh_water": "Fresh water",
    "grey_water": "Grey water",
    "black_water": "Black water",
    "live_well": "Live well",
    "oil": "Oil",
    "lpg": "LPG",
    "def": "Diesel exhaust fluid",
    "washer_fluid": "Washer fluid",
    "unknown": "Unknown fluid",
}
# Where an alarm would help: common practice, no source. Of fuel a heater draws up to 0.5 L/h, which is no leak.
LIMITS: dict[str, tuple[tuple[str, float], ...]] = {
    "fuel": (("low_pct", 25), ("leak_l_per_h", 1.0)),
    "gasoline": (("low_pct", 25), ("leak_l_per_h", 1.0)),
    "fresh_water": (("low_pct", 20), ("leak_l_per_h", 0.5)),
    "grey_water": (("high_pct", 80),),
    "black_water": (("high_pct", 75),),
    "live_well": (("low_pct", 20),),
    "oil": (("low_pct", 25),),
    "lpg": (("low_pct", 20),),
    "def": (("low_pct", 15),),
    "washer_fluid": (("low_pct", 15),),
}
MEANINGS = {
    "low_pct": "alarm at this level or below",
    "high_pct": "alarm at this level or above",
    "leak_l_per_h": "alarm when it loses so much an hour, or more",
}
BURNS = ("fuel", "gasoline", "lpg")
SILENT_PERIODS, SHORTEST_SILENCE_S = 20, 60
ORDINALS = ("second", "third", "fourth", "fifth", "sixth", "seventh", "eighth")
NOT_SET = 255  # an instance as devices have it before somebody sets it up (common practice, no source)
# What `explain` may have found out about a tank that whoever writes a roster should know.
MATTERS = ("identity-clash", "instance-flicker", "fluid-suspect", "unlisted-instance")
LONGEST_TEXT = 60
LEAST_CAPACITY_L = 0.1  # as NMEA 2000 sends it


def first_roster(explanation: dict[str, Any], title: str) -> str:
    """The text of a roster with one [[tank]] for each tank that was heard, sorted by protocol, fluid and instance.

    explanation: what Explanation.to_dict() gives of a source heard without a roster. title: what to call that source.
    What stands in comments is printable and in one line, whatever a device says. load_roster() reads the text as it is, and it
    gives a name to every reading whose frame tells its tank.
    """
    tanks, bus = explanation["tanks"], explanation["bus"]
    groups: dict[tuple[str, str, int], list[dict[str, Any]]] = {}
    for tank in tanks:
        groups.setdefault((tank["protocol"], tank["fluid"], tank["instance"]), []).append(tank)
    lines = list(_head(bus, title, len(groups)))
    for protocol, fluid, instance in sorted(groups, key=_order):
        others = {other for other, *rest in groups if rest == [fluid, instance]} - {protocol}
        lines += _group(groups[protocol, fluid, instance], explanation, by_protocol=bool(others))
    return "\n".join(lines) + "\n"


def _order(identity: tuple[str, str, int]) -> tuple[int, int, int]:
    protocol, fluid, instance = identity
    return PROTOCOLS.index(protocol), FLUIDS.index(fluid), instance


def _head(bus: dict[str, Any], title: str, tanks: int) -> Iterator[str]:
    first, last, heard_s = bus["first_time"], bus["last_time"], bus["heard_seconds"]
    heard = [f"{counted(tanks, 'tank')} among {counted(bus['frames'], 'frame')}"]
    if heard_s:
        heard.append(f"heard for {span_words(heard_s)}")
    if first and last:
        ends = last[11:16] if first[:10] == last[:10] else last[:16].replace("T", " ")
        heard.append(f"{first[:16].replace('T', ' ')} to {ends} UTC")
    name = _comment(title, 80)
    yield from (
        f"# A first roster, of what was heard in {name}:",
        f"# {', '.join(heard)}.",
        "#",
        "# Give each tank the name you call it by, in any language: it stands wherever the tank does.",
        "# A line that begins with # does nothing until the # is taken away.",
        "# Shapes, and what the alarms mean: README.md of canlevel, under the roster.",
        "",
        "[vessel]",
        '# name = "Harbour workboat"  # whose tanks these are',
    )


def _group(tanks: list[dict[str, Any]], explanation: dict[str, Any], *, by_protocol: bool) -> Iterator[str]:
    """One tank id: one entry, or one for each device that claims to be it."""
    tank = tanks[0]
    findings = [f for f in explanation["findings"] if f["tank"] == tank["tank"] and f["code"] in MATTERS]
    sources = sorted({one["source_address"] for one in tanks})
    clash = any(finding["code"] == "identity-clash" for finding in findings)
    apart = len(sources) > 1 and (clash or len({one["channel"] for one in tanks}) > 1)
    for mine in [[one for one in tanks if one["source_address"] == source] for source in sources] if apart else [tanks]:
        yield ""
        for note in _notes(mine, findings, explanation["devices"], apart=apart):
            yield f"# {note}"
        yield from _entry(mine, by_protocol=by_protocol, by_source=apart)


def _notes(
    tanks: list[dict[str, Any]], findings: Sequence[dict[str, Any]], devices: list[dict[str, Any]], *, apart: bool
) -> Iterator[str]:
    """What whoever fills it in should know, a line each."""
    last = tanks[-1]
    sources = list(dict.fromkeys(tank["source_address"] for tank in tanks))
    level = f", last at {last['level_pct']:.1f} %" if last["level_pct"] is not None else f", {_words(last['status'])}"
    period = f" every {last['period_s']:.1f} s" if last["period_s"] else ""
    plural = "devices" if len(sources) > 1 else "device"
    yield f"{last['tank']}, from {plural} {' and '.join(map(str, sources))}{period}{level}"
    for tank in tanks:
        device = next((d for d in devices if (d["channel"], d["source_address"]) == _sender(tank)), None)
        words = [] if device is None else [device["make"], device["model"], *(device["installer_text"] or ())]
        told = [f'"{_comment(word, LONGEST_TEXT)}"' for word in words if word and word.strip()]
        if told:
            yield f"device {tank['source_address']} calls itself {', '.join(told)}"
    fluid, instance, protocol = last["fluid"], last["instance"], last["protocol"]
    if protocol == "rvc" and fluid != "unknown" and 1 <= instance >> 4 <= len(ORDINALS):
        yield f"in RV-C instance {instance} is the {ORDINALS[(instance >> 4) - 1]} tank of its kind"
    if instance == NOT_SET:
        yield "255 is what devices send before somebody sets them up: give it its number first"
    elif fluid == "unknown":
        yield "the device does not say what is in it, or says something without a standard meaning"
    if all(tank["malformed"] == tank["readings"] for tank in tanks):
        yield "all its frames were too short, so that this may be no tank at all: see canlevel explain"
    channels = list(dict.fromkeys(tank["channel"] for tank in tanks))
    if len(channels) > 1:
        names = " and ".join(_comment(channel or "no name", 20) for channel in channels)
        yield f"heard on {names}: if those are two buses, this entry stands for both"
    for finding in findings:
        yield f"canlevel explain: {_comment(finding['summary'], 200)}"
    if apart:
        yield "a fault to mend first, as two devices are this tank: then leave source_address out"
    if fluid in BURNS:
        yield "an indication, not a safety device: a gas detector and a proper gauge stay required"


def _entry(tanks: list[dict[str, Any]], *, by_protocol: bool, by_source: bool) -> Iterator[str]:
    tank = tanks[-1]
    fluid, instance, protocol, source = (tank[key] for key in ("fluid", "instance", "protocol", "source_address"))
    apart = [PROTOCOL_NAMES[protocol]] * by_protocol + [f"device {source}"] * by_source
    name = f"{FLUID_NAMES[fluid]} {instance}" + (f" ({', '.join(apart)})" if apart else "")
    yield "[[tank]]"
    yield f'name = "{name}"'
    yield f'fluid = "{fluid}"'
    yield f"instance = {instance}"
    if by_protocol:
        yield f'protocol = "{protocol}"'
    if by_source:
        yield f"source_address = {source}"
    capacity_l = next(
        (one["capacity_l"] for one in reversed(tanks) if (one["capacity_l"] or 0) >= LEAST_CAPACITY_L), None
    )
    if capacity_l is not None:
        yield f"capacity_l = {f'{capacity_l:.1f}'.removesuffix('.0')}  # as the device says; check it"
    else:
        yield '# capacity_l =   # litres, from its plate; or capacity = "50 us-gallon"; or fill it: canlevel calibrate'
    yield '# shape = "horizontal_cylinder"  # a cylinder that lies; without this line as wide above as below'
    for key, value in LIMITS.get(fluid, ()):
        yield f"# {key} = {value:g}  # {MEANINGS[key]}"
    silence_s = max(SHORTEST_SILENCE_S, round(SILENT_PERIODS * (tank["period_s"] or 0), -1))
    yield f"# silent_after_s = {silence_s:g}  # alarm when nothing was heard of it for longer"


def _sender(tank: dict[str, Any]) -> tuple[str | None, int]:
    return tank["channel"], tank["source_address"]


def _words(status: str) -> str:
    return status.replace("_", " ")


def _comment(text: str, most: int) -> str:
    """Text for a comment: in one line, without anything that drives a terminal or ends the comment, nor of any length."""
    return printable(" ".join(text.split()), most)
