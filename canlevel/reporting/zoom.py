"""Pictures of levels that can be zoomed: a Bokeh figure for each tank as JSON, and its points packed.

Bokeh is imported here alone. Colours are not in the figures: each model carries tags (property, role), and the page's script
sets the colour of the role, so that light and dark follow the reader's device.
"""

from __future__ import annotations

import base64
from typing import Any

import numpy as np

from canlevel.reporting.gather import Report, TankHistory
from canlevel.reporting.pictures import CROWDED, level_range, limits_of, marked_flows, shaded
from canlevel.reporting.thinning import Points
from canlevel.tables import timestamp_us

__all__ = ["LEVEL_STEP_PCT", "library_script", "packed", "zoomable"]

LEVEL_STEP_PCT = 0.004  # that of PGN 127505; RV-C and J1939 are coarser
INTERRUPTED = -32768
HEIGHT = 260
MOST_TICKS = 2**32 - 1


def library_script() -> str:
    """The script of the library, to stand in a page."""
    from bokeh.resources import Resources

    parts = Resources(mode="inline", components=["bokeh"]).js_raw
    return "\n".join(parts).replace("</script", "<\\/script").replace("<!--", "<\\!--")


def packed(points: Points, begin_us: int) -> dict[str, Any]:
    """Points as the page's script unpacks them: times in steps of step_ms from begin_ms on (32 bits, little endian), levels in
    steps of LEVEL_STEP_PCT (16 bits; the least number is an interruption), both in base 64."""
    ticks = (points.time_us - begin_us) / 1000
    step_ms = max(1, int(np.ceil(float(ticks.max(initial=0)) / MOST_TICKS)))
    known = ~np.isnan(points.level_pct)
    level = np.full(len(points), INTERRUPTED, np.int64)
    level[known] = np.clip(np.rint(points.level_pct[known] / LEVEL_STEP_PCT), INTERRUPTED + 1, 32767)
    return {
        "begin_ms": begin_us / 1000,
        "step_ms": step_ms,
        "times": base64.b64encode(np.rint(ticks / step_ms).astype("<u4").tobytes()).decode(),
        "levels": base64.b64encode(level.astype("<i2").tobytes()).decode(),
    }


def zoomable(tank: TankHistory, report: Report) -> dict[str, Any]:
    """The figure of a tank as JSON for Bokeh's own embedding, without its points."""
    from bokeh.embed import json_item
    from bokeh.models import (
        BoxAnnotation,
        ColumnDataSource,
        DatetimeTickFormatter,
        HoverTool,
        PanTool,
        PrintfTickFormatter,
        Range1d,
        Span,
        WheelZoomTool,
    )
    from bokeh.plotting import figure

    assert report.begin_us is not None
    assert report.end_us is not None
    begin_ms, end_ms = report.begin_us / 1000, max(report.end_us, report.begin_us + 1_000_000) / 1000
    low, high = level_range(tank)
    plot = figure(
        height=HEIGHT,
        sizing_mode="stretch_width",
        x_axis_type="datetime",
        x_range=Range1d(begin_ms, end_ms, bounds=(begin_ms, end_ms), min_interval=2000, name="time"),
        y_range=Range1d(low, high),
        tools="",
        toolbar_location=None,
        background_fill_alpha=0,
        border_fill_alpha=0,
        outline_line_color=None,
        min_border_right=12,
        lod_threshold=None,
    )
    pan = PanTool(dimensions="width")
    wheel = WheelZoomTool(dimensions="width", modifiers={"ctrl": True}, zoom_on_axis=False)
    plot.add_tools(pan, wheel)
    plot.toolbar.active_drag, plot.toolbar.active_scroll = pan, wheel
    for spans, alpha, line_alpha, hatch in zip(shaded(tank, report), (0.3, 0.13), (0.0, 0.8), ("/", None), strict=True):
        for left, right in spans:
            plot.add_layout(
                BoxAnnotation(
                    left=left / 1000,
                    right=right / 1000,
                    fill_alpha=alpha,
                    line_alpha=line_alpha,
                    line_dash="dotted",
                    hatch_pattern=hatch,
                    hatch_alpha=0.5,
                    tags=[["fill_color", "outage"], ["line_color", "outage"], ["hatch_color", "outage"]],
                )
            )
    for limit in limits_of(tank):
        plot.add_layout(Span(location=limit, dimension="width", line_dash=[6, 4], tags=[["line_color", "limit"]]))
    level = ColumnDataSource({"x": [], "y": []}, name="level")
    line = plot.line("x", "y", source=level, line_width=1.5)
    line.glyph.tags = [["line_color", "level"]]
    if len(tank.points) < 2:
        plot.scatter("x", "y", source=level, size=7).glyph.tags = [["line_color", "level"], ["fill_color", "level"]]
    for kind, marker in (("fill", "triangle"), ("drain", "inverted_triangle")):
        flows = marked_flows(tank.flows, kind)
        if not flows:
            continue
        begins = [timestamp_us(flow["start"]) / 1000 for flow in flows]
        ends = [timestamp_us(flow["end"]) / 1000 for flow in flows]
        before, after = ([flow[f"{end}_level_pct"] for flow in flows] for end in ("start", "end"))
        stretch = plot.segment(
            begins, before, ends, after, line_width=3.5 if len(tank.flows) < CROWDED else 2, line_cap="round"
        )
        stretch.glyph.tags = [["line_color", kind]]
        middle = plot.scatter(
            [(begin + end) / 2 for begin, end in zip(begins, ends, strict=True)],
            [(one + other) / 2 for one, other in zip(before, after, strict=True)],
            marker=marker,
            size=9 if len(tank.flows) < CROWDED else 6,
        )
        middle.glyph.tags = [["line_color", kind], ["fill_color", kind]]
    plot.add_tools(
        HoverTool(
            renderers=[line],
            tooltips=[("", "@y{0.0} %"), ("", "@x{%F %T} UTC")],
            formatters={"@x": "datetime"},
            mode="vline",
            line_policy="nearest",
        )
    )
    plot.xaxis.formatter = DatetimeTickFormatter(
        seconds="%H:%M:%S",
        minsec="%H:%M:%S",
        minutes="%H:%M",
        hourmin="%H:%M",
        hours="%H:%M",
        days="%d %b",
        months="%b %Y",
        context=DatetimeTickFormatter(
            months="",
            years="",
            minutes="%d %b",
            hourmin="%d %b",
            hours="%d %b",
            days="%Y",
            seconds="%d %b",
            minsec="%d %b",
        ),
        context_which="start",
    )
    plot.xaxis.ticker.desired_num_ticks = 5
    plot.yaxis.ticker = [0, 25, 50, 75, 100]
    plot.yaxis.formatter = PrintfTickFormatter(format="%.0f %%")
    for axis in (plot.xaxis[0], plot.yaxis[0]):
        axis.update(
            major_label_text_font="system-ui, sans-serif",
            major_label_text_font_size="12px",
            axis_line_color=None,
            minor_tick_line_color=None,
            tags=[["major_label_text_color", "ink"], ["major_tick_line_color", "faint"]],
        )
    for grid in plot.grid:
        grid.tags = [["grid_line_color", "faint"]]
    return dict(json_item(plot))
