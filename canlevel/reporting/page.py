"""A gathered report as one page of HTML that opens without a network: Report in, text out.

Escaping is the template engine's (autoescape): whatever comes from the bus, a roster or a file is text and nothing else. A
content security policy in the page forbids every request, and every script but the page's own two, told by their sums.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from math import isnan
from pathlib import Path
from typing import Any

from canlevel.derivation.flows import GAP_PERIODS, GAP_S
from canlevel.errors import printable
from canlevel.findings.checks import HYGIENE, LEVELS, MOVING, WIRES
from canlevel.history import LATELY_DAYS
from canlevel.reporting.gather import Report, Span, TankHistory
from canlevel.reporting.pictures import MOST_MARKS, level_svg, limits_of, shaded
from canlevel.reporting.proofs import RESULT_WORDS, Proof
from canlevel.reporting.zoom import LEVEL_STEP_PCT, library_script, packed, zoomable
from canlevel.show.ahead import crossed_words, durations, figure
from canlevel.show.findings import device_facts, device_words
from canlevel.show.text import NOTHING, STATUS_WORDS, levels, rate, span_text
from canlevel.tables import timestamp_us
from canlevel.units import VolumeUnit
from canlevel.words import NO_VESSEL, PROTOCOL_NAMES, counted, span_words

__all__ = ["Headline", "headlines", "report_html"]

TEMPLATES = Path(__file__).parent / "templates"
MOST_FLOWS, MOST_OUTAGES = 500, 100
SHORT_DAY_H = 23.0
SOON_H = 24.0
MOST_WARNINGS = 8
SILENT_PERIODS, SILENT_S = 20, 600.0
FEWEST_READINGS = 3  # as a proof has it: fewer show no rhythm, no change and no limit kept
FLUID_WORDS = {
    "fresh_water": "fresh water",
    "grey_water": "grey water",
    "black_water": "black water",
    "live_well": "live well",
    "lpg": "gas (LPG)",
    "def": "diesel exhaust fluid",
    "washer_fluid": "washer fluid",
    "unknown": "a fluid that the bus does not name",
}
KEPT = "\n\u200c\u200d\u200e\u200f"  # joiners and marks that some scripts need
GRADES = {"fault": "Fault", "warning": "Warning", "info": "Note", "good": "Good"}
VERDICT_GRADES = {"proved": "good", "proved with remarks": "warning", "not proved": "fault"}
CONTENTS = (
    ("glance", "At a glance"),
    ("tanks", "Tanks"),
    ("flows", "Fills and drains"),
    ("use", "Daily use"),
    ("balance", "Water balance"),
    ("leaks", "Leak watch"),
    ("outlook", "Outlook"),
    ("findings", "Findings"),
    ("devices", "Devices"),
    ("proofs", "Proofs"),
    ("outages", "When nothing was heard"),
    ("how", "How each figure was made"),
    ("cautions", "Cautions"),
)
CAUTIONS = (
    f"{LEVELS} Nothing in this report replaces them.",
    WIRES,
    HYGIENE,
    MOVING,
    "A suspected leak of fuel or gas is a matter for a detector and a licensed trade at once, whatever a level says.",
    "Local codes and licensed practice come before anything that is written here.",
)


@dataclass(frozen=True, slots=True)
class Headline:
    """One thing that matters, in a sentence. grade: how bad, a key of GRADES. word: what kind of thing. link: the id of where
    there is more of it."""

    grade: str
    word: str
    text: str
    link: str = ""
    link_text: str = "more"


def report_html(report: Report, *, units: VolumeUnit = VolumeUnit.LITRE, version: str = "") -> str:
    """The page. units: for litres and rates. version: of the program, as the page tells it."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined
    from markupsafe import Markup

    environment = Environment(
        loader=FileSystemLoader(TEMPLATES, encoding="utf-8"),
        autoescape=True,
        finalize=_shown,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    # Bokeh's JSON refers back to what stands before it: the order of its keys matters.
    environment.policies["json.dumps_kwargs"] = {"sort_keys": False, "separators": (",", ":")}
    names = _Names(report)
    tanks = [_tank(number, tank, report, names, units) for number, tank in enumerate(report.tanks)]
    for tank in tanks:
        tank["still"] = Markup(tank["still"])  # figures and dates alone, by the drawing library
    pictures = _pictures(report)
    library, script = (library_script(), _asset("report.js")) if pictures else ("", "")
    sums = [base64.b64encode(hashlib.sha256(text.encode()).digest()).decode() for text in (library, script) if text]
    outages = _outages(report)
    unheard, unheard_count = _unheard(report, tanks)
    context = {
        "css": Markup(_asset("report.css")),
        "library": Markup(library),
        "script": Markup(script),
        "script_hashes": Markup(" ".join(f"'sha256-{one}'" for one in sums) or "'none'"),
        "pictures": pictures,
        "title": ", ".join(report.vessels) or "Tanks of a vessel without a name",
        "version": version,
        "made": f"{report.made.astimezone(UTC):%Y-%m-%d %H:%M}",
        "span": _span(report.begin_us, report.end_us),
        "unit": units.symbol,
        "facts": list(_facts(report)),
        "contents": [(id, label) for id, label in CONTENTS if id != "outages" or outages or unheard or report.clock],
        "headline": headlines(report, units),
        "tanks": tanks,
        **_flows(report, names, units),
        **_use(report, units),
        "balance": [_balance(row, units) for row in reversed(report.balance.to_pylist())],
        "several_vessels": names.vessels,
        "leaks": [row for tank, shown in zip(report.tanks, tanks, strict=True) for row in _leaks(tank, shown, units)],
        "watched_note": _watched_note(report),
        "outlook": [
            _outlook(tank.ahead, shown, units)
            for tank, shown in zip(report.tanks, tanks, strict=True)
            if tank.ahead is not None
        ],
        "outlook_at": _at(report.end_us),
        **_bus(report),
        "proofs": [_proof(proof, units) for proof in report.proofs],
        "outages": outages,
        "outages_all": f"{len(report.outages):,}",
        "outages_left_out": len(report.outages) > MOST_OUTAGES,
        "unheard": unheard,
        "unheard_all": f"{unheard_count:,}",
        "clock": [_clock(row) for row in report.clock],
        "making": list(_making(report, units)),
        "cautions": CAUTIONS,
    }
    return environment.get_template("report.html").render(context)


def _asset(name: str) -> str:
    return (TEMPLATES / name).read_text(encoding="utf-8")


# ---- moments and figures ----


def _moment(time_us: int) -> datetime:
    return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=time_us)


