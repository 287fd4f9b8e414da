"""A Snapshot laid out in so many columns and rows. What comes out: lines of (style, text), each at most as wide as the screen.

Tanks take two lines each where there is room for all of them so, else one; what has no room is reached by moving down. What
a colour says is always said in words or signs as well.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from canlevel.errors import printable
from canlevel.show.cells import cells, fitted, own_words, wrapped
from canlevel.show.findings import device_lines, explanation_lines
from canlevel.show.pictures import level_bar, level_line
from canlevel.show.text import NOTHING, STATUS_WORDS, bound, number, rate
from canlevel.units import VolumeUnit
from canlevel.watching.snapshot import BusSight, Remark, Snapshot, TankSight
from canlevel.words import PROTOCOL_NAMES, counted, span_words

__all__ = ["Board", "Line", "View", "board"]

Line = tuple[tuple[str, str], ...]  # (style, text), one after the other

SPANS_S = (300.0, 900.0, 1800.0, 3600.0, 10_800.0)  # which of them a history line covers
TWO_LINES = 72  # columns that tanks in two lines need
LEAST_OF_FINDINGS, MOST_OF_A_REMARK = 3, 2
QUIET_S = 3.0
HEIGHTS, TENTHS = "▁▂▃▄▅▆▇█", "01345689"  # the middle of each eighth, in tenths
GRAVE, WARN, GOOD, FAINT = "bold red", "yellow", "green", "dim"
SEVERITY_STYLES = {"fault": GRAVE, "warning": "bold yellow", "info": "cyan"}
PAGES = {"tanks": "tanks", "findings": "findings, in full", "devices": "devices"}


@dataclass(slots=True)
class View:
    """What the user chose to see. page: one of PAGES. first: the first row shown. form: "two" or "one" line a tank, None: as
    there is room. shown_form, step: the form and the rows of a page that the last board had. plain: without the characters
    that a simple console lacks. keys: whether there are keys to press.
    """

    page: str = "tanks"
    first: int = 0
    form: str | None = None
    shown_form: str = "two"
    step: int = 1
    plain: bool = False
    keys: bool = True
    unit: VolumeUnit = VolumeUnit.LITRE


@dataclass(frozen=True, slots=True)
class Board:
    """What stands on the screen. first: the first row shown, as far down as there is something. step: rows of a page."""

    lines: tuple[Line, ...]
    first: int
    step: int
    form: str


def board(snapshot: Snapshot, view: View, width: int, height: int | None) -> Board:
    """A snapshot on a screen of so many columns and rows; without `height` all of it, as for a printer."""
    head = [_title(snapshot, width), *_buses(snapshot, width, 3 if height is None else max(height // 8, 1))]
    if height is not None and height < 6:
        head = head[:1]
    foot = [_keys(snapshot, view, width)] if view.keys and height is not None and height >= 5 else []
    room = None if height is None else max(height - len(head) - len(foot), 1)
    if view.page == "tanks":
        body, first, step, form = _overview(snapshot, view, width, room)
    else:
        body, first, step = _page(snapshot, view, width, room)
        form = view.form or "two"
    if room is not None:
        body = (body + [()] * room)[:room]
    lines = [*head, *body, *foot]
    return Board(tuple(_cropped(line, width) for line in lines[:height]), first, step, form)


# ---- head and foot ----


def _title(snapshot: Snapshot, width: int) -> Line:
    """Whose tanks, how it goes on, and what the clock says; the last is left out first where there is no room."""
    playing = snapshot.playing
    if playing is not None:
        speed = f"×{playing.speed:g}"
        length = f" of {span_words(playing.length_s)}" if playing.length_s is not None else ""
        place = f"{span_words(playing.position_s)}{length}"
        state = "played to its end" if snapshot.ended else f"paused, {place}" if playing.paused else f"{speed}, {place}"
    elif snapshot.ended:
        state = "ended"
    else:
        state = "live" if snapshot.live else ""
    clock = snapshot.clock.removesuffix(" by the recorder's clock")
    name = own_words(snapshot.title) or "tanks"
    for right in ([state, clock], [state, clock[11:] or clock], [clock[11:] or clock], []):
        text = "  ".join(part for part in right if part)
        if cells(text) + min(cells(name), 16) + 2 <= width:
            break
    left = fitted(name, width - cells(text) - 2 if text else width)
    return ("bold", left), ("", "  " if text else ""), ("bold" if snapshot.ended else "", text)


def _buses(snapshot: Snapshot, width: int, most: int) -> list[Line]:
    if not snapshot.buses:
        waiting = f"nothing heard for {span_words(snapshot.now_s)}" if snapshot.live else "no frame"
        return [((WARN, fitted(waiting, width)),)]
    shown = snapshot.buses[:most] if len(snapshot.buses) <= most else snapshot.buses[: max(most - 1, 1)]
    names = max(min(cells(own_words(bus.channel or "bus")), 16) for bus in shown)
    lines: list[Line] = []
    for bus in shown:
        style, words = _bus_words(bus, snapshot, width - names - 2)
        lines.append((("bold", fitted(own_words(bus.channel or "bus"), names)), ("", "  "), (style, words)))
    left = snapshot.buses[len(shown) :]
    if left:
        gone = sum(bus.gone is not None for bus in left)
        words = f"and {len(left)} more {'bus' if len(left) == 1 else 'buses'}" + (
            f", {gone} of them gone" if gone else ""
        )
        style = GRAVE if gone else FAINT
        if most > 1:
            lines.append(((style, words),))
        else:  # in the line of the only one that is shown
            room = max(width - cells(words) - 2, 8)
            text = "".join(part for _, part in lines[0])
            lines = [((lines[0][-1][0], fitted(text, min(cells(text), room))), ("", "  "), (style, words))]
    return lines


def _bus_words(bus: BusSight, snapshot: Snapshot, width: int) -> tuple[str, str]:
    if bus.gone is not None:
        since = f" for {span_words(bus.quiet_s)}" if bus.quiet_s is not None else ""
        return GRAVE, f"gone{since}: {printable(bus.gone)}"
    if bus.quiet_s is None:
        return WARN, "nothing heard yet"
    if bus.quiet_s > QUIET_S and not snapshot.ended:
        return WARN, f"silent for {span_words(bus.quiet_s)}; {counted(bus.frames, 'frame')} before"
    least, most = bus.load_least_pct, bus.load_most_pct
    load = f"load {least:.0f} to {most:.0f} %" if f"{least:.0f}" != f"{most:.0f}" else f"load {most:.0f} %"
    if most < 0.5:
        load = "load below 1 %"
    devices = counted(bus.devices, "device")
    silent = f", {bus.silent_devices} of them silent" if bus.silent_devices else ""
    digits = 0 if bus.frames_per_s >= 10 else 1
    parts = [
        f"{bus.frames_per_s:,.{digits}f} frames/s",
        load,
        devices + silent,
        f"{counted(bus.frames, 'frame')} so far",
    ]
    while len(parts) > 1 and cells(", ".join(parts)) > width:
        parts.pop()
    return WARN if silent or least > 70 else "", ", ".join(parts)


def _keys(snapshot: Snapshot, view: View, width: int) -> Line:
    """Which keys do what; as many as there is room for, the way out always."""
    arrows = "up/down" if view.plain else "↑↓"
    pages = {"t": "tanks", "f": "findings", "d": "devices"}
    told = [("q", "ends")]
    told += [(key, word) for key, word in pages.items() if word != view.page]
    told.append((arrows, "more"))
    if view.page == "tanks":
        told.append(("v", "view"))
    if snapshot.playing is not None and not snapshot.ended:
        told += [("space", "goes on" if snapshot.playing.paused else "pauses"), ("+ -", "speed")]
    line: list[tuple[str, str]] = []
    used = 0
    for key, word in told:
        gap = 2 if line else 0
        if used + gap + cells(key) + 1 + cells(word) > width:
            break
        line += [("", " " * gap), ("bold", key), (FAINT, f" {word}")]
        used += gap + cells(key) + 1 + cells(word)
    return tuple(line)


def _rule(left: str, right: str, width: int, *, plain: bool) -> Line:
    sign = "-" if plain else "─"
    if cells(left) + cells(right) + 8 > width:
        right = ""
    tail = f" {right} {sign * 2}" if right else ""
    head = f"{sign * 2} {left} "
    fill = sign * max(width - cells(head) - cells(tail), 0)
    return ((FAINT, f"{sign * 2} "), ("bold", left), (FAINT, f" {fill}{tail}"))


# ---- tanks and findings ----


def _overview(snapshot: Snapshot, view: View, width: int, room: int | None) -> tuple[list[Line], int, int, str]:
    tanks = snapshot.tanks
    findings = _findings(snapshot, width)
    form = view.form
    if width < TWO_LINES:
        form = "one"
    elif form is None:
        fits = room is None or 2 * len(tanks) + 2 + min(len(findings), LEAST_OF_FINDINGS) <= room
        form = "two" if fits else "one"
    size = 2 if form == "two" else 1
    need = max(size * len(tanks), 1)
    rows, below = need, len(findings)
    if room is not None and room < 6:
        rows, below = max(room - 1, 1), 0
    elif room is not None:
        rest = room - 2  # but for the two rules
        below = min(below, max(LEAST_OF_FINDINGS, rest - need))
        rows = rest - below
    shown = max(rows // size, 1)
    first = min(max(view.first, 0), max(len(tanks) - shown, 0))
    seen = tanks[first : first + shown]
    body: list[Line] = [] if room is not None and room < 3 else [_tanks_rule(snapshot, view, first, seen, form, width)]
    airy = form == "two" and len(seen) == len(tanks) and 3 * len(tanks) - 1 <= rows
    for place, tank in enumerate(seen):
        if airy and place:
            body.append(())
        body += _two_lines(tank, snapshot, view, width) if form == "two" else [_one_line(tank, snapshot, view, width)]
    if not tanks:
        body.append(((FAINT, "no tank" if snapshot.ended else "no tank so far"),))
    if below:
        body += [_findings_rule(snapshot, findings, below, view, width), *findings[:below]]
    return body, first, shown, form


def _tanks_rule(snapshot: Snapshot, view: View, first: int, seen: Sequence[TankSight], form: str, width: int) -> Line:
    tanks = snapshot.tanks
    spoken = ", ".join(PROTOCOL_NAMES[word] for word in snapshot.protocols)
    left = counted(len(tanks), "tank") + (f", {spoken}" if spoken else "")
    if len(seen) < len(tanks):
        hidden = [tank for number, tank in enumerate(tanks) if not first <= number < first + len(seen)]
        amiss = sum(_state(tank)[0] not in ("", GOOD) for tank in hidden)
        right = f"{first + 1} to {first + len(seen)}; of the others {amiss} not well" if amiss else (
            f"{first + 1} to {first + len(seen)}"
        )  # fmt: skip
    else:
        long = view.unit is not VolumeUnit.LITRE  # so that two lines may have no room for it
        units = f"{view.unit.symbol}, {view.unit.symbol}/min; " if form == "one" or long else ""
        right = f"{units}history: last {span_words(_span_s(snapshot))}"
    return _rule(left, right, width, plain=view.plain)


def _span_s(snapshot: Snapshot) -> float:
    """How much time the history lines cover: enough for all that was heard, and no more than the longest."""
    return next((span_s for span_s in SPANS_S if span_s >= snapshot.now_s), SPANS_S[-1])


def _state(tank: TankSight) -> tuple[str, str, str]:
    """(style, words, one or two words) for how a tank is."""
    if not tank.heard:
        words = "; ".join(tank.alarms) or ("not heard" if tank.silent else "not heard yet")
        return (GRAVE if tank.silent or tank.alarms else FAINT), words, "not heard"
    said, short, style = [], "", ""
    limits = list(tank.alarms)
    if tank.silent:
        if not any(limit.startswith("silent") for limit in limits):
            said.append(f"silent for {span_words(tank.age_s or 0.0)}")
        short, style = "silent", GRAVE
    elif tank.status != "ok":
        said.append(STATUS_WORDS[tank.status])
        short, style = STATUS_WORDS[tank.status], WARN if tank.status == "over_range" else GRAVE
    said += limits
    if said:
        short = short or " ".join(limit.partition(":")[0].partition(" for ")[0] for limit in limits)
        return style or "bold yellow", "; ".join(said), short
    _, low, high = _known_rate(tank)
    if low is not None and low > 0:
        return GOOD, "filling", "filling"
    if high is not None and high < 0:
        return GOOD, "draining", "draining"
    return GOOD, "ok", "ok"


def _name(tank: TankSight, snapshot: Snapshot, width: int) -> str:
    """Its name, and what tells it apart from others of that name, which is never cut off. Of an id the end tells most."""
    name = own_words(tank.name)
    if tank.name == tank.tank:
        if len(snapshot.protocols) == 1:
            name = name.removeprefix(f"{snapshot.protocols[0]}.")
        room = width - (cells(tank.told_apart) + 1 if tank.told_apart else 0)
        name = name if cells(name) <= room or room < 2 else f"…{name[-room + 1 :]}"
    if not tank.told_apart:
        return fitted(name, width)
    apart = f" {printable(tank.told_apart)}"
    if cells(apart) > width - 4:
        return fitted(f"{name}{apart}", width)
    return fitted(fitted(name, min(cells(name), width - cells(apart))) + apart, width)


def _bar(tank: TankSight, columns: int, *, plain: bool) -> str:
    """How full it is, with a sign where the owner's limits are."""
    level = tank.level_pct
    known = level is not None
    if plain:
        full = round(min(max(level or 0.0, 0.0), 100.0) / 100 * columns)
        bar = ("#" * full).ljust(columns, "." if known else " ")
    else:
        bar = level_bar(level, columns).replace(" ", "·" if known else " ")
    signs = list(bar)
    for limit in (tank.low_pct, tank.high_pct):
        if limit is not None and 0 < limit < 100:
            signs[min(int(limit / 100 * columns), columns - 1)] = "|"
    return "".join(signs)


