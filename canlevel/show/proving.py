"""A proof for people: its plain form, as lines of text with their style."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from typing import Any

from canlevel.errors import printable
from canlevel.units import VolumeUnit

__all__ = ["proof_lines"]

Line = tuple[str, str]  # style, text
STYLES = {"ok": "green", "remark": "bold yellow", "fail": "bold red", "not_tested": "dim"}
WORDS = {"ok": "ok", "remark": "REMARK", "fail": "FAIL", "not_tested": "-"}
OF_VERDICT = {"proved": "bold green", "proved with remarks": "bold yellow", "not proved": "bold red"}
RESULT, TITLE = 9, 26
MOST_STEPS, LEAST_ROOM = 2, 30
# Whose limit is worth a look even where it was kept; the JSON has all of them.
WITH_LIMITS = {"rest", "extent", "speed", "delay", "step", "capacity"}


def proof_lines(document: Mapping[str, Any], width: int, units: VolumeUnit = VolumeUnit.LITRE) -> list[Line]:
    """Proofs as to_dict() gives them, as lines (style, text) of `width` columns: the verdicts first, then tank by tank."""
    tanks = document["tanks"]
    lines: list[Line] = [("bold", _cut(_head(document), width)), ("", "")]
    if len(tanks) > 1:
        longest = max(len(tank["verdict"]) for tank in tanks)
        lines += [
            (OF_VERDICT[tank["verdict"]], _cut(f"{tank['verdict'].upper():<{longest}}  {_name(tank)}", width))
            for tank in tanks
        ]
        lines.append(("", ""))
    for tank in tanks:
        lines += [*_tank(tank, width, units), ("", "")]
    if document["also_heard"]:
        lines += _wrapped("", f"Heard, and not in the roster: {', '.join(document['also_heard'])}.", 0, width)
    for finding in document["other_findings"]:
        lines += _wrapped("yellow", f"Also ({finding['code']}): {finding['summary']}.", 0, width)
    cautions = dict.fromkeys(caution for tank in tanks for caution in tank["cautions"])
    for caution in cautions:
        lines += _wrapped("", f"Caution: {caution}", 0, width)
    return lines + _wrapped("dim", document["not_shown"], 0, width)


def _head(document: Mapping[str, Any]) -> str:
    parts = [document["vessel"], document["source"]]
    since, until = document["since"], document["until"]
    if since and until:
        end = until[11:19] if until[:10] == since[:10] else f"{until[:10]} {until[11:19]}"
        parts.append(f"{since[:10]} {since[11:19]} to {end} UTC")
    return printable(", ".join(part for part in parts if part))


def _name(tank: Mapping[str, Any]) -> str:
    return printable(f"{tank['name']} ({tank['tank']})")


def _tank(tank: Mapping[str, Any], width: int, units: VolumeUnit) -> list[Line]:
    told = [_name(tank)]
    if tank["capacity_l"] is not None:
        told.append(f"{units.from_litres(tank['capacity_l']):,.0f} {units.symbol}")
    if tank["source_address"] is not None:
        told.append(f"address {tank['source_address']}")
    lines = _wrapped(OF_VERDICT[tank["verdict"]], f"{tank['verdict'].upper()}: {', '.join(told)}", 0, width)
    if tank["verdict"] == "not proved" and not any(item["result"] == "fail" for item in tank["items"]):
        for reason in tank["reasons"]:
            lines += _wrapped("bold red", printable(reason), 2, width)
    heard = any(item["item"] == "present" and item["result"] == "ok" for item in tank["items"])
    for item in tank["items"]:
        if heard or item["result"] != "not_tested":
            lines += _item(item, width)
    return lines if heard else lines + _wrapped("dim", "Nothing else of it can be tested.", 2, width)


def _item(item: Mapping[str, Any], width: int) -> list[Line]:
    result = item["result"]
    head = f"  {WORDS[result]:<{RESULT - 2}}{item['title']:<{TITLE}}"
    text = printable(item["sentence"])
    if item["limit"] and (result in ("fail", "remark") or (result == "ok" and item["item"] in WITH_LIMITS)):
        text += f" [{printable(item['limit'])}]"
    margin = " " * len(head)
    if width - len(head) < LEAST_ROOM:  # a narrow screen: what is said stands below
        margin = " " * RESULT
        first, rest = "", textwrap.wrap(text, width - len(margin))
    else:
        first, *rest = textwrap.wrap(text, width - len(head)) or [""]
    lines: list[Line] = [(STYLES[result], (head + first).rstrip()[:width])]
    lines += [("dim" if result == "not_tested" else "", margin + more) for more in rest]
    if result in ("fail", "remark"):
        for step in item["next_steps"][:MOST_STEPS]:
            lines += [
                ("", margin + more)
                for more in textwrap.wrap(f"Next: {printable(step)}", width - len(margin), subsequent_indent="  ")
            ]
    return lines


def _wrapped(style: str, text: str, indent: int, width: int) -> list[Line]:
    space = " " * indent
    return [
        (style, line) for line in textwrap.wrap(printable(text), width, initial_indent=space, subsequent_indent=space)
    ]


def _cut(text: str, width: int) -> str:
    return text if len(text) <= width else f"{text[: width - 1]}…"
