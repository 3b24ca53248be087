"""Moisture by depth over time as a Bokeh figure: rain above, thatch apart, soil by depth below.

Pure: frames in, figure out. Depths differ by dash and by a label at the line's end as well as by colour. Gaps stay
gaps. There is no line run on past the last reading, and no band that calls a state good or bad.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from bokeh.layouts import column
from bokeh.models import ColumnDataSource, DatetimeTickFormatter, HoverTool, LayoutDOM, Range1d
from bokeh.plotting import figure

HOUR_MS = 3_600_000
DASHES = ("solid", [7, 3], [2, 3], [9, 3, 2, 3], [14, 4], [4, 6])
LABEL_SHARE = 0.17  # of the span, kept free at the right for the labels
RAIN_HEIGHT, THATCH_HEIGHT, SOIL_HEIGHT = 96, 150, 300
FONT_SIZE = "13px"


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
    """One moisture channel: its label, whether it lies in the thatch, and its values."""

    label: str
    in_thatch: bool
    at_ms: np.ndarray
    value: np.ndarray


def moisture_chart(lines: list[Line], rain: pd.DataFrame, span_ms: tuple[int, int], look: str) -> LayoutDOM:
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
    """
    palette = PALETTES[look]
    start, end = span_ms
    shown = Range1d(start, end + (end - start) * LABEL_SHARE)
    parts = []
    if not rain.empty:
        parts.append(_rain_panel(rain, shown, palette))
    thatch = [line for line in lines if line.in_thatch]
    soil = [line for line in lines if not line.in_thatch]
    if thatch:
        parts.append(
            _lines_panel(thatch, "Water in the thatch, m³/m³", shown, palette, THATCH_HEIGHT, (palette.thatch,))
        )
    if soil:
        title = "Water in the soil by depth, m³/m³"
        parts.append(_lines_panel(soil, title, shown, palette, SOIL_HEIGHT, palette.soil))
    for part in parts[:-1]:
        part.xaxis.visible = False
    return column(*parts, sizing_mode="stretch_width", spacing=4)


def _rain_panel(rain: pd.DataFrame, shown: Range1d, palette: Palette) -> figure:
    panel = _panel("Rain, mm", shown, palette, RAIN_HEIGHT)
    at = rain["measured_at_ms"].to_numpy()
    width = float(np.median(np.diff(at))) if at.size > 1 else HOUR_MS
    least = (shown.end - shown.start) / 400  # a bar thinner than this cannot be seen
    source = ColumnDataSource({"at": at, "mm": rain["value"].to_numpy()})
    bars = panel.vbar(
        x="at", top="mm", width=max(width, least), source=source, fill_color=palette.rain, line_color=palette.rain
    )
    panel.y_range.start = 0
    panel.add_tools(HoverTool(renderers=[bars], tooltips=[("", "@at{%a %d %b %H:%M}"), ("rain", "@mm{0.0} mm")],
                              formatters={"@at": "datetime"}))  # fmt: skip
    return panel


def _lines_panel(
    lines: list[Line], title: str, shown: Range1d, palette: Palette, height: int, colours: tuple[str, ...]
) -> figure:
    panel = _panel(title, shown, palette, height)
    renderers = []
    ends = _spread([_last(line) for line in lines], height)
    for i, line in enumerate(lines):
        colour = colours[i % len(colours)]
        source = ColumnDataSource(
            {"at": line.at_ms, "value": line.value, "label": np.full(line.at_ms.size, line.label, dtype=object)}
        )
        renderers.append(
            panel.line("at", "value", source=source, line_color=colour, line_width=2, line_dash=DASHES[i % len(DASHES)])
        )
        if ends[i] is not None:
            panel.text(
                x=[shown.end], y=[ends[i]], text=[line.label], text_color=colour, text_font_size="12px",
                text_baseline="middle", text_align="right",
            )  # fmt: skip
    panel.add_tools(
        HoverTool(
            renderers=renderers,
            tooltips=[("", "@label"), ("", "@at{%a %d %b %H:%M}"), ("water", "@value{0.000}")],
            formatters={"@at": "datetime"},
        )
    )
    return panel


def _last(line: Line) -> float | None:
    known = line.value[~np.isnan(line.value)]
    return None if known.size == 0 else float(known[-1])


def _spread(ends: list[float | None], height: int) -> list[float | None]:
    """Where each label stands, moved apart so that no two lie on each other."""
    known = sorted((value, i) for i, value in enumerate(ends) if value is not None)
    if not known:
        return ends
    span = max(known[-1][0] - known[0][0], 0.05) * 1.3
    least = span * 16 / height
    placed: list[float | None] = [None] * len(ends)
    last = -np.inf
    for value, i in known:
        last = max(value, last + least)
        placed[i] = last
    return placed


def _panel(title: str, shown: Range1d, palette: Palette, height: int) -> figure:
    panel = figure(
        title=title, x_axis_type="datetime", x_range=shown, height=height, sizing_mode="stretch_width", tools="",
        toolbar_location=None, background_fill_color=None, border_fill_color=None, outline_line_color=None,
        min_border_left=46, min_border_right=6,
    )  # fmt: skip
    panel.toolbar.logo = None
    panel.title.text_color = palette.ink
    panel.title.text_font_size = FONT_SIZE
    panel.title.text_font_style = "normal"
    for axis in (panel.xaxis[0], panel.yaxis[0]):
        axis.axis_line_color = axis.major_tick_line_color = palette.ink
        axis.minor_tick_line_color = None
        axis.major_label_text_color = palette.ink
        axis.major_label_text_font_size = "12px"
    panel.xaxis[0].ticker.desired_num_ticks = 5
    panel.yaxis[0].ticker.desired_num_ticks = 3 if height < SOIL_HEIGHT else 5
    panel.xaxis[0].formatter = DatetimeTickFormatter(hours="%H:%M", days="%d %b", months="%b %Y", years="%Y")
    panel.xgrid.grid_line_color = None
    panel.ygrid.grid_line_color = palette.faint
    return panel