def _at(moment: datetime | int | None, *, seconds: bool = False) -> str:
    if moment is None:
        return NOTHING
    moment = _moment(moment) if isinstance(moment, int) else moment
    return f"{moment.astimezone(UTC):%Y-%m-%d %H:%M{':%S' if seconds else ''}}"


def _span(begin_us: int | None, end_us: int | None) -> str:
    if begin_us is None or end_us is None:
        return ""
    begin, end = _at(begin_us), _at(end_us)
    return f"{begin} to {end[11:] if end[:10] == begin[:10] else end}"


def _pct(value: float | None, digits: int = 1) -> str:
    return NOTHING if value is None else f"{value + 0.0:.{digits}f}"


def _litres(value: float | None, units: VolumeUnit) -> str:
    return NOTHING if value is None or isnan(value) else figure(value, units)


def _within(low: float | None, high: float | None, units: VolumeUnit) -> str:
    if low is None or high is None or isnan(low) or isnan(high):
        return ""
    return f" ({figure(low, units)} to {figure(high, units)})"


def _shown(value: Any) -> Any:
    """What the page shows of a text: marks that drive a terminal or turn the direction of what follows stand as their codes."""
    if type(value) is str and not value.isprintable():
        return "".join(c if c.isprintable() or c in KEPT else ascii(c)[1:-1] for c in value)
    return value


class _Names:
    """What tanks are called: with their device where two of a vessel are called the same, and with their vessel where there is
    more than one. vessels: whether there is."""

    def __init__(self, report: Report) -> None:
        called = [(tank.vessel, tank.name or tank.tank) for tank in report.tanks]
        self._several = {one for one in called if called.count(one) > 1}
        self.vessels = several_vessels(report)

    def alike(self, vessel: str | None, name: str) -> bool:
        return (vessel, name) in self._several

    def told(self, tank: TankHistory) -> str:
        """In a sentence: with its vessel where there are several."""
        name = tank.name or tank.tank
        return f"{tank.vessel or NO_VESSEL}, {name}" if self.vessels else name


def several_vessels(report: Report) -> bool:
    """Whether the tanks are of more than one vessel, so that each has to say whose it is."""
    return len({tank.vessel for tank in report.tanks}) > 1


# ---- what matters ----


