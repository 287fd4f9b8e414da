"""Pictures of levels that stand still: SVG inside the report, for paper and where no script runs, and files of `canlevel plot`.

matplotlib draws; it is imported here alone.
"""

from __future__ import annotations

import io
import re
import warnings
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime, timedelta
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from canlevel.errors import QueryError
from canlevel.reporting.gather import Report, Span, TankHistory, spans_of
from canlevel.reporting.writing import write_file
from canlevel.show.text import STATUS_WORDS
from canlevel.tables import timestamp_us
from canlevel.words import NO_VESSEL

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = [
    "COLOURS",
    "CROWDED",
    "MOST_MARKS",
    "level_range",
    "level_svg",
    "limits_of",
    "marked_flows",
    "plot_levels",
    "shaded",
]

# By role, on white. In the report they become variables of its style, for light, dark and paper.
COLOURS = {
    "ink": "#1d2b33",
    "faint": "#d4dbe0",
    "level": "#1f5f8b",
    "fill": "#1a7a4c",
    "drain": "#b3541e",
    "limit": "#a3174f",
    "outage": "#8d99a1",
}
COLUMNS = 1000  # of a picture, of each of which the first, last, lowest and highest reading are drawn
CROWDED = 60  # flows, from which on their marks are small
STILL_IN = (7.2, 2.3)
PANEL_IN = (9.0, 1.9)
DPI = 144
MOST_MARKS = 200  # of fills, and of drains, in one picture: the largest
MOST_OUTAGES = 300  # shaded in one picture: the longest
LEAST_PCT, MOST_PCT = -4.0, 104.0
FURTHEST_PCT = 130.0
LABEL_CHARACTERS = 60


def level_svg(tank: TankHistory, report: Report, prefix: str) -> str:
    """The level of a tank over the time of the report, as an <svg> that takes its colours from the page.

    prefix: begins every id in it, so that several can stand in one page. It holds no text but figures and dates.
    """
    from matplotlib import rc_context
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    with rc_context({"svg.fonttype": "none", "svg.hashsalt": prefix, "font.family": "sans-serif", "font.size": 9.5}):
        figure = Figure(figsize=STILL_IN, layout="constrained")
        FigureCanvasSVG(figure)
        axes = figure.add_subplot()
        _draw(axes, tank, report)
        figure.patch.set_alpha(0)
        axes.patch.set_alpha(0)
        content = io.BytesIO()
        figure.savefig(content, format="svg", metadata={"Date": None, "Creator": None})
    return _for_page(content.getvalue().decode(), prefix)


def _for_page(svg: str, prefix: str) -> str:
    svg = svg[svg.index("<svg") :]
    svg = re.sub(
        r"<metadata>.*?</metadata>|<style.*?</style>", "", svg, flags=re.DOTALL
    )  # a style there is all the page's
    svg = re.sub(r'(\bid="|url\(#|href="#)', rf"\g<1>{prefix}-", svg)
    # As tall as its width tells, and found by nobody who cannot see it: the table below tells the same.
    svg = re.sub(r'<svg [^>]*?viewBox="([^"]+)"[^>]*>', r'<svg viewBox="\1" aria-hidden="true" focusable="false">', svg)
    svg = re.sub(r"\bxlink:href=", "href=", svg)
    svg = re.sub(r"\d+\.\d{3,}", lambda number: f"{float(number[0]):.2f}", svg)
    svg = svg.replace("'DejaVu Sans'", "inherit")
    for role, colour in COLOURS.items():
        svg = svg.replace(colour, f"var(--{role})")
    return re.sub(r"font: ([0-9.]+)px [^;\"]*", r"font-size: \1px", svg)


def plot_levels(report: Report, path: str | Path) -> None:
    """Draw the levels of all tanks of a report, one below the other, into a file: .svg or .png, by its ending.

    Raises QueryError for another ending, and where there is no tank; CanlevelError for a file that cannot be written.
    """
    path = Path(path)
    kind = path.suffix.lower().removeprefix(".")
    if kind not in ("svg", "png"):
        raise QueryError(f"{path.name}: a picture is .svg or .png", next_step="name it like -o levels.svg")
    if not report.tanks:
        raise QueryError(
            "no tank was heard in that time, so there is nothing to draw",
            next_step="look at another time with --since and --until: canlevel tanks --store DIR says when each was heard last"
            if report.store is not None
            else "canlevel explain SOURCE says why",
        )
    from matplotlib import rc_context
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    labels = [_label(tank, report) for tank in report.tanks]
    title = ", ".join(_plain(vessel) for vessel in report.vessels)
    families = _families([*labels, title])
    style = {"svg.fonttype": "none", "svg.hashsalt": "canlevel", "font.family": families, "font.size": 9.5}
    with rc_context(style):
        width, height = PANEL_IN
        figure = Figure(figsize=(width, height * len(labels) + (0.4 if title else 0.0)), dpi=DPI, layout="constrained")
        FigureCanvasAgg(figure)
        panels = figure.subplots(len(labels), 1, sharex=True, squeeze=False)[:, 0]
        for tank, label, axes in zip(report.tanks, labels, panels, strict=True):
            _draw(axes, tank, report)
            axes.set_title(label, loc="left", fontsize=10, color=COLOURS["ink"], parse_math=False)
        noted, unheard = zip(*(shaded(tank, report) for tank in report.tanks), strict=True)
        key = [
            word
            for word, spans in (("dark: an outage, noted by the logger", noted), ("light: nothing heard", unheard))
            if any(spans)
        ]
        panels[-1].set_xlabel("   ".join(["UTC", *key]), loc="left", color=COLOURS["ink"])
        if title:
            figure.suptitle(title, x=0.01, ha="left", fontsize=12, color=COLOURS["ink"], parse_math=False)
        content = io.BytesIO()
        facts = {"Date": None} if kind == "svg" else {}
        with warnings.catch_warnings(record=True) as warned:
            warnings.simplefilter("always")
            figure.savefig(content, format=kind, metadata=facts, dpi=DPI)
    if any("missing from font" in str(one.message) for one in warned):
        warnings.warn(
            "the fonts of this computer lack characters of a name: they are boxes in the picture", stacklevel=2
        )
    picture = content.getvalue()
    write_file(path, _with_name(picture.decode(), report, labels).encode() if kind == "svg" else picture)