def _history(tank: TankSight, snapshot: Snapshot, columns: int, *, plain: bool) -> str:
    """Its level lately; on a simple console in tenths, as digits."""
    end_s = snapshot.now_s
    line = level_line(tank.at_s, tank.past_pct, end_s - _span_s(snapshot), end_s, columns)
    if plain:
        line = "".join(" " if sign == " " else TENTHS[HEIGHTS.index(sign)] for sign in line)
    return line


def _age(age_s: float | None) -> str:
    """How long ago, in whole numbers, in seven cells at most."""
    if age_s is None:
        return NOTHING
    for unit, length_s in (("days", 86_400.0), ("h", 3600.0), ("min", 60.0)):
        if age_s >= 2 * length_s:
            return f"{age_s // length_s:,.0f} {unit}"
    return f"{age_s:.0f} s"


def _litres(tank: TankSight, unit: VolumeUnit) -> str:
    return number(tank.volume_l, unit=unit)


def _known_rate(tank: TankSight) -> tuple[float | None, float | None, float | None]:
    """Its rate with its limits: in litres a minute, or, where nobody says what it holds, in percent a minute."""
    return tank.rate_pct or (tank.rate_l_per_min, tank.rate_low, tank.rate_high)


def _flow(tank: TankSight, unit: VolumeUnit, columns: int, *, named: bool) -> str:
    """Its rate in so many cells: in full, or in short. named: with its unit, where there is room; percent always is."""
    if tank.rate_pct is not None:
        unit, sign, short = VolumeUnit.LITRE, " %/min", "%"
    else:
        sign, short = (f" {unit.symbol}/min", "") if named else ("", "")
    text = rate(*_known_rate(tank), unit)
    if text == NOTHING:
        return text
    if cells(text + short) > columns:
        text = _short_rate(tank, unit)
    return text + sign if cells(text + sign) <= columns else text + short