def headlines(report: Report, units: VolumeUnit = VolumeUnit.LITRE) -> list[Headline]:
    """What matters most, the worst first; at least one sentence, also where all is well."""
    found = sorted(_headlines(report, units), key=lambda one: ("fault", "warning", "info").index(one.grade))
    judged = [tank for tank in report.tanks if tank.readings >= FEWEST_READINGS]
    if judged and not any(one.grade in ("fault", "warning") for one in found):
        looked = "fault, crossed limit or leak" if report.explanation else "crossed limit or leak"
        found.insert(0, Headline("good", "Good", f"no {looked} was found in {counted(len(judged), 'tank')}"))
    short = sum(row["status"] == "too little quiet time" for tank in report.tanks for row in tank.leaks)
    if short:
        found.append(
            Headline("info", "Note", f"too little quiet time to watch {counted(short, 'tank')} for leaks", "leaks")
        )
    if report.explanation is None:
        text = "faults of the bus and its devices were not looked for: that takes a recording"
        found.append(Headline("info", "Note", text, "findings"))
    return found


def _headlines(report: Report, units: VolumeUnit) -> Iterator[Headline]:
    if not report.tanks:
        yield Headline("fault" if report.explanation else "warning", "Nothing", "no tank was heard", "findings")
    names = _Names(report)
    for number, tank in enumerate(report.tanks, 1):
        yield from _of_tank(tank, names.told(tank), f"tank-{number}", report, units)
    for entry in report.missing:
        yield Headline("fault", "Missing", f"{entry.name}: in the roster, and not heard in this time", "tanks")
    if report.explanation is not None:
        findings = report.explanation.findings
        serious = [(n, one) for n, one in enumerate(findings, 1) if one.severity in ("fault", "warning")]
        if report.store is None:  # what the roster misses is told already
            serious = [(n, one) for n, one in serious if one.code != "tank-missing"]
        for number, one in serious[:MOST_WARNINGS]:
            yield Headline(
                one.severity, GRADES[one.severity], one.summary, f"finding-{number}", "causes and next steps"
            )
        if len(serious) > MOST_WARNINGS:
            yield Headline("warning", "More", counted(len(serious) - MOST_WARNINGS, "finding"), "findings")
    for proof in report.proofs:
        for proved in proof.tanks:
            if proved.verdict == "not proved":
                yield Headline("fault", "Proof", f"{proved.name or proved.tank}: not proved", "proofs")
    if report.undated:
        yield Headline("warning", "Times", f"{counted(report.undated, 'reading')} without a date could not be shown")


def _of_tank(tank: TankHistory, name: str, here: str, report: Report, units: VolumeUnit) -> Iterator[Headline]:
    """name: what it is called in a sentence."""
    if tank.readings < FEWEST_READINGS:
        yield Headline("info", "Note", f"{name}: {counted(tank.readings, 'reading')}, too little to judge", here)
    told = {alarm.kind for alarm in tank.alarms}
    for alarm in tank.alarms:
        yield Headline("fault", "Limit", f"{name}: {crossed_words(alarm, units)}", here)
    for row in tank.leaks:
        if row["status"] == "leak" and "leak_l_per_h" not in told:
            text = f"{name}: loses {_loss(row, units)} in quiet hours"
            yield Headline("fault", "Leak", f"{text}; {row['note']}" if row["note"] else text, "leaks")
        elif row["status"] == "gain":
            text = f"{name}: gains {_loss(row, units)} in quiet hours"
            yield Headline("warning", "Gain", f"{text}; {row['note']}" if row["note"] else text, "leaks")
    findings = report.explanation.findings if report.explanation is not None and report.store is None else ()
    explained = any(one.tank == tank.tank and one.severity != "info" for one in findings)  # which says more
    status = tank.overview["status"]
    if status == "over_range" and not explained:
        yield Headline("warning", "Level", f"{name}: {_pct(tank.overview['level_pct'])} %, outside 0 to 100 %", here)
    elif status not in ("ok", "over_range") and not explained:
        yield Headline("fault", "No level", f"{name}: {STATUS_WORDS[status]}, as its device said last", here)
    silent_s = _silent_s(tank, report)
    if silent_s is None:
        yield from _soon(tank, name)
    elif "silent_after_s" not in told and not explained:
        yield Headline("warning", "Silent", f"{name}: not heard for the last {span_words(silent_s)} of this time", here)


def _silent_s(tank: TankHistory, report: Report) -> float | None:
    """How long before the end a tank was heard last, if that is too long to be its rhythm."""
    last = tank.overview["last_heard"]
    if last is None or report.end_us is None:
        return None
    silent_s = (report.end_us - timestamp_us(last)) / 1e6
    usual_s = max(SILENT_PERIODS * (tank.overview["period_s"] or 0.0), SILENT_S)
    return silent_s if silent_s > usual_s else None


def _soon(tank: TankHistory, name: str) -> Iterator[Headline]:
    ahead = tank.ahead
    if ahead is None:
        return
    for kind, why in (("present", "at the rate of the moment"), ("habit", "at its habit")):
        hours = ahead[f"{kind}_h"]
        if hours is not None and hours <= SOON_H:
            told = _duration(ahead, kind)
            yield Headline("info", "Soon", f"{name}: {ahead[f'{kind}_toward']} in {told} {why}", "outlook")
            return