def _with_name(svg: str, report: Report, labels: Sequence[str]) -> str:
    """An SVG with a name and a description for those who cannot see it: WAI-ARIA's role img, and title and desc of SVG 2."""
    assert report.begin_us is not None
    assert report.end_us is not None
    ends = [
        f"{datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=at):%Y-%m-%d %H:%M}"
        for at in (report.begin_us, report.end_us)
    ]
    whose = f" of {', '.join(_plain(vessel) for vessel in report.vessels)}" if report.vessels else ""
    title = f"Tank levels{whose}, {ends[0]} to {ends[1]} UTC"
    said = []
    for tank, label in zip(report.tanks, labels, strict=True):
        known = tank.points.level_pct[~np.isnan(tank.points.level_pct)]
        said.append(
            f"{label}: from {known[0]:.1f} to {known[-1]:.1f} %, between {known.min():.1f} and {known.max():.1f} %"
            if len(known)
            else f"{label}: no level was told"
        )
    told = f"<title>{escape(title)}</title><desc>{escape('; '.join(said))}.</desc>"
    head = re.search(r"<svg\b[^>]*>", svg)
    assert head is not None
    named = f'{head[0][:-1]} role="img" aria-label="{escape(title, quote=True)}">{told}'
    return svg[: head.start()] + named + svg[head.end() :]


def _label(tank: TankHistory, report: Report) -> str:
    vessels = {one.vessel for one in report.tanks}
    several = [
        one for one in report.tanks if (one.vessel, one.name or one.tank) == (tank.vessel, tank.name or tank.tank)
    ]
    source = f" (device {tank.source_address})" if len(several) > 1 else ""
    vessel = f" of {_plain(tank.vessel or NO_VESSEL)}" if len(vessels) > 1 else ""
    return f"{_plain(tank.name or tank.tank)}{source}{vessel}"


def _plain(text: str) -> str:
    """Without characters that no picture shows."""
    shown = "".join(c if c.isprintable() or c in "\u200c\u200d" else " " for c in text)
    return shown if len(shown) <= LABEL_CHARACTERS else shown[: LABEL_CHARACTERS - 1] + "…"


def _families(texts: Iterable[str]) -> list[str]:
    """Fonts of this computer that have the letters of some texts, as far as there are any: the usual one first."""
    from matplotlib import font_manager
    from matplotlib.ft2font import FT2Font

    families = ["DejaVu Sans"]
    missing = {ord(c) for text in texts for c in text if not c.isspace()}
    missing -= set(FT2Font(font_manager.findfont("DejaVu Sans")).get_charmap())
    entries = sorted(
        font_manager.fontManager.ttflist, key=lambda one: (one.style != "normal", one.weight != 400, one.name)
    )
    for entry in entries:
        if not missing:
            break
        if entry.name.startswith("Last Resort"):  # has a box for every letter
            continue
        try:
            has = missing & set(FT2Font(entry.fname).get_charmap())
        except (OSError, RuntimeError):
            continue
        if has:
            missing -= has
            families.append(entry.name)
    return families


