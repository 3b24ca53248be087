"""Moisture by depth over time as a Bokeh figure: rain above, thatch apart, soil by depth below.

Pure: frames in, figure out. Depths differ by dash and by a label at the line's end as well as by colour. Gaps stay
gaps. There is no line run on past the last reading, and no band that calls a state good or bad.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
from bokeh.layouts import column
from bokeh.models import (
    BasicTicker,
    ColumnDataSource,
    DataRange1d,
    DatetimeTicker,
    DatetimeTickFormatter,
    HoverTool,
    LayoutDOM,
    Range,
    Range1d,
)
from bokeh.models.annotations import Span, Title
from bokeh.models.renderers import DataRenderer
from bokeh.plotting import figure

from api.export import observations_at_step
from pipeline.diary.station import StationContext
from pipeline.service import Pipeline
from pipeline.site.ground import Station
from pipeline.units import BELIEVED, DAY_MS, HOUR_MS

DASHES = ("solid", [7, 3], [2, 3], [9, 3, 2, 3], [14, 4], [4, 6])
LABEL_PX, MARGIN_PX = 72, 60  # room for the labels at the right, and for the axis at the left
LABEL_HEIGHT_PX = 14
DATE_PX, MOST_DATES = 90, 5  # room that a month with its year needs on the axis
LEAST_WIDTH_PX, MOST_WIDTH_PX, DEFAULT_WIDTH_PX = 240, 4000, 900
RAIN_HEIGHT, THATCH_HEIGHT, SOIL_HEIGHT = 96, 150, 300
FONT_SIZE = "13px"
LEAST_RANGE = 0.10  # m3/m3 from bottom to top at least, so that a probe's wavering does not look like weather
STEPS_ABOUT = 4  # steps on either side that a step is measured by
WINDOW = 2 * STEPS_ABOUT + 1
GAP_STEPS = 3.5
NOTHING = "No reading to be believed in this time."


@dataclass(frozen=True, slots=True)
class Palette:
    """Colours for one of the two looks of the page."""

    ink: str
    faint: str
    rain: str
    thatch: str
    soil: tuple[str, ...]


PALETTES = {
    "light": Palette(
        "#23261d", "#cfcab8", "#2b5c86", "#7a5410", ("#3f2f6b", "#8a2f4f", "#0f5c57", "#5a4632", "#1d3f8f", "#6b2a7a")
    ),
    "dark": Palette(
        "#ece7d6", "#4a4a3e", "#8fc1ea", "#e0b25a", ("#b9a8f0", "#f09ab5", "#7fd0c8", "#d1b79a", "#9db8ff", "#dca0ea")
    ),
}


@dataclass(frozen=True, slots=True)
class Line:
    """One moisture channel: its label, whether it lies in `thatch`, `mixed` or `soil`, and its values."""

    label: str
    lies_in: str
    at_ms: np.ndarray
    value: np.ndarray


def moisture_chart(
    lines: list[Line],
    rain: pd.DataFrame,
    span_ms: tuple[int, int],
    look: str,
    *,
    width_px: int = DEFAULT_WIDTH_PX,
) -> LayoutDOM:
    """The chart of one station.

    Parameters
    ----------
    lines : list of Line
        From the top down. Water content. [m3 m-3] NaN where there is none.
    rain : DataFrame
        Columns `measured_at_ms` (start of each bar) and `value`. [mm]
    span_ms : (int, int)
        What is shown. [ms since 1970, on the clock that the axis is to show]
    look : str
        A key of `PALETTES`.
    width_px : int
        How wide it will be drawn, for the labels at the right need room of their own whatever the screen.
    """
    palette = PALETTES[look]
    start, end = span_ms
    frame_px = min(max(width_px, LEAST_WIDTH_PX), MOST_WIDTH_PX) - MARGIN_PX
    dates = min(MOST_DATES, max(2, (frame_px - LABEL_PX) // DATE_PX))
    shown = _Shown(start, end, end + (end - start) * LABEL_PX / (frame_px - LABEL_PX), dates)
    parts = []
    if not rain.empty:
        parts.append(_rain_panel(rain, shown, palette))
    thatch = [line for line in lines if line.lies_in == "thatch"]
    soil = [line for line in lines if line.lies_in != "thatch"]
    if thatch:
        parts.append(
            _lines_panel(thatch, "Water in the thatch, m³/m³", shown, palette, THATCH_HEIGHT, (palette.thatch,))
        )
    if soil:
        is_mixed = any(line.lies_in == "mixed" for line in soil)
        title = f"Water in {'soil or mixed' if is_mixed else 'the soil'} by depth, m³/m³"
        parts.append(_lines_panel(soil, title, shown, palette, SOIL_HEIGHT, palette.soil))
    for part in parts[:-1]:
        part.xaxis.visible = False
    return column(*parts, sizing_mode="stretch_width", spacing=4)


@dataclass(frozen=True, slots=True)
class _Shown:
    """The axis: from `start` to now, and beyond it the room for labels [ms]; about how many dates stand at it."""

    start: float
    now: float
    end: float
    dates: int


def _rain_panel(rain: pd.DataFrame, shown: _Shown, palette: Palette) -> figure:
    panel = _panel("Rain, mm", shown, palette, RAIN_HEIGHT, DataRange1d(start=0))
    at = rain["measured_at_ms"].to_numpy()
    width = float(np.median(np.diff(at))) if at.size > 1 else HOUR_MS
    least = (shown.now - shown.start) / 400  # a bar thinner than this cannot be seen
    source = ColumnDataSource({"at": at, "mm": rain["value"].to_numpy()})
    bars = panel.vbar(
        x="at", top="mm", width=max(width, least), source=source, fill_color=palette.rain, line_color=palette.rain
    )
    panel.add_tools(HoverTool(renderers=[bars], tooltips=[("", "@at{%a %d %b %H:%M}"), ("rain", "@mm{0.0} mm")],
                              formatters={"@at": "datetime"}))  # fmt: skip
    return panel


def _lines_panel(
    lines: list[Line], title: str, shown: _Shown, palette: Palette, height: int, colours: tuple[str, ...]
) -> figure:
    low, high = _moisture_range(lines)
    panel = _panel(title, shown, palette, height, Range1d(start=low, end=high))
    renderers: list[DataRenderer] = []
    known = [line.value[~np.isnan(line.value)] for line in lines]
    ends = _spread([float(v[-1]) if v.size else None for v in known], (high - low) * LABEL_HEIGHT_PX / (height - 45))
    for i, line in enumerate(lines):
        colour = colours[i % len(colours)]
        label = line.label + (", mixed with thatch" if line.lies_in == "mixed" else "")
        source = ColumnDataSource(
            {"at": line.at_ms, "value": line.value, "label": np.full(line.at_ms.size, label, dtype=object)}
        )
        renderers.append(
            panel.line("at", "value", source=source, line_color=colour, line_width=2, line_dash=DASHES[i % len(DASHES)])
        )
        end = ends[i]
        if end is not None:
            panel.text(
                x=[shown.now], y=[end], text=[line.label], text_color=colour, text_font_size="12px",
                text_baseline="middle", text_align="left", x_offset=9,
            )  # fmt: skip
    if all(end is None for end in ends):
        middle = (shown.start + shown.now) / 2
        panel.text(
            x=[middle], y=[LEAST_RANGE / 2], text=[NOTHING], text_align="center", text_color=palette.ink,
            text_font_size=FONT_SIZE,
        )  # fmt: skip
    panel.add_tools(
        HoverTool(
            renderers=renderers,
            tooltips=[("", "@label"), ("", "@at{%a %d %b %H:%M}"), ("water", "@value{0.000}")],
            formatters={"@at": "datetime"},
        )
    )
    return panel


def _moisture_range(lines: list[Line]) -> tuple[float, float]:
    """From somewhat below the least value to somewhat above the greatest, never less than `LEAST_RANGE` in all."""
    known = np.concatenate([line.value[~np.isnan(line.value)] for line in lines])
    if known.size == 0:
        return 0.0, LEAST_RANGE
    low, high = float(known.min()), float(known.max())
    room = max(0.08 * (high - low), (LEAST_RANGE - (high - low)) / 2)
    return max(0.0, low - room), high + room


def _spread(ends: list[float | None], least: float) -> list[float | None]:
    """Where each label stands, moved apart to at least so much that no two lie on each other. [m3 m-3]"""
    placed: list[float | None] = [None] * len(ends)
    last = -np.inf
    for value, i in sorted((value, i) for i, value in enumerate(ends) if value is not None):
        last = max(value, last + least)
        placed[i] = last
    return placed


def _panel(title: str, shown: _Shown, palette: Palette, height: int, y_range: Range | None = None) -> figure:
    panel = figure(
        title=Title(text=title, text_color=palette.ink, text_font_size=FONT_SIZE, text_font_style="normal"),
        x_axis_type="datetime",
        x_range=Range1d(start=shown.start, end=shown.end),
        y_range=DataRange1d() if y_range is None else y_range,
        height=height,
        sizing_mode="stretch_width",
        tools="",
        toolbar_location=None,
        background_fill_color=None,
        border_fill_color=None,
        outline_line_color=None,
        min_border_left=46,
        min_border_right=6,
    )
    # Now is where the lines end: nothing is drawn into the time to come.
    panel.add_layout(Span(location=shown.now, dimension="height", line_color=palette.ink, line_width=1))
    panel.xaxis[0].bounds = (shown.start, shown.now)
    panel.toolbar.logo = None
    for axis in (panel.xaxis[0], panel.yaxis[0]):
        axis.axis_line_color = axis.major_tick_line_color = palette.ink
        axis.minor_tick_line_color = None
        axis.major_label_text_color = palette.ink
        axis.major_label_text_font_size = "12px"
    panel.xaxis[0].ticker = DatetimeTicker(desired_num_ticks=shown.dates)
    panel.yaxis[0].ticker = BasicTicker(desired_num_ticks=3 if height < SOIL_HEIGHT else 5)
    panel.xaxis[0].formatter = DatetimeTickFormatter(hours="%H:%M", days="%d %b", months="%b %Y", years="%Y")
    panel.xgrid.grid_line_color = None
    panel.ygrid.grid_line_color = palette.faint
    return panel


def on_site_clock(at_ms: np.ndarray, zone: ZoneInfo) -> np.ndarray:
    """Times moved so that an axis that knows no time zones shows the site's clock. [ms]"""
    local = pd.to_datetime(at_ms, unit="ms", utc=True).tz_convert(zone).tz_localize(None)
    return local.to_numpy().astype("datetime64[ms]").astype(np.int64)