def _duration(row: dict[str, Any], kind: str) -> str:
    hours, low, high = durations(row[f"{kind}_h"], row[f"{kind}_low_h"], row[f"{kind}_high_h"])
    return f"{hours} ({low} to {high})"


# ---- sections ----


def _facts(report: Report) -> Iterator[tuple[str, str]]:
    if report.sources:
        yield "Recording" if len(report.sources) == 1 else "Recordings", ", ".join(report.sources)
    if report.store is not None:
        yield "History", Path(report.store).resolve().name
    yield "Tanks", f"{len(report.tanks)}, with {counted(sum(tank.readings for tank in report.tanks), 'reading')}"


def _tank(number: int, tank: TankHistory, report: Report, names: _Names, units: VolumeUnit) -> dict[str, Any]:
    view, name = tank.overview, tank.name or tank.tank
    picture = any(level == level for level in tank.points.level_pct.tolist()[:2])
    status = view["status"]
    told = STATUS_WORDS[status] + (f"; {counted(view['malformed'], 'malformed frame')}" if view["malformed"] else "")
    silent_s = _silent_s(tank, report)
    if silent_s is not None:
        told = f"{told}; silent for {span_words(silent_s)}" if status != "ok" else f"silent for {span_words(silent_s)}"
    limits = limits_of(tank)
    noted, unheard = shaded(tank, report)
    return {
        "name": tank.name,
        "vessel": (tank.vessel or NO_VESSEL) if names.vessels else "",
        "tank": tank.tank,
        "alike": names.alike(tank.vessel, name),
        "source_address": tank.source_address,
        "channel": view["channel"] or NOTHING,
        "fill": None if view["level_pct"] is None else f"{min(max(view['level_pct'], 0.0), 100.0):.0f}",
        "level": _pct(view["level_pct"]),
        "volume": _litres(view["volume_l"], units),
        "capacity": _litres(view["capacity_l"], units),
        "status": told,
        "bad": status not in ("ok", "over_range") or silent_s is not None,
        "alarms": [crossed_words(alarm, units) for alarm in tank.alarms],
        "no_alarm": "none" if tank.entry is not None and tank.entry.has_limits else "no limits set",
        "last_heard": _at(view["last_heard"], seconds=True),
        "sentence": _sentence(tank, units),
        "picture": picture,
        "still": level_svg(tank, report, f"p{number}") if picture else "",
        "caption": _caption(tank),
        "noted": bool(noted),
        "unheard": bool(unheard),
        "fills": any(flow["kind"] == "fill" for flow in tank.flows),
        "drains": any(flow["kind"] == "drain" for flow in tank.flows),
        "limits": f"limit{'s' * (len(limits) > 1)} at " + " and ".join(f"{limit:g} %" for limit in limits)
        if limits
        else "",
        "litres": tank.litres,
        "stretches_label": f"Levels in steps of {_width(tank.stretch_s)}, lowest and highest of all readings",
        "stretches": list(_stretches(tank, unheard, units)),
        "period": NOTHING if view["period_s"] is None else f"{view['period_s']:.1f} s",
        "readings": f"{tank.readings:,}",
        "step": NOTHING if view["step_pct"] is None else f"{view['step_pct']:.2g}",
        "noise": NOTHING if view["noise_pct"] is None else f"{view['noise_pct']:.2g}",
    }


def _stretches(tank: TankHistory, unheard: Sequence[Span], units: VolumeUnit) -> Iterator[dict[str, Any]]:
    """Rows of the table below a picture, and between them, in the order of time, where nothing was heard."""
    seconds = tank.stretch_s < 60
    rows: list[tuple[int, dict[str, Any]]] = []
    for row in tank.stretches:
        cells = [_pct(row.lowest_pct), _pct(row.highest_pct), _pct(row.last_pct)]
        cells += [_litres(row.last_l, units)] if tank.litres else []
        told = {"begin": _at(row.begin_us, seconds=seconds), "cells": [*cells, f"{row.readings:,}"], "note": ""}
        rows.append((row.begin_us, told))
    for begin_us, end_us in unheard:
        note = f"nothing heard until {_at(end_us, seconds=seconds)} ({span_words((end_us - begin_us) / 1e6)})"
        rows.append((begin_us, {"begin": _at(begin_us, seconds=seconds), "cells": [], "note": note}))
    for _, told in sorted(rows, key=lambda one: one[0]):
        yield told


