"""The paper that the sheets are drawn on: an A4 page in SVG, its pens, its hatches and its lettering."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from html import escape

LEFT_MM, RIGHT_MM, BOTTOM_MM = 15.0, 195.0, 285.0  # edges of what is drawn [mm]

_SERIF = 'Charter, "Bitstream Charter", "Iowan Old Style", Georgia, "C059", serif'
_STYLE = f"""
svg {{ --paper: #fbf9f2; --ink: #1f2219; --quiet: #55574a; --hatch: #7a5410; --cable: #3f2f6b; --water: #23566e;
  --line: #cfcab8; --soil: #f1ead8; --thatch: #e6d3a3; }}
@page {{ size: A4; margin: 0; }}
@media print {{ * {{ print-color-adjust: exact; }} svg {{ --paper: #fff; --ink: #000; --quiet: #333; --hatch: #222;
  --cable: #000; --water: #444;
  --line: #999; --soil: #f4f4f4; --thatch: #ddd; }} }}
text {{ fill: var(--ink); font: 3.7px {_SERIF}; }}
.title {{ font-size: 7px; font-weight: bold; }} .lead {{ font-size: 4.3px; font-weight: bold; }}
.part {{ font-size: 4.5px; font-weight: bold; }} .bold {{ font-weight: bold; }}
.quiet {{ fill: var(--quiet); font-size: 3.1px; }} .name {{ font-style: italic; }}
.figure {{ font: 3.2px ui-sans-serif, system-ui, sans-serif; }} .reversed {{ fill: var(--paper); font-weight: bold; }}
.code {{ font: .88em ui-sans-serif, system-ui, sans-serif; }}
.ink {{ fill: var(--ink); }} .paper {{ fill: var(--paper); }} .soil {{ fill: var(--soil); }}
.thatch {{ fill: var(--thatch); }} .hatched {{ fill: url(#hatch); }} .water {{ fill: var(--water); opacity: .2; }}
.thing {{ fill: var(--paper); stroke: var(--ink); stroke-width: .5; }}
.thin {{ fill: none; stroke: var(--ink); stroke-width: .25; }}
.edge {{ fill: none; stroke: var(--ink); stroke-width: .4; }}
.heavy {{ fill: none; stroke: var(--ink); stroke-width: .7; }}
.rule {{ fill: none; stroke: var(--line); stroke-width: .3; }}
.supply {{ fill: none; stroke: var(--ink); stroke-width: 1.1; }}
.data {{ fill: none; stroke: var(--ink); stroke-width: .4; }}
.ground {{ fill: none; stroke: var(--ink); stroke-width: .8; stroke-dasharray: 3.2 1.4; }}
.earth {{ fill: none; stroke: var(--ink); stroke-width: .9; stroke-dasharray: .2 1.5; stroke-linecap: round; }}
.screen {{ fill: none; stroke: var(--quiet); stroke-width: .4; stroke-dasharray: .8 .8; }}
.cable {{ fill: none; stroke: var(--cable); stroke-width: 1.1; }} .shallow {{ stroke-dasharray: 2.2 1.5; }}
.wanted {{ fill: none; stroke: var(--ink); stroke-width: .35; stroke-dasharray: 1.8 1; }}
.tine {{ fill: none; stroke: var(--hatch); stroke-width: .5; }}
"""
_HATCH = (
    '<pattern id="hatch" width="1.6" height="1.6" patternUnits="userSpaceOnUse" patternTransform="rotate(-32)">'
    '<path d="M0 .8H1.6" stroke="var(--hatch)" stroke-width=".35"/></pattern>'
)


def width_mm(words: str, size: float) -> float:
    """Return the room a text takes in the wider ones of the serifs. [mm]"""
    narrow, wide = "iljtfrI.,:;'|!() -", "mwMW%@"
    return size * sum(0.33 if c in narrow else 0.85 if c in wide else 0.64 if c.isupper() else 0.53 for c in words)


class Sheet:
    """One page under way: parts are appended, `svg` gives the whole.

    Parameters
    ----------
    title, lead : str
        What it shows, and the one sentence to keep.
    """

    def __init__(self, title: str, lead: str) -> None:
        self.parts: list[str] = []
        self._title = title
        self.text(LEFT_MM, 20, title, "title")
        self.path(f"M{LEFT_MM} 24H{RIGHT_MM}", "heavy")
        self.words(LEFT_MM, 31, lead, 180, "lead", size=4.3)

    def svg(self, number: int, of: int) -> str:
        """Return the page as a file."""
        self.text(RIGHT_MM, 20, f"Underturf, sheet {number} of {of}", "quiet", anchor="end")
        body = "\n".join(self.parts)
        return (
            '<svg xmlns="http://www.w3.org/2000/svg" width="210mm" height="297mm" viewBox="0 0 210 297" role="img">\n'
            f"<title>{escape(self._title)}</title>\n<style>{_STYLE}</style>\n<defs>{_HATCH}</defs>\n"
            f'<path d="M0 0H210V297H0Z" class="paper"/>\n{body}\n</svg>\n'
        )

    def text(self, x: float, y: float, words: str, kind: str = "", *, anchor: str = "start") -> None:
        """Write one line."""
        more = f' class="{kind}"' if kind else ""
        more += f' text-anchor="{anchor}"' if anchor != "start" else ""
        shown = re.sub("`([^`]+)`", r'<tspan class="code">\1</tspan>', escape(words.replace("'", "’"), quote=False))
        self.parts.append(f'<text x="{x:g}" y="{y:g}"{more}>{shown}</text>')

    def words(self, x: float, y: float, words: str, width: float, kind: str = "", *, size: float = 3.7) -> float:
        """Write a paragraph no wider than `width`; return where the next line would stand."""
        for line in _wrapped(words, width, size * (1.08 if kind in ("lead", "bold", "part") else 1.0)):
            self.text(x, y, line, kind)
            y += size * 1.38
        return round(y, 2)

    def listed(self, y: float, heading: str, items: Iterable[str], *, x: float = LEFT_MM, width: float = 180) -> float:
        """Write a heading and numbered lines; return where the next line would stand."""
        self.text(x, y, heading, "part")
        y += 6.2
        for n, item in enumerate(items, 1):
            self.text(x, y, f"{n}", "bold")
            y = self.words(x + 6, y, item, width - 6) + 0.7
        return y

    def table(self, y: float, starts: Sequence[float], rows: Sequence[Sequence[str]]) -> float:
        """Write rows below a quiet head, parted by rules; return where the next line would stand."""
        ends = [*starts[1:], RIGHT_MM]
        for n, row in enumerate(rows):
            kind = "quiet" if n == 0 else ""
            below = [
                self.words(x, y, cell, end - x - 3, kind, size=3.1 if n == 0 else 3.5)
                for x, end, cell in zip(starts, ends, row, strict=True)
            ]
            y = max(below) + 1.4
            self.path(f"M{starts[0]:g} {y - 4.4:.4g}H{RIGHT_MM}", "rule")
        return y + 2

    def do_not(self, y: float, words: str) -> float:
        """Write what must not be done, its first word reversed; return where the next line would stand."""
        self.path(f"M{LEFT_MM} {y - 4.2:.4g}h14.5v5.6h-14.5Z", "ink")
        self.text(LEFT_MM + 1.6, y, "Do not", "reversed")
        return self.words(LEFT_MM + 17, y, words, 163)

    def foot(self, *lines: str) -> None:
        """Write where the facts are from, upwards from the bottom edge."""
        told = [line for words in lines for line in _wrapped(words, 180, 3.1)]
        y = BOTTOM_MM - 4.2 * (len(told) - 1)
        self.path(f"M{LEFT_MM} {y - 5:.4g}H{RIGHT_MM}", "rule")
        for n, line in enumerate(told):
            self.text(LEFT_MM, round(y + 4.2 * n, 2), line, "quiet")

    def path(self, way: str, kind: str) -> None:
        """Draw a path."""
        self.parts.append(f'<path d="{way}" class="{kind}"/>')

    def box(self, x: float, y: float, w: float, h: float, *names: str, kind: str = "thing") -> None:
        """Draw a thing with its name in the middle, one line each."""
        self.path(f"M{x:g} {y:g}h{w:g}v{h:g}h{-w:g}Z", kind)
        for n, name in enumerate(names):
            self.text(x + w / 2, y + h / 2 + 1.3 + 4.8 * (n - (len(names) - 1) / 2), name, "", anchor="middle")

    def dot(self, x: float, y: float, r: float = 0.9, kind: str = "ink") -> None:
        """Draw a joint of wires, or a probe."""
        self.parts.append(f'<circle cx="{x:g}" cy="{y:g}" r="{r:g}" class="{kind}"/>')

    def fuse(self, x: float, y: float) -> None:
        """Draw a fuse in a conductor that runs upright, its middle at (x, y) (IEC 60617)."""
        self.path(f"M{x - 1.5:g} {y - 4:g}h3v8h-3Z", "thing")
        self.path(f"M{x:g} {y - 4:g}v8", "thin")

    def battery(self, x: float, y: float, *, volts: str = "12 V") -> None:
        """Draw a battery whose minus post is at (x, y) and whose plus post is at (x + 22, y)."""
        self.path(f"M{x - 5:g} {y:g}h32v15h-32Z", "thing")
        self.path(f"M{x - 1.6:g} {y:g}v-2.2h3.2v2.2M{x + 20.4:g} {y:g}v-2.2h3.2v2.2", "edge")
        self.text(x - 1.4, y + 5.5, "–", "bold")
        self.text(x + 20.6, y + 5.5, "+", "bold")
        self.text(x + 11, y + 11, f"battery, {volts}", anchor="middle")

    def earth(self, x: float, y: float) -> None:
        """Draw the sign of an earth below (x, y) (IEC 60617)."""
        self.path(
            f"M{x:g} {y:g}v4M{x - 4:g} {y + 4:g}h8M{x - 2.6:g} {y + 5.4:g}h5.2M{x - 1.2:g} {y + 6.8:g}h2.4", "heavy"
        )

    def leaf(self, x: float, y: float, w: float, *, step: float = 2.1) -> None:
        """Draw the leaf line and the cut leaf on it."""
        blades = "".join(
            f"M{x + n * step + 1:.4g} {y:g}q{math.sin(n * 2.3) * 0.4:.3f} -2 {math.sin(n * 1.7) * 1.2:.3f} -3.4"
            for n in range(int((w - 1) / step))
        )
        self.path(blades, "thin")
        self.path(f"M{x:g} {y:g}h{w:g}", "heavy")

    def arrow(self, x: float, y: float, to_x: float, to_y: float) -> None:
        """Draw a thin line with a head at its end."""
        turn = math.atan2(to_y - y, to_x - x)
        ends = [(to_x - 2.2 * math.cos(turn + a), to_y - 2.2 * math.sin(turn + a)) for a in (-0.4, 0.4)]
        heads = "".join(f"M{to_x:g} {to_y:g}L{ex:.4g} {ey:.4g}" for ex, ey in ends)
        self.path(f"M{x:g} {y:g}L{to_x:g} {to_y:g}{heads}", "thin")


def _wrapped(words: str, width: float, size: float) -> list[str]:
    """Lines that are no wider than `width`, filled greedily."""
    lines, line = [], ""
    for word in re.sub("`[^`]+`", lambda code: code[0].replace(" ", "\u00a0"), words).split(" "):
        longer = f"{line} {word}".strip()
        if line and width_mm(longer.replace("`", ""), size) > width:
            lines.append(line)
            longer = word
        line = longer
    return [*lines, line]
