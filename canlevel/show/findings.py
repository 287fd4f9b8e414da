"""Findings and the roll of a bus for people: an Explanation, as plain values, and DEVICES as lines of text."""

from __future__ import annotations

import textwrap
from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

from canlevel.errors import printable

__all__ = ["device_lines", "explanation_lines"]

Line = tuple[str, str]  # style, text
STYLES = {"fault": "bold red", "warning": "bold yellow", "info": "cyan"}
PROTOCOL_NAMES = {"nmea2000": "NMEA 2000", "rvc": "RV-C", "j1939": "J1939"}
INDENT = 4
LABEL = 8
CAUSES_SHOWN, STEPS_SHOWN = 3, 3
NAMED = 5  # tanks of a remark
# What each kind of question looked for, for a bus with which nothing is wrong.
CHECKED = (
    "the bus: silence, errors, load, lost frames, the recorder's clock",
    "each tank: there at all, its numbers, whether it moves as liquid does, its period, its capacity",
    "who is who: one device to a tank, one sender to a device, addresses claimed and kept",
    "what devices report of themselves",
)
NOT_HEARD = (
    "What a listener cannot hear: terminators (60 ohm between the data wires, power off), supply (9 to 16 V), cables, and "
    "whether a level is true: fill and drain to prove it."
)


def explanation_lines(document: Mapping[str, Any], title: str, width: int, height: int) -> list[Line]:
    """An Explanation as to_dict() gives it, as lines (style, text) that fit a screen of so many columns and rows, if they can.

    The worst first and in full, with likely causes and next steps; what no longer fits as one sentence each.
    """
    findings = document["findings"]
    lines: list[Line] = [*_head(document, title, width), ("", "")]
    if not any(finding["severity"] != "info" for finding in findings):
        lines.append(("bold green", "Nothing is wrong that a listener can hear."))
        checked = [f"{part};" for part in CHECKED[:-1]] + [f"{CHECKED[-1]}."]
        lines += _wrapped("Checked", checked, width)
        lines += _wrapped("", [NOT_HEARD], width)
        if findings:
            lines.append(("", ""))
    cautions = list(dict.fromkeys(finding["caution"] for finding in findings if finding["caution"]))
    tail: list[Line] = []
    for caution in _sentences(cautions):
        tail += _wrapped("Caution", [caution], width, style="yellow", indent=0)
    lines += _within(_grouped(findings), width, height - len(lines) - len(tail) - 2)
    if tail and lines[-1] != ("", ""):
        lines.append(("", ""))
    return lines + tail


