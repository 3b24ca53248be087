"""The small pictures beside the six answers of the morning: each says by its form alone what the verdict says in words.

Pure: facts in, SVG out. A roller stands on firm ground, sinks into wet, and is a dotted outline where nobody can tell;
rain falls as bars, thatch and roots fill as the water went, water tonight stands as a stroke a go, windows as the
chance of each of ten days, probes hang as dots from the leaf line. A dotted base line is "cannot tell", a plain one
is nought.
"""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup, escape

from api.slices import figure
from pipeline.texts import say

WIDE_PX, TALL_PX, BASE = 64, 52, 38
MOST = 3  # surfaces or stations that one picture has room for
CANNOT_TELL = '<path d="M2 30H62" stroke="var(--quiet)" stroke-width="5" stroke-dasharray="3 4"/>'
MOST_RAIN_MM, MOST_GO_MM = 8.0, 8.0  # at the full height of the picture


def _picture(inside: str) -> Markup:
    return Markup(
        f'<svg width="{WIDE_PX}" height="{TALL_PX}" viewBox="0 0 {WIDE_PX} {TALL_PX}" aria-hidden="true">{inside}</svg>'
    )


def _letter(x: float, y: float, text: str, anchor: str = "middle") -> str:
    return f'<text class="n q" x="{figure(x)}" y="{figure(y)}" text-anchor="{anchor}">{escape(text)}</text>'


def _base(from_x: float, to_x: float, y: float = BASE + 1.0) -> str:
    return f'<path d="M{figure(from_x)} {figure(y)}H{figure(to_x)}" stroke="var(--ink)" stroke-width="1.8"/>'


def _places(count: int) -> list[float]:
    """Middles of so many things in a picture. [px]"""
    return [WIDE_PX * (number + 0.5) / count for number in range(count)]


def going(surfaces: Sequence[tuple[str, str]]) -> Markup:
    """Return a roller for each surface, by its initial and `yes`, `no` or `?`; a share where there are too many."""
    if len(surfaces) > MOST:
        fit = sum(word == "yes" for _, word in surfaces)
        one = "no" if any(word == "no" for _, word in surfaces) else "yes" if fit else "?"
        return _picture(
            _roller(WIDE_PX / 2, one) + _letter(WIDE_PX / 2, 51, say("{n} of {all}", n=fit, all=len(surfaces)))
        )
    parts = [
        _roller(x, word) + _letter(x, 51, initial)
        for x, (initial, word) in zip(_places(len(surfaces)), surfaces, strict=True)
    ]
    return _picture("".join(parts)) if parts else _picture(CANNOT_TELL)


def _roller(x: float, word: str) -> str:
    if word == "?":
        return (
            f'<circle cx="{figure(x)}" cy="29" r="8" fill="none" stroke="var(--ink)" stroke-width="1.6" '
            f'stroke-dasharray="2 3"/>{_base(x - 13, x + 13, 38)}'
        )
    sunk = 5.0 if word == "no" else 0.0
    leaf = "".join(f"M{figure(x + step * 3.2)} 38v-4" for step in range(-4, 5) if not sunk or abs(step) > 2)
    ground = _base(x - 13, x + 13, 38)
    if sunk:
        ground = f'<path d="M{figure(x - 13)} 38h4q1 5 9 5t9-5h4" fill="none" stroke="var(--ink)" stroke-width="2.2"/>'
    return (
        f'<path d="{leaf}" stroke="var(--ink)" opacity=".6"/><path d="M{figure(x)} {figure(29 + sunk)}l9-23h4" '
        f'stroke="var(--ink)" stroke-width="1.8" fill="none"/><circle cx="{figure(x)}" cy="{figure(29 + sunk)}" r="8" '
        f'fill="var(--ink)"/><circle cx="{figure(x)}" cy="{figure(29 + sunk)}" r="1.6" fill="var(--paper)"/>{ground}'
    )


def fallen(rain_mm: Sequence[float] | None, begins: str) -> Markup:
    """Return the rain of the last day in equal parts [mm], from when on in a word; None where nobody can tell."""
    if rain_mm is None:
        return _picture(CANNOT_TELL)
    step, bars = (WIDE_PX - 4) / len(rain_mm), ""
    for number, mm in enumerate(rain_mm):
        x, tall = 2 + number * step, min(mm / MOST_RAIN_MM, 1.0) * 34
        if mm > 0.0:
            bars += f"M{figure(x)} {BASE}h{figure(step - 2)}v{figure(-max(tall, 1.0))}h{figure(2 - step)}Z"
    ground = "".join(f"M{figure(2 + number * step)} 39h{figure(step - 2)}" for number in range(len(rain_mm)))
    return _picture(
        f'<path d="{bars}" fill="var(--water)"/><path d="{ground}" stroke="var(--ink)" stroke-width="1.6"/>'
        + _letter(1, 51, begins, "start")
        + _letter(63, 51, say("now"), "end")
    )