def _draw(axes: Axes, tank: TankHistory, report: Report) -> None:
    """The level of one tank over the time of the report, with what else is known of that time."""
    from matplotlib.dates import AutoDateLocator, ConciseDateFormatter

    assert report.begin_us is not None
    assert report.end_us is not None
    begin, end = (
        np.datetime64(report.begin_us, "us"),
        np.datetime64(max(report.end_us, report.begin_us + 1_000_000), "us"),
    )
    noted, unheard = shaded(tank, report)
    for left, right in noted:
        axes.axvspan(
            np.datetime64(left, "us"), np.datetime64(right, "us"), facecolor=COLOURS["outage"], alpha=0.4, linewidth=0
        )
    for left, right in unheard:
        ends = np.datetime64(left, "us"), np.datetime64(right, "us")
        axes.axvspan(*ends, facecolor=COLOURS["outage"], alpha=0.13, linewidth=0)
        axes.vlines(ends, 0, 1, COLOURS["outage"], transform=axes.get_xaxis_transform(), linewidth=0.8, linestyle=":")
    for limit in limits_of(tank):
        axes.axhline(limit, color=COLOURS["limit"], linewidth=1.0, linestyle=(0, (5, 3)))
    column_us = (max(report.end_us - report.begin_us, 1) + COLUMNS) // COLUMNS
    points = tank.points.thinned(report.begin_us, column_us, COLUMNS + 1)
    at = points.time_us.astype("datetime64[us]")
    axes.plot(at, points.level_pct, "o" if len(points) == 1 else "-", color=COLOURS["level"], linewidth=1.2)
    if not len(points):
        told = STATUS_WORDS[tank.overview["status"]]
        axes.text(
            0.5,
            0.5,
            f"no level was told ({told})",
            transform=axes.transAxes,
            ha="center",
            va="center",
            color=COLOURS["ink"],
        )
    for kind, marker in (("fill", "^"), ("drain", "v")):
        flows = marked_flows(tank.flows, kind)
        ends_us = [(timestamp_us(flow["start"]), timestamp_us(flow["end"])) for flow in flows]
        levels = [(flow["start_level_pct"], flow["end_level_pct"]) for flow in flows]
        # One line for all, interrupted behind each.
        along = np.array([(*ends, ends[1]) for ends in ends_us], "datetime64[us]").ravel()
        axes.plot(
            along,
            [pct for pair in levels for pct in (*pair, np.nan)],
            color=COLOURS[kind],
            linewidth=2.4 if len(tank.flows) < CROWDED else 1.3,
        )
        axes.plot(
            np.array([sum(ends) // 2 for ends in ends_us], "datetime64[us]"),
            [sum(pair) / 2 for pair in levels],
            marker,
            color=COLOURS[kind],
            markersize=5.5 if len(tank.flows) < CROWDED else 3.5,
        )
    axes.set_xlim(begin, end)
    axes.set_ylim(*level_range(tank))
    axes.set_yticks([0, 25, 50, 75, 100])
    axes.yaxis.set_major_formatter("{x:.0f} %")
    locator = AutoDateLocator(minticks=3, maxticks=7, tz=UTC)
    axes.xaxis.set_major_locator(locator)
    axes.xaxis.set_major_formatter(ConciseDateFormatter(locator, tz=UTC))
    axes.grid(color=COLOURS["faint"], linewidth=0.6)
    axes.set_axisbelow(True)
    axes.tick_params(color=COLOURS["faint"], labelcolor=COLOURS["ink"])
    axes.xaxis.get_offset_text().set_color(COLOURS["ink"])
    for side, spine in axes.spines.items():
        spine.set_color(COLOURS["faint"])
        spine.set_visible(side in ("left", "bottom"))


def marked_flows(flows: Sequence[dict[str, Any]], kind: str) -> list[dict[str, Any]]:
    """The flows of a kind that a picture marks: of very many the largest, in the order of time."""
    some = [flow for flow in flows if flow["kind"] == kind]
    some.sort(key=lambda flow: -abs(flow["end_level_pct"] - flow["start_level_pct"]))
    return sorted(some[:MOST_MARKS], key=lambda flow: flow["start"])


def limits_of(tank: TankHistory) -> list[float]:
    """The levels at which the owner wants to be told."""
    entry = tank.entry
    return [] if entry is None else [limit for limit in (entry.low_pct, entry.high_pct) if limit is not None]


def level_range(tank: TankHistory) -> tuple[float, float]:
    """From where to where a picture shows levels: empty to full, and beyond where a device went there."""
    known = tank.points.level_pct[~np.isnan(tank.points.level_pct)]
    least, most = (float(known.min()), float(known.max())) if len(known) else (0.0, 100.0)
    return max(min(LEAST_PCT, least - 2), -FURTHEST_PCT), min(max(MOST_PCT, most + 2), FURTHEST_PCT)


def shaded(tank: TankHistory, report: Report) -> tuple[list[Span], list[Span]]:
    """What a picture of a tank shades, (from, to) in microseconds: outages that a logger noted, and where nothing was heard of
    the tank though none was noted."""
    return (
        _longest(spans_of(report.outages, (report.begin_us or 0, report.end_us or 0)), report),
        _longest([*report.silences, *tank.gaps], report),
    )


def _longest(spans: Iterable[Span], report: Report) -> list[Span]:
    """The longest of some spans within the time of a report, in the order of time; those that touch as one."""
    assert report.begin_us is not None
    assert report.end_us is not None
    found: list[Span] = []
    for begin_us, end_us in sorted(spans):
        begin_us, end_us = max(begin_us, report.begin_us), min(end_us, report.end_us)
        if found and begin_us <= found[-1][1]:
            found[-1] = found[-1][0], max(found[-1][1], end_us)
        elif begin_us < end_us:
            found.append((begin_us, end_us))
    return sorted(sorted(found, key=lambda span: span[0] - span[1])[:MOST_OUTAGES])