def _short_rate(tank: TankSight, unit: VolumeUnit) -> str:
    """A rate in few cells: as ± where the limits lie about as far off on both sides, else the limits alone. Never narrower than
    the limits are."""
    value, low, high = _known_rate(tank)
    if value is None or low is None or high is None or (value == 0 and low == -high):
        return rate(value, low, high, unit)
    off, other = max(high - value, value - low), min(high - value, value - low)
    if off <= 1.5 * other:
        text = number(value, unit=unit, signed=True)
        return f"{text} ±{bound(off, unit=unit, most_digits=len(text.partition('.')[2]))}"
    return f"{number(low, unit=unit, signed=True)} to {number(high, unit=unit, signed=True)}"


def _unknown_rate(tank: TankSight) -> str:
    """Why there is no rate: before a level has changed, nobody knows the step of its sender."""
    if not tank.heard:
        return ""
    still = len(tank.past_pct) > 1 and float(np.ptp(tank.past_pct)) == 0.0
    return "no rate: it never moved" if still and tank.level_pct is not None and not tank.silent else "rate not known"


def _rate_style(tank: TankSight) -> str:
    _, low, high = _known_rate(tank)
    if low is not None and low > 0:
        return "cyan"
    return "magenta" if high is not None and high < 0 else ""


def _bar_style(tank: TankSight, state: str) -> str:
    if tank.silent or tank.level_pct is None:
        return FAINT
    return "yellow" if tank.alarms or state == WARN else "blue"