def _sentence(tank: TankHistory, units: VolumeUnit) -> str:
    view = tank.overview
    protocol = PROTOCOL_NAMES.get(view["protocol"], view["protocol"])
    fluid = FLUID_WORDS.get(tank.fluid, tank.fluid)
    which = "" if view["instance"] is None else f" instance {view['instance']},"
    parts = [f"{fluid[:1].upper()}{fluid[1:]},{which} {protocol}, sent by device {tank.source_address}."]
    if view["level_pct"] is not None:
        litres = ""
        if view["volume_l"] is not None:
            of = f" of {figure(view['capacity_l'], units)}" if view["capacity_l"] else ""
            litres = f", {figure(view['volume_l'], units)}{of} {units.symbol}"
        parts.append(f"At its last reading {_pct(view['level_pct'])} %{litres}.")
    else:
        parts.append(f"Its last reading told no level: {STATUS_WORDS[view['status']]}.")
    if view["capacity_l"] is None:
        parts.append("Neither the device nor the roster says what it holds, so there are no litres.")
    if view["step_pct"] is not None and view["step_pct"] >= 1:
        parts.append(f"Its sender moves in steps of {view['step_pct']:.2g} %.")
    return " ".join(parts)


def _caption(tank: TankHistory) -> str:
    if tank.drawn_s is None:
        return f"All {tank.readings:,} readings. " if tank.readings != 1 else "One reading: too little to judge. "
    marks = f", the {MOST_MARKS} largest fills and drains marked" if len(tank.flows) > 2 * MOST_MARKS else ""
    return f"Of {tank.readings:,} readings the first, last, lowest and highest of every {span_words(tank.drawn_s)}{marks}. "