def went(thatch_share: float | None, root_share: float | None) -> Markup:
    """Return thatch over soil, each filled by its share of the last water [1]; None where it is not told."""
    if thatch_share is None and root_share is None:
        return _picture(CANNOT_TELL)

    def filled(y: float, tall: float, share: float | None) -> str:
        width = 56 * min(max(share or 0.0, 0.0), 1.0)
        return f'<path d="M4 {figure(y)}h{figure(width)}v{figure(tall)}H4Z" fill="var(--water)" opacity=".65"/>'

    arrows = "".join(f"M{x} 0v7m-3-3l3 3 3-3" for x in (14, 32, 50))
    return _picture(
        '<path d="M2 10H62" stroke="var(--ink)" stroke-width="2"/><path d="M4 11h56v14H4z" fill="var(--thatch)"/>'
        f'{filled(11, 14, thatch_share)}<path d="M4 11h56v14H4z" fill="url(#hatch)"/>'
        f'<path d="M4 25h56v25H4z" fill="var(--soil)"/>{filled(25, 25, root_share)}'
        f'<path d="M4 11V50M60 11V50" stroke="var(--ink)"/>'
        f'<path d="{arrows}" fill="none" stroke="var(--water)" stroke-width="1.6"/>'
    )


def water(stations: Sequence[tuple[str, float | None, int]]) -> Markup:
    """Return tonight's water: a stroke a go, as high as a go has millimetres; initial, mm in all, goes."""
    known = [one for one in stations if one[1] is not None]
    if not known:
        return _picture(CANNOT_TELL)
    if len(stations) > MOST:
        wanted = [one for one in known if one[1]]
        most = max(known, key=lambda one: one[1] or 0.0)
        inside = _goes(WIDE_PX / 2, most[1] or 0.0, most[2], WIDE_PX / 2 - 3) + _letter(
            WIDE_PX / 2, 51, say("{n} of {all}", n=len(wanted), all=len(stations))
        )
        return _picture(inside)
    parts = []
    for x, (initial, mm, goes) in zip(_places(len(stations)), stations, strict=True):
        half = WIDE_PX / len(stations) / 2 - 3
        parts.append(_letter(x, 51, initial))
        if mm is None:
            parts.append(
                f'<path d="M{figure(x - half)} 38h{figure(2 * half)}" stroke="var(--quiet)" stroke-width="4" '
                'stroke-dasharray="3 3"/>'
            )
        else:
            parts.append(_goes(x, mm, goes, half) + _base(x - half, x + half))
    return _picture("".join(parts))


def _goes(x: float, mm: float, goes: int, half: float) -> str:
    if not mm:
        return ""
    apart = min(6.0, 2 * half / goes)  # side by side within their place
    tall = max(4.0, min(mm / max(goes, 1) / MOST_GO_MM, 1.0) * 34)
    first = x - (goes - 1) * apart / 2
    d = "".join(f"M{figure(first + number * apart)} 38v{figure(-tall)}" for number in range(goes))
    return f'<path d="{d}" stroke="var(--water)" stroke-width="3.2"/>'


def windows(surfaces: Sequence[tuple[str, Sequence[float | None]]]) -> Markup:
    """Return ten days for each of at most two surfaces, by initial: the best chance of any pass on each day. [1]

    Filled five in ten or more, outlined below, a bar on the base where none is open, nothing where nobody can tell.
    """
    if not surfaces or not any(chance is not None for _, days in surfaces for chance in days):
        return _picture(CANNOT_TELL)
    rows = surfaces[:2]
    parts = []
    for number, (initial, days) in enumerate(rows):
        y = (23.0, 47.0)[number] if len(rows) > 1 else 38.0
        tall = 19.0 if len(rows) > 1 else 32.0
        parts.append(_letter(4, y, initial))
        step = 51 / max(len(days), 1)
        for place, chance in enumerate(days):
            x = 12 + place * step
            if chance is None:
                continue
            left, wide = figure(x), figure(step - 1)
            if chance <= 0.0:
                parts.append(f'<path d="M{left} {figure(y - 1.5)}h{wide}" stroke="var(--ink)" stroke-width="3"/>')
                continue
            looks = (
                'fill="none" stroke="var(--root)" stroke-dasharray="2 1.4"' if chance < 0.5 else 'fill="var(--root)"'
            )
            high = max(2.0, chance * tall)
            parts.append(f'<path d="M{left} {figure(y)}v{figure(-high)}h{wide}v{figure(high)}z" {looks}/>')
    return _picture("".join(parts))


def probes(stations: Sequence[tuple[str, Sequence[bool]]]) -> Markup:
    """Return the depths of each station as dots below the leaf line, by initial: filled heard, hollow silent."""
    line = '<path d="M1 8H63" stroke="var(--ink)" stroke-width="2"/>'
    if len(stations) > MOST:
        heard = sum(all(depths) for _, depths in stations)
        dots = _stem(WIDE_PX / 2, [heard == len(stations)] * 4)
        return _picture(line + dots + _letter(WIDE_PX / 2, 51, say("{n} of {all}", n=heard, all=len(stations))))
    parts = [
        _stem(x, list(depths)[:6]) + _letter(x, 51, initial)
        for x, (initial, depths) in zip(_places(len(stations)), stations, strict=True)
    ]
    return _picture(line + "".join(parts)) if parts else _picture(CANNOT_TELL)


def _stem(x: float, depths: Sequence[bool]) -> str:
    dots = "".join(
        f'<circle cx="{figure(x)}" cy="{11 + number * 5}" r="2.2" fill="var({"--ink" if heard else "--paper"})" '
        'stroke="var(--ink)" stroke-width="1.3"/>'
        for number, heard in enumerate(depths)
    )
    return f'<path d="M{figure(x)} 8v{2 + 5 * len(depths)}" stroke="var(--ink)" stroke-width="1.4"/>{dots}'