def _moisture_lines(
    pipeline: Pipeline, context: StationContext, span: tuple[int, int], step: str, zone: ZoneInfo
) -> list[Line]:
    """The lines from the top down, each where it lies at the end of the span."""
    depths_m = {channel: context.depth_m(channel, span[1]) for channel in context.moisture}
    frame = observations_at_step(pipeline, list(depths_m), *span, step)
    lines = []
    for channel, depth_m in sorted(depths_m.items(), key=lambda one: one[1]):
        own = frame[frame["channel"] == channel]
        value = own["value"].to_numpy(float, copy=True)
        if "flag" in own:
            value[~own["flag"].isin(BELIEVED)] = np.nan
        at_ms, value = with_gaps(own["measured_at_ms"].to_numpy(np.int64), value)
        lies_in = context.place(channel, span[1]).value
        lines.append(Line(f"{depth_m * 1000:.0f} mm", lies_in, on_site_clock(at_ms, zone), value))
    return lines


def with_gaps(at_ms: np.ndarray, value: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The series with a missing value put into each gap, so that no line is drawn across it.

    A gap is a step much longer than those about it: a probe may be read by the hour at one time and by the quarter hour
    at another.
    """
    if at_ms.size < 3:
        return at_ms, value
    steps = np.diff(at_ms)
    about = np.median(np.lib.stride_tricks.sliding_window_view(np.pad(steps, STEPS_ABOUT, "reflect"), WINDOW), axis=1)
    gaps = np.flatnonzero(steps > GAP_STEPS * about)
    return np.insert(at_ms, gaps + 1, at_ms[gaps] + 1), np.insert(value, gaps + 1, np.nan)


def _rain_bars(pipeline: Pipeline, station: str, span: tuple[int, int], step: str, zone: ZoneInfo) -> pd.DataFrame:
    channel = pipeline.config.rain_channel(station)
    if channel is None:
        return pd.DataFrame({"measured_at_ms": [], "value": []})
    width = DAY_MS if step == "day" else HOUR_MS
    rain = observations_at_step(pipeline, [channel], *span, step)
    # A bar stands on the middle of its hour or day.
    middle = on_site_clock(rain["measured_at_ms"].to_numpy(np.int64) + width // 2, zone)
    return pd.DataFrame({"measured_at_ms": middle, "value": rain["value"].to_numpy(float)})


def station_figure(
    pipeline: Pipeline, station: Station, days: int, look: Literal["light", "dark"], *, width_px: int
) -> LayoutDOM:
    """The chart of a station over the last days, on the site's clock: by the reading, the hour or the day."""
    now_ms = pipeline.clock.now_ms()
    span = (now_ms - days * DAY_MS, now_ms)
    zone = ZoneInfo(pipeline.config.site.timezone)
    step = "raw" if days <= 14 else "hour" if days <= 120 else "day"
    lines = _moisture_lines(pipeline, pipeline.context(station.name), span, step, zone)
    rain = _rain_bars(pipeline, station.name, span, "day" if days > 14 else "hour", zone)
    shown = tuple(int(t) for t in on_site_clock(np.array(span), zone))
    return moisture_chart(lines, rain, (shown[0], shown[1]), look, width_px=width_px)