def _width(seconds: int) -> str:
    for name, length in (("week", 604_800), ("day", 86_400), ("hour", 3600), ("minute", 60), ("second", 1)):
        if seconds >= length and seconds % length == 0:
            return counted(seconds // length, name)
    return f"{seconds} s"


def _pictures(report: Report) -> dict[str, Any] | None:
    if report.begin_us is None or report.end_us is None:
        return None
    figures = [
        {"item": zoomable(tank, report), "points": packed(tank.points, report.begin_us)} for tank in report.tanks
    ]
    return {
        "begin_ms": report.begin_us / 1000,
        "end_ms": max(report.end_us, report.begin_us + 1_000_000) / 1000,
        "level_step": LEVEL_STEP_PCT,
        "figures": figures,
    }


def _flows(report: Report, names: _Names, units: VolumeUnit) -> dict[str, Any]:
    called = {(tank.vessel, tank.tank, tank.source_address): tank for tank in report.tanks}
    n = len(report.flows)
    rows = []
    for flow in reversed(report.flows.slice(max(n - MOST_FLOWS, 0)).to_pylist()):
        tank = called.get((flow["vessel"], flow["tank"], flow["source_address"]))
        name = (tank.name if tank is not None else flow["name"]) or flow["tank"]
        if names.alike(flow["vessel"], name):
            name += f" (device {flow['source_address']})"
        in_litres = flow["rate_l_per_min"] is not None
        rows.append(
            {
                "start": _at(flow["start"], seconds=True),
                "name": name,
                "vessel": flow["vessel"] or NO_VESSEL,
                "kind": flow["kind"],
                "lasts": span_text((flow["end"] - flow["start"]).total_seconds()),
                "levels": levels(flow["start_level_pct"], flow["end_level_pct"]),
                "volume": _litres(flow["volume_l"], units),
                "rate": rate(flow["rate_l_per_min"], flow["rate_low"], flow["rate_high"], units)
                if in_litres
                else f"{flow['rate_pct_per_min']:+.2f} %/min",
            }
        )
    fills = sum(flow["kind"] == "fill" for flow in rows)
    return {
        "flows": rows,
        "flows_all": f"{n:,}",
        "flows_left_out": n > MOST_FLOWS,
        "flows_word": f"{counted(fills, 'fill')}, {counted(len(rows) - fills, 'drain')}",
    }


def _use(report: Report, units: VolumeUnit) -> dict[str, Any]:
    def cell(tank: TankHistory, out: float, into: float) -> dict[str, str]:
        used, other = (into, out) if tank.is_waste else (out, into)
        done = "emptied" if tank.is_waste else "filled"
        told = [figure(value, units) if tank.litres else f"{value:.1f}" for value in (used, other)]
        return {"used": told[0] if used else "0", "other": f"{done} {told[1]}" if other else ""}

    days = sorted({day.date for tank in report.tanks for day in tank.days}, reverse=True)
    by_day = [{day.date: day for day in tank.days} for tank in report.tanks]
    rows = []
    for date in days:
        cells = []
        for tank, known in zip(report.tanks, by_day, strict=True):
            day = known.get(date)
            if day is None or day.heard_h is None:
                cells.append({"used": NOTHING, "other": "", "note": "not heard"})
                continue
            note = f"of {span_words(3600 * day.heard_h)}" if day.heard_h < SHORT_DAY_H else ""
            cells.append(cell(tank, day.out, day.into) | {"note": note})
        rows.append({"date": date, "cells": cells})
    total = [cell(tank, sum(day.out for day in tank.days), sum(day.into for day in tank.days)) for tank in report.tanks]
    return {"use_rows": rows, "use_total": total}


def _balance(row: dict[str, Any], units: VolumeUnit) -> dict[str, str]:
    return {
        "date": row["date"],
        "vessel": row["vessel"] or NOTHING,
        "since": f"{row['since']:%H:%M}",
        "until": f"{row['until']:%H:%M}",
        "out": _litres(row["out_of_fresh_l"], units),
        "into": _litres(row["into_waste_l"], units),
        "missing": _litres(row["missing_l"], units) + _within(row["missing_low"], row["missing_high"], units),
        "note": row["note"] or "",
    }


def _loss(row: dict[str, Any], units: VolumeUnit) -> str:
    if row["leak_l_per_h"] is not None:
        return f"{figure(abs(row['leak_l_per_h']), units)} {units.symbol}/h"
    return f"{abs(row['leak_pct_per_h']):.2f} %/h"


def _leaks(tank: TankHistory, shown: dict[str, Any], units: VolumeUnit) -> Iterator[dict[str, Any]]:
    for row in tank.leaks:
        told = ""
        if row["leak_l_per_h"] is not None:
            told = figure(row["leak_l_per_h"], units) + _within(row["leak_low"], row["leak_high"], units)
        elif row["leak_pct_per_h"] is not None:
            told = f"{row['leak_pct_per_h']:.2f} %/h"
        smallest = NOTHING
        if row["smallest_l_per_h"] is not None:
            smallest = f"{figure(row['smallest_l_per_h'], units)} {units.symbol}/h"
        elif row["smallest_pct_per_h"] is not None:
            smallest = f"{row['smallest_pct_per_h']:.2f} %/h"
        yield {
            "tank": shown,
            "status": row["status"],
            "grade": {"leak": "fault", "gain": "warning"}.get(row["status"], ""),
            "rate": told or NOTHING,
            "smallest": smallest,
            "quiet": f"{row['quiet_h']:.0f}",
            "span": [NOTHING] if row["since"] is None else [_at(row["since"]), _at(row["until"])],
            "note": row["note"] or "",
        }


def _watched_note(report: Report) -> str:
    if report.watched_us is None or report.begin_us is None or report.watched_us <= report.begin_us:
        return ""
    return (
        f"The leak watch, the outlook and the water balance look at the last {LATELY_DAYS} days, from "
        f"{_at(report.watched_us)} UTC on; canlevel leaks --since looks further back."
    )


def _outlook(row: dict[str, Any], shown: dict[str, Any], units: VolumeUnit) -> dict[str, Any]:
    pace, use = row["present_rate_l_per_min"], row["habit_l_per_day"]
    told = {}
    for kind, before in (
        ("present", "" if pace is None else f"{figure(pace, units)} {units.symbol}/min: "),
        ("habit", "" if use is None else f"{figure(use, units)} {units.symbol} a day: "),
    ):
        text = row[f"{kind}_note"] or NOTHING
        if row[f"{kind}_h"] is not None:
            text = f"{row[f'{kind}_toward']} in {_duration(row, kind)}"
            text += f", learnt from {row['habit_days']} days" if kind == "habit" else ""
        told[kind] = before + text
    return {"tank": shown, "level": _pct(row["level_pct"]), **told}


# ---- the bus ----


def _bus(report: Report) -> dict[str, Any]:
    if report.explanation is None:
        return {"bus": None, "findings": [], "devices": [], "several_channels": False}
    document = report.explanation.to_dict()
    bus = document["bus"]
    facts = [counted(bus["frames"], "frame")]
    if bus["seconds"] is not None:
        facts.append(f"heard for {span_words(bus['seconds'])}")
    if bus["protocols"]:
        facts.append(" and ".join(PROTOCOL_NAMES[word] for word in bus["protocols"]))
    loads = [c["worst_minute_load_pct"] for c in bus["channels"] if c["worst_minute_load_pct"] is not None]
    if loads:
        facts.append(f"the fullest minute took at most {max(loads):.1f} % of the bus")
    if bus["skipped_lines"]:
        facts.append(f"{counted(bus['skipped_lines'], 'line')} could not be read")
    if bus["dropped_frames"]:
        facts.append(f"the recorder lost {counted(bus['dropped_frames'], 'frame')}")
    longest = max((one["needs_seconds"] for one in bus["not_checked"]), default=0.0)
    too_short = ""
    if bus["not_checked"]:
        codes = ", ".join(one["code"] for one in bus["not_checked"])
        too_short = f"Heard for too short a time to check {codes}: that takes up to {span_words(longest)}."
    rows = document["devices"]
    return {
        "bus": {"sentence": ", ".join(facts) + ".", "too_short": too_short},
        "findings": [_finding(one) for one in document["findings"]],
        "devices": [_device(row, when) for row, when in zip(rows, report.heard_words, strict=True)],
        "several_channels": len({row["channel"] for row in rows}) > 1,
    }


def _finding(finding: dict[str, Any]) -> dict[str, Any]:
    evidence = finding["evidence"]
    seen = [counted(evidence["frames"], "frame")] if evidence["frames"] else []
    if evidence["first_time"]:
        ends = [f"{text[:10]} {text[11:19]}" for text in (evidence["first_time"], evidence["last_time"]) if text]
        seen.append(" to ".join(dict.fromkeys(ends)) + " UTC")
    if evidence["first_line"] is not None:
        seen.append(f"from line {evidence['first_line']:,} on")
    return {
        "severity": finding["severity"],
        "word": GRADES[finding["severity"]],
        "summary": finding["summary"],
        "seen": "Seen: " + ", ".join(seen) if seen else "",
        "sample": printable(evidence["sample"], 80) if evidence["sample"] else "",
        "causes": [_capital(cause) for cause in finding["causes"]],
        "next_steps": [_capital(step) for step in finding["next_steps"]],
        "caution": finding["caution"],
        "code": finding["code"],
    }


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _device(row: dict[str, Any], when: str) -> dict[str, Any]:
    facts = device_facts(row, when)
    return {
        "address": f"{row['source_address']} ({row['source_address']:02X}h)",
        "channel": row["channel"] or NOTHING,
        "what": device_words(row),
        "tanks": row["tanks"],
        "facts": [f"{label}: {text}" for label, text in facts if label in ("product", "note", "NAME", "heard")],
        "faults": row["faults"],
        "sends": next((text for label, text in facts if label == "sends"), ""),
    }


# ---- proofs, outages, how it was made ----


def _proof(proof: Proof, units: VolumeUnit) -> dict[str, Any]:
    told = [f"from {proof.file}"]
    if proof.source:
        told.append(f"of {proof.source}")
    if proof.since and proof.until:
        told.append(f"{proof.since} to {proof.until}")
    return {
        "title": proof.vessel or "Proof",
        "told": ", ".join(told),
        "not_shown": proof.not_shown,
        "tanks": [
            {
                "tank": tank.tank,
                "name": tank.name or tank.tank,
                "verdict": tank.verdict,
                "grade": VERDICT_GRADES[tank.verdict],
                "reasons": tank.reasons,
                "cautions": tank.cautions,
                "questions": [
                    {
                        "title": item.title,
                        "result": RESULT_WORDS[item.result],
                        "measured": item.figure(units) or NOTHING,
                        "limit": item.limit,
                        "sentence": item.sentence,
                    }
                    for item in tank.items
                ],
            }
            for tank in proof.tanks
        ],
    }


def _outages(report: Report) -> list[dict[str, str]]:
    latest: Sequence[dict[str, Any]] = sorted(report.outages, key=lambda row: row["from"], reverse=True)[:MOST_OUTAGES]
    return [
        {
            "begin": _at(row["from"], seconds=True),
            "end": _at(row["to"], seconds=True),
            "lasts": NOTHING if row["to"] is None else span_words((row["to"] - row["from"]).total_seconds()),
            "why": row["why"] or NOTHING,
            "channel": row.get("channel") or "all",
        }
        for row in latest
    ]


def _unheard(report: Report, shown: Sequence[dict[str, Any]]) -> tuple[list[dict[str, Any]], int]:
    """(The latest times in which nothing was heard though no logger noted why, how many there are): of all tanks, and of one
    while another was heard. shown: the tanks, as the page has them."""
    rows: list[tuple[Span, dict[str, Any] | None]] = [(span, None) for span in report.silences]
    for tank, cells in zip(report.tanks, shown, strict=True):
        rows += [(gap, cells) for gap in tank.gaps if not any(a <= gap[0] and gap[1] <= b for a, b in report.silences)]
    latest = sorted(rows, key=lambda one: one[0], reverse=True)[:MOST_OUTAGES]
    told = [
        {
            "begin": _at(begin, seconds=True),
            "end": _at(end, seconds=True),
            "lasts": span_words((end - begin) / 1e6),
            "tank": cells,
        }
        for (begin, end), cells in latest
    ]
    return told, len(rows)


def _clock(row: dict[str, Any]) -> dict[str, str]:
    shift = row["shift_s"]
    return {
        "begin": _at(row["from"], seconds=True),
        "end": _at(row["to"], seconds=True),
        "shift": "never known" if shift is None else f"{shift:+,.0f} s",
        "why": row["why"] or NOTHING,
    }


def _making(report: Report, units: VolumeUnit) -> Iterable[tuple[str, str, str]]:
    yield (
        "times",
        "Times",
        "All times and days are UTC. Those of a recording are the recorder's own.",
    )
    yield (
        "pictures",
        "Pictures and their numbers",
        "A line joins readings; nothing is averaged. Where there are more readings than can be drawn, of every short "
        "stretch of time the first, the last, the lowest and the highest stay, so that no peak is lost (Jugel and "
        "others, M4, VLDB 2014). It is interrupted where nothing came for twenty usual periods and a minute. The table "
        "below a picture is made of all readings. Levels are drawn in steps of 0.004 %.",
    )
    yield (
        "litres",
        f"Volumes ({units.symbol})",
        "From the level by the tank's shape and what it holds: the roster's figure first, else the device's; without "
        "either, what the device itself says. Where half of the height is not half of the tank and no shape was given, "
        "so are the volumes wrong. "
        + {
            VolumeUnit.LITRE: "",
            VolumeUnit.US_GALLON: "1 US gallon is 3.785411784 litres (NIST SP 811).",
            VolumeUnit.IMPERIAL_GALLON: "1 imperial gallon is 4.54609 litres (NIST SP 811).",
        }[units],
    )
    yield (
        "flows",
        "Fills and drains",
        "Found in the readings, by what the sender can tell: its true step and its noise. The range holds the rate of a"
        " steady flow in about 95 of 100 cases. A flow within one step of a coarse sender cannot be seen, nor what "
        "happened while nothing was recorded.",
    )
    yield (
        "use",
        "Daily use",
        "The sum of the drains of a day (of a waste tank: its fills). A flow across midnight is shared out by time. "
        "Uses too small to be seen as flows are not in it; they are in the water balance. Where a tank was heard for a "
        "part of the day, that part is told.",
    )
    yield (
        "balance",
        "Water balance",
        "What the levels of all fresh tanks fell by and what was filled in, against what the levels of the waste tanks "
        "rose by and what was emptied, over the part of the day in which all were heard. The range comes from the "
        "senders' steps and noise, and 0.3 % of a tank for tilt and drift.",
    )
    yield (
        "leaks",
        "Leak watch",
        "Slow and steady change over the hours in which nothing was drawn, filled or sloshed, told where at most one "
        "alarm in a thousand tank-days is false. Beside it stands the smallest leak that the same sender would have "
        "shown in the same hours in 95 of 100 cases.",
    )
    yield (
        "outlook",
        "Outlook",
        "What is left, by the rate of a flow that is under way, and by use by the hour of the day over the last 14 days"
        " at most; each with a range of 95 %. It takes the days to come to be like those before.",
    )
    yield (
        "limits",
        "Limits",
        "Those that the owner set in the roster: low_pct, high_pct, silent_after_s, leak_l_per_h. Levels are those of "
        "the last reading, silence is counted to the last reading of any tank, a leak is that of the leak watch.",
    )
    yield (
        "findings",
        "Findings",
        "From every frame of the recording. A finding rests on frames, and the first of them is quoted. What a listener"
        " cannot know, such as termination or supply, comes as a next step with what to measure.",
    )
    yield (
        "devices",
        "Devices",
        "What each device said of itself while it was heard: NAME, product, installer's texts, its rhythm, its share of"
        " the bits on the bus, and the faults it reports. A maker appears as its number.",
    )
    least = f"{span_words(GAP_S)} and {GAP_PERIODS} of its usual periods"
    noted = (
        "Outages are as the logger noted them: from the last that was heard to the first that was heard again. Such a gap is "
        "the logger's or the bus's, and tells nothing of a tank. "
        if report.store is not None
        else ""
    )
    every = "" if report.store is not None else "; also a minute and more in which no tank said anything"
    yield (
        "outages",
        "When nothing was heard",
        f"{noted}Where nothing was heard, there is no reading for longer than {least}, and nobody noted why: it was not "
        f"recorded, or the device or the bus was off{every}. What a tank did then, nobody knows.",
    )