def _two_lines(tank: TankSight, snapshot: Snapshot, view: View, width: int) -> list[Line]:
    style, words, short = _state(tank)
    unit = view.unit
    spare = width - TWO_LINES
    name = 18 + min(spare // 3, 14)
    bar = 15 + min(spare // 4, 20)
    level = NOTHING if tank.level_pct is None else f"{tank.level_pct:.1f} %"
    of = f" of {number(tank.capacity_l, unit=unit)}" if tank.capacity_l is not None else ""
    volume = f"{_litres(tank, unit)}{of}" if tank.volume_l is not None or of else NOTHING
    if volume != NOTHING and cells(volume) + 1 + cells(unit.symbol) < 18:
        volume += f" {unit.symbol}"
    room = max(width - name - 1 - bar - 8 - 18 - 2, 1)
    top: Line = (
        ("bold", _name(tank, snapshot, name)),
        ("", " "),
        (_bar_style(tank, style), _bar(tank, bar, plain=view.plain)),
        ("bold", fitted(level, 8, right=True)),
        ("", fitted(volume, 18, right=True)),
        ("", "  "),
        (style, fitted(words if cells(words) <= room else short, room)),
    )
    line = 12 + min(spare // 3, 40)
    known = 28 if spare < 12 else 32
    flow = _flow(tank, unit, known, named=True)
    if flow == NOTHING:
        flow = _unknown_rate(tank)
    ago = f"{_age(tank.age_s)} ago" if tank.age_s is not None else ""
    left = max(width - 2 - known - 12 - 2 - line - 2, 1)
    low: Line = (
        ("", "  "),
        (_rate_style(tank) or (FAINT if _known_rate(tank)[0] is None else ""), fitted(flow, known)),
        ("", fitted(ago, 12, right=True)),
        ("", "  "),
        (_bar_style(tank, style), _history(tank, snapshot, line, plain=view.plain)),
        ("", "  "),
        (FAINT, fitted(_identity(tank, snapshot), left)),
    )
    return [top, low]


def _identity(tank: TankSight, snapshot: Snapshot) -> str:
    """Which device sends it on which bus, and its id, where its name is not that; the protocol goes where there is but one."""
    where = f" on {printable(tank.channel)}" if len(snapshot.buses) > 1 and tank.channel else ""
    source = f"from {tank.source_address}{where}" if tank.heard else ""
    known = "" if tank.name == tank.tank else tank.tank
    if len(snapshot.protocols) == 1:
        known = known.removeprefix(f"{snapshot.protocols[0]}.")
    return ", ".join(part for part in (source, known) if part)


# What one line holds: cells at least, at most, and which goes first where there is no room (the highest number).
_COLUMNS = {
    "name": (10, 26, 0),
    "bar": (6, 20, 4),
    "level": (6, 6, 1),
    "litres": (6, 8, 5),
    "rate": (13, 28, 3),
    "age": (7, 7, 6),
    "history": (6, 40, 7),
    "state": (10, 40, 2),
}
_GROWING = ("name", "state", "name", "bar", "rate", "history", "litres", "age", "state")
_STEPS = {"name": (15, 26), "state": (13, 40)}


def _widths(width: int) -> dict[str, int]:
    """How wide each column of a tank's one line is; those without room are not there."""
    left = list(_COLUMNS)
    while len(left) > 1 and sum(_COLUMNS[key][0] for key in left) + len(left) - 1 > width:
        left.remove(max(left, key=lambda key: _COLUMNS[key][2]))
    found = {key: _COLUMNS[key][0] for key in left}
    spare = width - sum(found.values()) - len(left) + 1
    if spare < 0:
        found["name"] = max(width, 1)
    grown: set[str] = set()
    for key in _GROWING:
        if key in found and spare > 0:
            most = _STEPS[key][key in grown] if key in _STEPS else _COLUMNS[key][1]
            more = min(spare, max(most - found[key], 0))
            grown.add(key)
            found[key] += more
            spare -= more
    return found


def _one_line(tank: TankSight, snapshot: Snapshot, view: View, width: int) -> Line:
    style, words, short = _state(tank)
    widths = _widths(width)
    line: list[tuple[str, str]] = []
    for key, columns in widths.items():
        if line:
            line.append(("", " "))
        if key == "name":
            line.append(("bold", _name(tank, snapshot, columns)))
        elif key == "bar":
            line.append((_bar_style(tank, style), _bar(tank, columns, plain=view.plain)))
        elif key == "level":
            level = NOTHING if tank.level_pct is None else f"{tank.level_pct:.1f}%"
            line.append(("bold", fitted(level, columns, right=True)))
        elif key == "litres":
            line.append(("", fitted(_litres(tank, view.unit), columns, right=True)))
        elif key == "rate":
            line.append((_rate_style(tank), fitted(_flow(tank, view.unit, columns, named=False), columns)))
        elif key == "age":
            line.append(("", fitted(_age(tank.age_s), columns, right=True)))
        elif key == "history":
            line.append((_bar_style(tank, style), _history(tank, snapshot, columns, plain=view.plain)))
        else:
            line.append((style, fitted(words if cells(words) <= columns else short, columns)))
    return tuple(line)


def _findings_rule(snapshot: Snapshot, lines: Sequence[Line], shown: int, view: View, width: int) -> Line:
    now = [remark for remark in snapshot.remarks if not remark.over]
    counts = [
        counted(n, word) if word != "info" else f"{n} to know"
        for word in ("fault", "warning", "info")
        if (n := sum(remark.severity == word for remark in now))
    ]
    left = ", ".join(counts) or "findings"
    right = "f shows all" if shown < len(lines) and view.keys else ""
    return _rule(left, right, width, plain=view.plain)


def _findings(snapshot: Snapshot, width: int) -> list[Line]:
    """What was found, the worst first, then what happened to the bus, then what is over."""
    lines: list[Line] = []
    now = [remark for remark in snapshot.remarks if not remark.over]
    for remark in now:
        lines += _remark_lines(remark, width)
    for message in reversed(snapshot.messages):
        style = WARN if message.grave else ""
        lines += [
            ((style, line),) for line in wrapped(f"{message.clock} {printable(message.sentence)}".lstrip(), width)
        ]
    if not snapshot.examined:
        lines.append(((FAINT, "listening; what is wrong is told from the first quarter of a minute on"),))
    elif not now:
        lines.append(((GOOD, "nothing wrong so far that a listener can hear"),))
    for remark in snapshot.remarks:
        if remark.over:
            lines += _remark_lines(remark, width)
    return lines


def _remark_lines(remark: Remark, width: int) -> list[Line]:
    dated = remark.since[4:5] == "-"
    since = remark.since[11:16] if dated else remark.since.partition(" ")[0]
    word, style = remark.severity.upper(), SEVERITY_STYLES.get(remark.severity, "")
    if remark.over:
        word, style = "OVER", FAINT
    text = f"{since} {word:<8}{printable(remark.summary)}".lstrip()
    lines = wrapped(text, width)
    if len(lines) > MOST_OF_A_REMARK:
        lines = [*lines[: MOST_OF_A_REMARK - 1], fitted(f"{lines[MOST_OF_A_REMARK - 1]} …", width).rstrip()]
    return [((style, line),) for line in lines]


# ---- the other pages ----


def _page(snapshot: Snapshot, view: View, width: int, room: int | None) -> tuple[list[Line], int, int]:
    """Findings with causes and next steps, or devices, as much as there is room for."""
    told: list[tuple[str, str]] = [(FAINT, "not heard long enough yet")]
    if snapshot.explanation is not None:
        if view.page == "findings":
            told = explanation_lines(snapshot.explanation, snapshot.title, width, None)
        else:
            told = device_lines(snapshot.explanation["devices"], snapshot.heard_words, width)
        # They count letters; what is wider than that is wrapped once more.
        told = [(style, part) for style, line in told for part in wrapped(line, width, indent=12)]
    rows = len(told) if room is None else max(room - 1, 1)
    first = min(max(view.first, 0), max(len(told) - rows, 0))
    right = f"lines {first + 1} to {min(first + rows, len(told))} of {len(told)}" if len(told) > rows else ""
    rule = _rule(PAGES[view.page], right, width, plain=view.plain)
    return [rule, *(((style, text),) for style, text in told[first : first + rows])], first, rows


def _cropped(line: Line, width: int) -> Line:
    """A line that is no wider than the screen."""
    kept: list[tuple[str, str]] = []
    for style, text in line:
        if not text:
            continue
        size = cells(text)
        if size > width:
            if width > 0:
                kept.append((style, fitted(text, width)))
            break
        kept.append((style, text))
        width -= size
    return tuple(kept)