def _grouped(findings: Sequence[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """Remarks that say the same of several tanks as one, which names the others; faults and warnings as they are."""
    shown: list[Mapping[str, Any]] = [finding for finding in findings if finding["severity"] != "info"]
    remarks: dict[tuple[str, str], list[Mapping[str, Any]]] = {}
    for finding in findings:
        if finding["severity"] == "info":
            said = finding["summary"].partition(": ")[2]  # what is said of whom stands before it
            remarks.setdefault((finding["code"], said), []).append(finding)
    for first, *others in remarks.values():
        tanks = [finding["tank"] or f"address {finding['source_address']}" for finding in others]
        more = f" and {len(tanks) - NAMED} more" if len(tanks) > NAMED else ""
        also = f"; likewise {', '.join(tanks[:NAMED])}{more}" if tanks else ""
        shown.append({**first, "summary": f"{first['summary']}{also}"})
    return shown


def _within(findings: Sequence[Mapping[str, Any]], width: int, rows: int) -> list[Line]:
    """Findings in so many rows: as many in full as leave room for a sentence each of the others; the first always, unless it is
    a mere remark. What has no room for a sentence is counted.
    """
    grave = sum(finding["severity"] != "info" for finding in findings)
    full = [_in_full(finding, width) for finding in findings[: min(grave, rows)]]
    short = [_in_short(finding, width) for finding in findings[:rows]]
    shown = min(grave, 1)
    for more in range(len(full), 1, -1):
        if len(findings) <= rows and sum(map(len, full[:more])) + sum(map(len, short[more:])) <= rows:
            shown = more
            break
    lines = [line for one in full[:shown] for line in one]
    told = shown
    for one in short[shown:]:
        if len(lines) + len(one) >= rows and told + 1 < len(findings):
            break
        lines += one
        told += 1
    if told < len(findings):
        left = Counter(finding["severity"] for finding in findings[told:])
        words = [f"{n:,} {word}{'s' if n > 1 and word != 'info' else ''}" for word, n in left.items()]
        lines.append(("dim", f"and {', '.join(words)} more. All of it: --format json"))
    elif shown < grave:
        lines.append(("dim", "Causes and next steps of all of them: --format json"))
    return lines


def _sentences(cautions: Sequence[str]) -> list[str]:
    """Cautions taken apart, each sentence once."""
    parts = [part.strip() for caution in cautions for part in caution.replace(". ", ".\n").splitlines()]
    return [" ".join(dict.fromkeys(parts))] if parts else []


def _head(document: Mapping[str, Any], title: str, width: int) -> list[Line]:
    bus = document["bus"]
    facts = [f"{bus['frames']:,} frames"]
    if bus["seconds"] is not None:
        facts.append(_span(bus["seconds"]))
    if bus["protocols"]:
        facts.append(" and ".join(PROTOCOL_NAMES[word] for word in bus["protocols"]))
    loads = [c["worst_minute_load_pct"] for c in bus["channels"] if c["worst_minute_load_pct"] is not None]
    if loads:
        facts.append(f"load at most {max(loads):.0f} %" if max(loads) >= 1 else "load below 1 %")
    facts += [_count(len(document["tanks"]), "tank"), _count(len(document["devices"]), "device")]
    return [("bold", line) for line in _wrap(f"{printable(title)}: {', '.join(facts)}", width)]


def _in_short(finding: Mapping[str, Any], width: int) -> list[Line]:
    severity = finding["severity"]
    text = f"{severity.upper():<8}{printable(finding['summary'])}  [{finding['code']}]"
    lines = _wrap(text, width, subsequent_indent=" " * LABEL)
    return [(STYLES[severity], line) for line in lines]


def _in_full(finding: Mapping[str, Any], width: int) -> list[Line]:
    lines = _in_short(finding, width)
    seen = _seen(finding["evidence"])
    if seen:
        lines += _wrapped("Seen", [seen], width)
    if finding["causes"]:
        lines += _wrapped("Likely", [_sentence("; or ".join(finding["causes"][:CAUSES_SHOWN]))], width)
    label = "Next"
    for step in finding["next_steps"][:STEPS_SHOWN]:
        lines += _wrapped(label, [_sentence(step)], width)
        label = ""
    return [*lines, ("", "")]


def _sentence(text: str) -> str:
    """With a capital at its beginning and a full stop at its end."""
    return text[:1].upper() + text[1:] + ("" if text.endswith(("?", ".")) else ".")


def _seen(evidence: Mapping[str, Any]) -> str:
    if not evidence["frames"]:
        return ""
    parts = [_count(evidence["frames"], "frame")]
    first, last = evidence["first_time"], evidence["last_time"]
    if first:
        begin, end = (f"{text[:10]} {text[11:19]}" for text in (first, last or first))
        if end[:10] == begin[:10]:
            end = end[11:]
        parts.append(f"{begin} UTC" if first == last else f"{begin} to {end} UTC")
    if evidence["first_line"] is not None:
        parts.append(f"from line {evidence['first_line']:,} on")
    text = ", ".join(parts)
    return f"{text}: {printable(evidence['sample'], 60)}" if evidence["sample"] else text


def _wrapped(label: str, parts: Sequence[str], width: int, *, style: str = "", indent: int = INDENT) -> list[Line]:
    """Parts one after the other behind a label, wrapped."""
    text = " ".join(printable(part) for part in parts)
    head = " " * indent + f"{label:<{LABEL}}"
    return [(style, line) for line in _wrap(text, width, initial_indent=head, subsequent_indent=" " * len(head))]


def _wrap(text: str, width: int, *, initial_indent: str = "", subsequent_indent: str = "") -> list[str]:
    """Lines of at most `width` characters; a code, a name with hyphens, stays in one piece."""
    return textwrap.wrap(
        text,
        width,
        initial_indent=initial_indent,
        subsequent_indent=subsequent_indent,
        break_on_hyphens=False,
    )


def _span(seconds: float) -> str:
    for unit, length in (("days", 86_400.0), ("h", 3600.0), ("min", 60.0)):
        if seconds >= 2 * length:
            return f"{seconds / length:.1f}".removesuffix(".0") + f" {unit}"
    return f"{seconds:.0f} s"


def _count(n: int, what: str) -> str:
    return f"{n:,} {what}{'' if n == 1 else 's'}"


def device_lines(rows: Sequence[Mapping[str, Any]], width: int) -> list[Line]:
    """DEVICES as plain values: a head line for each device, and below it what else is known, in lines of `width`."""
    lines: list[Line] = []
    several = len({row["channel"] for row in rows}) > 1
    for row in rows:
        what = " ".join(dict.fromkeys(word for word in (row["make"], row["model"]) if word))
        where = f" on {row['channel']}" if several and row["channel"] else ""
        source = row["source_address"]
        head = f"{source:>3} ({source:02X}h){where}  {printable(what) or 'says nothing of itself'}"
        lines += [("bold", line) for line in _wrap(head, width, subsequent_indent=" " * INDENT)]
        for label, text in _device_facts(row):
            lines += _wrapped(label, [text], width, style="red" if label == "faults" else "")
        lines.append(("", ""))
    return lines


def _device_facts(row: Mapping[str, Any]) -> list[tuple[str, str]]:
    facts: list[tuple[str, str]] = []
    if row["tanks"]:
        facts.append(("tanks", ", ".join(row["tanks"])))
    told = [f"{label} {row[key]}" for key, label in (
        ("serial", "serial"), ("unit", "unit"), ("software", "software"), ("model_version", "version"),
        ("product_code", "product code"), ("load_ma", "takes mA:"),
    ) if row[key] not in (None, "")]  # fmt: skip
    if told:
        facts.append(("product", ", ".join(told)))
    if row["installer_text"]:
        facts.append(("note", " / ".join(row["installer_text"])))
    if row["name"] is not None:
        facts.append(("NAME", (
            f"{row['name']}: manufacturer code {row['manufacturer_code']}, identity {row['identity']}, "
            f"function {row['function']} of class {row['device_class']}, instance {row['function_instance']}, "
            f"industry group {row['industry_group']} ({row['industry'].replace('_', ' ')})"
        )))  # fmt: skip
    else:
        facts.append(("NAME", "not claimed while listening"))
    sends = [
        f"{entry['pgn']} ({entry['pgn']:X}h) {entry['frames']:,}x"
        + (f" every {_period(entry['period_s'])}" if entry["period_s"] else "")
        for entry in row["sends"]
    ]
    facts.append(("sends", ", ".join(sends)))
    heard = [f"{str(row[key])[:19].replace('T', ' ')}" for key in ("first_heard", "last_heard") if row[key]]
    facts.append(
        ("heard", " to ".join(heard) + (" UTC, " if heard else "") + f"{row['load_share_pct']:.1f} % of the load")
    )
    if row["faults"]:
        facts.append(("faults", "; ".join(row["faults"])))
    return facts


def _period(seconds: float) -> str:
    return f"{seconds * 1000:.0f} ms" if seconds < 1 else f"{seconds:.1f} s"
