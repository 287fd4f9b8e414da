"""Findings and the roll of a bus for people: an Explanation, as plain values, and DEVICES as lines of text."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

from canlevel.errors import printable
from canlevel.show.cells import cut, paragraph
from canlevel.words import PROTOCOL_NAMES, counted, span_words

__all__ = ["device_facts", "device_lines", "device_words", "explanation_lines"]

Line = tuple[str, str]  # style, text
STYLES = {"fault": "bold red", "warning": "bold yellow", "info": "cyan"}
INDENT = 4
LABEL = 8
MOST_SHOWN = (3, 3)  # causes and next steps on a screen
LESS_SHOWN = (MOST_SHOWN, (2, 3), (1, 3), (1, 2), (1, 1), (0, 1))
SHORT_S = 30.0
TITLE = 60
AS_ABOVE = "as for the one above"
ALL_OF_IT = "canlevel explain … | less"
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


def explanation_lines(document: Mapping[str, Any], title: str, width: int, height: int | None) -> list[Line]:
    """An Explanation as to_dict() gives it, as lines (style, text) of `width` columns.

    height: rows of a screen, which they fit: the worst first and in full, with likely causes and next steps, what no longer
    fits as one sentence each or as a number. None: everything in full.
    """
    findings = _grouped(document["findings"])
    head: list[Line] = [*_head(document, title, width), ("", "")]
    well = not any(finding["severity"] != "info" for finding in findings)
    if well:
        head += _all_well(document, width)
        if findings:
            head.append(("", ""))
    note = [] if well else _too_short(document, width)
    if height is None:
        body: list[Line] = []
        for before, finding in zip([None, *findings], findings, strict=False):
            again = before is not None and all(before[key] == finding[key] for key in ("causes", "next_steps"))
            body += _in_full({**finding, "causes": (), "next_steps": (AS_ABOVE,)} if again else finding, width)
        return [*head, *body[:-1], *_tail(findings, note, width)]
    return head + _on_a_screen(findings, note, width, height - len(head))


def _all_well(document: Mapping[str, Any], width: int) -> list[Line]:
    """What is said of a bus on which nothing is wrong: what was looked for, and for what it was not heard long enough."""
    heard_s, left = document["bus"]["heard_seconds"], document["bus"]["not_checked"]
    longest_s = max((one["needs_seconds"] for one in left), default=0.0)
    if heard_s is None or heard_s < SHORT_S:
        heard = "without times" if heard_s is None else f"in {span_words(heard_s)}"
        lines: list[Line] = [
            ("bold yellow", f"Nothing wrong was heard {heard}, which is too little to say that all is well.")
        ]
    else:
        lines = [("bold green", "Nothing is wrong that a listener can hear.")]
    checked = [f"{part};" for part in CHECKED[:-1]] + [f"{CHECKED[-1]}."]
    lines += _wrapped("Checked", checked, width)
    if left:
        by_need: dict[float, list[str]] = {}
        for one in left:
            by_need.setdefault(one["needs_seconds"], []).append(one["code"])
        parts = [f"{', '.join(codes)} ({_at_least(need_s)})" for need_s, codes in sorted(by_need.items())]
        why = "the frames carry no times" if heard_s is None else f"{span_words(heard_s)} are too short for these"
        lines += _wrapped("But not", [f"{'; '.join(parts)}: {why}."], width, style="yellow")
        lines += _wrapped("Next", [f"Listen, or record, for {_at_least(longest_s)}."], width)
    return lines + _wrapped("", [NOT_HEARD], width)


def _too_short(document: Mapping[str, Any], width: int) -> list[Line]:
    """That something else may be wrong for which the bus was not heard long enough."""
    bus = document["bus"]
    if not bus["not_checked"] or not document["tanks"]:
        return []
    heard = "Without times" if bus["heard_seconds"] is None else f"In {span_words(bus['heard_seconds'])}"
    longest_s = max(one["needs_seconds"] for one in bus["not_checked"])
    kinds = counted(len(bus["not_checked"]), "kind")
    return _wrapped(
        "Note", [f"{heard} {kinds} of finding cannot be told; {_at_least(longest_s)} do for all."], width, indent=0
    )


def _at_least(seconds: float) -> str:
    """A round length of time that is asked for."""
    return f"{seconds / 60:.0f} min" if seconds >= 60 else f"{seconds:.0f} s"


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


def _on_a_screen(findings: Sequence[Mapping[str, Any]], note: list[Line], width: int, rows: int) -> list[Line]:
    """Findings in so many rows: as many in full as leave room for a sentence each of the others; the first always, unless it is
    a mere remark, if need be with fewer causes and steps. What has no room for a sentence is counted.
    """
    grave = sum(finding["severity"] != "info" for finding in findings)
    short = [_in_short(finding, width) for finding in findings]
    whole = 1 if width >= 80 else 2  # rows that say where all of it is
    full: list[list[Line]] = []
    for shown in range(min(grave, rows), 1, -1):
        full = [_in_full(finding, width, *MOST_SHOWN) for finding in findings[:shown]]
        tail = _tail(findings[:shown], note, width)
        if sum(map(len, full)) + sum(map(len, short[shown:])) + len(tail) + whole <= rows:
            break
    else:
        shown = min(grave, 1)
        tail = _tail(findings[:shown], note, width)
        for most in LESS_SHOWN if shown else ():
            full = [_in_full(findings[0], width, *most)]
            if len(full[0]) + len(tail) + whole <= rows:
                break
        full = full if shown else []
    lines = [line for one in full for line in one]
    told, room = shown, rows - len(tail) - whole
    for one in short[shown:]:
        if len(lines) + len(one) > room:
            break
        lines += one
        told += 1
    if told < len(findings):
        left = Counter(finding["severity"] for finding in findings[told:])
        words = [f"{n:,} {word}{'s' if n > 1 and word != 'info' else ''}" for word, n in left.items()]
        lines += [("dim", line) for line in paragraph(f"and {', '.join(words)} more: {ALL_OF_IT}", width)]
    elif shown < grave:
        lines += [("dim", line) for line in paragraph(f"Causes and next steps of all of them: {ALL_OF_IT}", width)]
    if tail and lines and lines[-1] == ("", ""):
        lines.pop()
    return lines + tail


def _tail(findings: Sequence[Mapping[str, Any]], note: list[Line], width: int) -> list[Line]:
    """What stands below findings that are told in full: for what it was too short, and the cautions, each sentence once."""
    cautions = dict.fromkeys(finding["caution"] for finding in findings if finding["caution"])
    parts = [part.strip() for caution in cautions for part in caution.replace(". ", ".\n").splitlines()]
    lines = list(note)
    if parts:
        lines += _wrapped("Caution", [" ".join(dict.fromkeys(parts))], width, style="yellow", indent=0)
    return [("", ""), *lines] if lines else []


def _head(document: Mapping[str, Any], title: str, width: int) -> list[Line]:
    bus = document["bus"]
    facts = [counted(bus["frames"], "frame")]
    if bus["seconds"] is not None:
        facts.append(span_words(bus["seconds"]))
    if bus["protocols"]:
        facts.append(" and ".join(PROTOCOL_NAMES[word] for word in bus["protocols"]))
    loads = [c["worst_minute_load_pct"] for c in bus["channels"] if c["worst_minute_load_pct"] is not None]
    if loads:
        facts.append(f"load at most {max(loads):.0f} %" if max(loads) >= 1 else "load below 1 %")
    facts += [counted(len(document["tanks"]), "tank"), counted(len(document["devices"]), "device")]
    return [("bold", line) for line in paragraph(f"{cut(printable(title), TITLE)}: {', '.join(facts)}", width)]


def _in_short(finding: Mapping[str, Any], width: int) -> list[Line]:
    severity = finding["severity"]
    text = f"{severity.upper():<8}{printable(finding['summary'])}  [{finding['code']}]"
    lines = paragraph(text, width, subsequent_indent=" " * LABEL)
    return [(STYLES[severity], line) for line in lines]


def _in_full(finding: Mapping[str, Any], width: int, causes: int | None = None, steps: int | None = None) -> list[Line]:
    """A finding with causes and next steps, so many of each (all without), and an empty line."""
    lines = _in_short(finding, width)
    seen = _seen(finding["evidence"])
    if seen and causes != 0:
        lines += _wrapped("Seen", [seen], width)
    if finding["causes"] and causes != 0:
        lines += _wrapped("Likely", [_sentence("; or ".join(finding["causes"][:causes]))], width)
    label = "Next"
    for step in finding["next_steps"][:steps]:
        lines += _wrapped(label, [_sentence(step)], width)
        label = ""
    return [*lines, ("", "")]


def _sentence(text: str) -> str:
    """With a capital at its beginning and a full stop at its end."""
    return text[:1].upper() + text[1:] + ("" if text.endswith(("?", ".")) else ".")


def _seen(evidence: Mapping[str, Any]) -> str:
    if not evidence["frames"]:
        return ""
    parts = [counted(evidence["frames"], "frame")]
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
    return [(style, line) for line in paragraph(text, width, initial_indent=head, subsequent_indent=" " * len(head))]


def device_lines(rows: Sequence[Mapping[str, Any]], heard: Sequence[str], width: int) -> list[Line]:
    """DEVICES as plain values: a head line for each device, and below it what else is known, in lines of `width`.

    heard: for each device when it was heard, in words.
    """
    lines: list[Line] = []
    several = len({row["channel"] for row in rows}) > 1
    for row, when in zip(rows, heard, strict=True):
        where = f" on {row['channel']}" if several and row["channel"] else ""
        source = row["source_address"]
        head = f"{source:>3} ({source:02X}h){where}  {printable(device_words(row))}"
        lines += [("bold", line) for line in paragraph(head, width, subsequent_indent=" " * INDENT)]
        for label, text in device_facts(row, when):
            lines += _wrapped(label, [text], width, style="red" if label == "faults" else "")
        lines.append(("", ""))
    return lines


def device_words(row: Mapping[str, Any]) -> str:
    """What a device is, by what it says of itself."""
    words = dict.fromkeys(word for word in (row["make"], row["model"]) if word)
    if words:
        return " ".join(words)
    if row["name"] is not None:
        return f"a device of maker {row['manufacturer_code']} that did not tell its model"
    return "says nothing of itself"


def device_facts(row: Mapping[str, Any], when: str) -> list[tuple[str, str]]:
    """What is known of a device, a label and a text each. when: it was heard, in words."""
    facts: list[tuple[str, str]] = []
    if row["tanks"]:
        facts.append(("tanks", ", ".join(row["tanks"])))
    told = [f"{label} {row[key]}" for key, label in (
        ("serial", "serial"), ("unit", "unit"), ("software", "software"), ("model_version", "version"),
        ("product_code", "product code"),
    ) if row[key] not in (None, "")]  # fmt: skip
    if row["load_ma"] is not None:
        told.append(f"takes {row['load_ma']:g} mA")
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
        f"{entry['pgn']} ({entry['pgn']:X}h) {counted(entry['frames'], 'time')}"
        + (f", every {span_words(entry['period_s'])}" if entry["period_s"] else "")
        for entry in row["sends"]
    ]
    facts.append(("sends", "; ".join(sends)))
    facts.append(("heard", ", ".join(part for part in (when, f"{row['load_share_pct']:.1f} % of the load") if part)))
    if row["faults"]:
        facts.append(("faults", "; ".join(row["faults"])))
    return facts
