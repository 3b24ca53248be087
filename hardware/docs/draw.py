"""Draw the sheets for the shed, one A4 page each: `python -m hardware.docs.draw` writes them.

Lengths are millimetres on paper. Down is down: the ground hangs from the leaf line. Thatch is hatched, a probe a dot, a
cable is indigo, solid at 150 mm of cover or more and broken under; the three wires of a line differ in form, so that
a grey print is enough. Facts carry their source on the sheet; what has none is common practice.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from pathlib import Path

from hardware.docs.paper import LEFT_MM, RIGHT_MM, Sheet

COPPER_OHM_MM2_M = 0.0172  # annealed copper at 20 degC, IEC 60028
GROUND_DROP_V = 0.5  # most along the ground conductor, SDI-12 specification 1.4, section 3
CORES_MM2 = (0.22, 0.34, 0.5, 0.75, 1.0)
CURRENTS_MA = (50, 100, 250, 500)


def longest_line_m(core_mm2: float, current_ma: float) -> float:
    """Return the length of cable at which the ground conductor drops half a volt.

    Parameters
    ----------
    core_mm2 : float
        Cross-section of one conductor. [mm2]
    current_ma : float
        What all probes of the line draw together while they measure. [mA]

    Returns
    -------
    float
        Length one way [m], by Ohm's law.
    """
    return GROUND_DROP_V * core_mm2 / (COPPER_OHM_MM2_M * current_ma / 1000)


STANDARD = "SDI-12: SDI-12 Support Group, specification 1.4, section 3 (electrical)."
PRACTICE = (
    "What has no source here is common practice. Local wiring codes and licensed electricians come before this sheet."
)


def one_probe() -> Sheet:
    """Return the sheet of one probe on its line."""
    y: float
    s = Sheet("One probe on a line", "Three wires. The fuse goes in last, and comes out before anything is touched.")
    s.text(LEFT_MM, 47, "in the hut, dry", "name")
    s.text(127, 47, "outdoors", "name")
    s.path("M121 43V138M123 43V138", "thin")
    s.box(15, 62, 25, 22, "small", "computer")
    s.path("M40 73H52", "data")
    s.text(46, 71.4, "USB", "figure", anchor="middle")
    s.box(52, 56, 30, 30, "adapter")
    for y, name in ((62, "data"), (78, "0 V")):
        s.text(80.5, y + 1.2, name, "figure", anchor="end")
        s.dot(82, y)
    s.path("M82 62H152", "data")
    s.path("M82 78H152", "ground")
    s.path("M108 94H152", "supply")
    s.path("M104.5 57h7v42h-7Z", "thin")
    for y in (62, 78, 94):
        s.dot(108, y)
    s.text(108, 54.6, "terminal strip", "", anchor="middle")
    s.battery(86, 122)
    s.path("M86 119.8V78", "ground")
    s.dot(86, 78)
    s.path("M108 119.8V94", "supply")
    s.fuse(108, 108)
    s.text(111.5, 107, "fuse", "bold")
    s.text(111.5, 111, "0.5 A", "figure")
    s.path("M86 102H70", "earth")
    s.dot(86, 102)
    s.earth(70, 102)
    s.text(56, 115, "earth of the hut, sheet 5", anchor="middle")
    s.parts.append('<ellipse cx="128" cy="78" rx="3" ry="20" class="thing" style="fill:none"/>')
    s.words(126, 106, "one cable, through a gland, with a drip loop outside", 26)
    for y, name in ((62, "0 to 5 V"), (78, "0 V"), (94, "9.6 to 16 V")):
        s.text(150.5, y - 1.6, name, "figure", anchor="end")
    s.box(152, 56, 14, 44)
    for y in (70, 78, 86):
        s.path(f"M166 {y - 0.5}h18l2 .5l-2 .5h-18Z", "thing")
    s.dot(159, 78, 1.5)
    s.text(168, 106, "probe", "", anchor="middle")
    y = s.table(
        149,
        (15, 36, 57, 130),
        [
            ("wire", "drawn", "joins", "what a meter says"),
            ("data", "thin", "adapter's data, strip, the probe's data", "0 V at rest; up to 5 V while it talks"),
            ("0 V", "dashes", "adapter's ground, battery's minus, the probe's ground, the hut's earth",
             "less than 0.5 V from end to end"),
            ("12 V", "thick", "battery's plus by the fuse, the probe's supply", "9.6 to 16 V at the probe while "
            "it measures"),
        ],
    )  # fmt: skip
    y = s.listed(
        y + 2,
        "In this order",
        (
            "Read the probe's own sheet for its colours: makers differ, and a wire on the wrong terminal can "
            "end a probe.",
            "Fuse out. Join 0 V first, then data, then 12 V. Crimp or solder; gel-filled sleeves wherever it "
            "can get damp.",
            "Meter between 12 V and 0 V with the battery off: no short. Then the fuse.",
            "`underturf-agent setup` finds how the adapter is spoken to; `underturf-agent live` shows the probe.",
            "In air, in water, then in the ground. Give it an address of its own before it is buried.",
        ),
    )
    s.do_not(y + 3, "bring mains into the play area, or feed the line from anything but a battery or an "
    "extra-low voltage "
             "supply made for it. What is fixed to the mains is a licensed electrician's work.")  # fmt: skip
    s.foot(f"{STANDARD} Fuse: no more than the 0.5 A that the standard loads the line with. {PRACTICE}")
    return s


def three_probes() -> Sheet:
    """Return the sheet of several probes on one line."""
    y: float
    s = Sheet(
        "Three probes on one line",
        "All data to data, all 0 V to 0 V, all 12 V to 12 V; each with an address of its own.",
    )
    s.text(LEFT_MM, 45, "from the strip in the hut (sheet 1)", "name")
    for y, name, kind, to in ((56, "data", "data", 155), (64, "0 V", "ground", 162), (72, "12 V", "supply", 169)):
        s.text(LEFT_MM, y + 1.2, name, "figure")
        s.path(f"M26 {y}H{to}", kind)
    for n, x in enumerate((62, 112, 162), 1):
        s.path(f"M{x - 13} 49h26v30h-26Z", "thin")
        for dx, y, kind in ((-7, 56, "data"), (0, 64, "ground"), (7, 72, "supply")):
            s.dot(x + dx, y)
            s.path(f"M{x + dx} {y}V100", kind)
        s.box(x - 10, 100, 20, 10)
        s.dot(x, 105, 1.4)
        for dx in (-6, 0, 6):
            s.path(f"M{x + dx - 0.5} 110v12l.5 2l.5 -2v-12Z", "thing")
        s.text(x, 131, f"address {n}", "bold", anchor="middle")
    s.text(112, 46.5, "junction box, flush, lid firm under a foot", "", anchor="middle")
    y = s.listed(
        141,
        "What the standard gives",
        (
            "Ten probes a line at least, and about 60 m (200 ft) of cable to each; fewer probes, more cable.",
            "Probes stand side by side on the three wires. Order and branches do not matter to them.",
            "Two at one address answer at once and both are lost. Connect one at a time and give each its own with "
            "`underturf-agent scan LINE --change 0 1`; then `scan LINE` names all three.",
            "The 0 V wire may lose half a volt between hut and probe, and 9.6 V must be left of the supply. Add "
            "what all "
            "probes draw while they measure, and read the longest line off this table.",
        ),
    )
    heads = ("each core", *(f"{current} mA together" for current in CURRENTS_MA))
    rows = [
        (f"{core:g} mm²", *(f"{longest_line_m(core, current):.0f} m" for current in CURRENTS_MA)) for core in CORES_MM2
    ]
    y = s.table(y + 2, (15, 51, 87, 123, 159), [heads, *rows])
    y = s.words(LEFT_MM, y, "Longer than either: a second line, or RS-485 to a converter near the probes (sheet "
    "3). Never "
                "lengthen a line by raising its voltage above 16 V.", 180)  # fmt: skip
    s.foot(
        f"{STANDARD} Ten probes and 60 m: the same, from memory. Table: half a volt along one core of copper, "
        f"0.0172 ohm "
        "mm²/m at 20 °C (IEC 60028), by Ohm's law. " + PRACTICE
    )
    return s


def adapters() -> Sheet:
    """Return the sheet of the kinds of adapter."""
    s = Sheet(
        "Kinds of adapter", "What stands between the computer and the line, and what to write for it in agent.toml."
    )

    def chain(y: float, *things: tuple[str, ...], between: Sequence[str]) -> None:
        x, w = LEFT_MM, 34.0
        gap = (180 - w * len(things)) / (len(things) - 1)
        for n, names in enumerate(things):
            s.box(x, y, w, 15, *names)
            if n < len(between):
                s.path(f"M{x + w:g} {y + 7.5:g}h{gap:g}", "data")
                s.text(x + w + gap / 2, y + 5.6, between[n], "figure", anchor="middle")
            x += w + gap

    s.text(LEFT_MM, 45, "It makes the break itself", "part")
    chain(
        49, ("computer",), ("SDI-12", "adapter"), ("line of", "probes"), between=("USB, its own baud", "1200 baud, 5 V")
    )
    y = s.words(LEFT_MM, 70, "The usual kind: a small box that turns text into SDI-12. Set `baud` and `frame` as "
    "its sheet says "
                'them, often 9600 and "8N1", and `break = "adapter"`. If it starts anew when its port opens, '
                '`settle_s = 3.0`; if it prints a prompt, `prompt = ">"`.', 180)  # fmt: skip
    s.text(LEFT_MM, y + 4, "The computer makes the break", "part")
    chain(y + 8, ("computer",), ("serial", "adapter"), ("level", "changer"), ("line of", "probes"),
          between=("USB", "7E1", "5 V"))  # fmt: skip
    y = s.words(LEFT_MM, y + 29, "A plain serial adapter and a circuit that joins sending and receiving on the "
    "one data wire. The "
                'defaults serve: `baud = 1200`, `frame = "7E1"`, `break = "host"`. The adapter must be able to '
                'send a break: '
                "`underturf-agent setup` finds out.", 180)  # fmt: skip
    s.text(LEFT_MM, y + 4, "A long way to the probes: RS-485", "part")
    chain(y + 8, ("computer",), ("RS-485", "adapter"), ("converter", "near probes"), ("line of", "probes"),
          between=("USB", "pair", "SDI-12"))  # fmt: skip
    y = s.words(LEFT_MM, y + 29, "A twisted pair of up to 1200 m between adapter and converter, 120 ohm across "
    "the pair at each end, "
                "one run without branches, and a third wire that joins their 0 V. The SDI-12 line beyond it "
                "keeps its own 60 m. Settings as "
                "for the first kind; `reply_extra_s` for what the way there and back takes. Surge protection at "
                "both ends "
                "(sheet 5).", 180)  # fmt: skip
    y = s.listed(
        y + 5,
        "What to look for when buying",
        (
            "Its commands are written down, and SDI-12 1.3 or later with check characters is named.",
            "Isolation between USB and the line, 1 kV or more: it ends the loop of two earths, and a surge ends "
            "there too.",
            "A serial number of its own, so that its name stays (hardware/udev); a driver that is part of Linux.",
            "Screw or spring terminals that take 0.5 to 1.5 mm², and its 12 V output, if any, held to 0.5 A.",
        ),
    )
    s.do_not(y + 3, "join the data wire to RS-232 or to the bare pins of a computer: ± 12 V ends the probes, "
    "and 5 V ends "
             "a pin made for 3.3.")  # fmt: skip
    s.foot(
        "RS-485: length and termination as TIA/EIA-485-A and its guide TSB-89 are usually quoted, from memory. "
        + PRACTICE
    )
    return s


def battery_and_panel() -> Sheet:
    """Return the sheet of battery, fuses and panel."""
    y: float
    s = Sheet("Battery, fuses, panel", "A fuse at the battery first: it protects the wire, not what hangs on it.")
    s.box(15, 48, 34, 24)
    s.path("M26.3 48v24M37.6 48v24M15 56h34M15 64h34", "thin")
    s.text(32, 77, "panel", anchor="middle")
    s.box(76, 46, 34, 28, "charge", "regulator")
    for y, kind in ((54, "supply"), (66, "ground")):
        s.path(f"M49 {y}H76", kind)
    s.path("M110 54H164V86", "supply")
    s.path("M110 66H142V86", "ground")
    s.battery(142, 88)
    s.fuse(164, 70)
    s.text(168, 67, "fuse at the", "bold")
    s.text(168, 71.6, "plus post", "bold")
    s.words(168, 76.2, "as large as the regulator allows", 27)
    s.path("M86 74V94H28V118", "ground")
    s.path("M70 94V118", "ground")
    s.dot(70, 94)
    s.path("M100 74V102H44V118", "supply")
    s.path("M86 102V118", "supply")
    s.dot(86, 102)
    s.fuse(44, 111)
    s.fuse(86, 111)
    s.text(48, 112, "2 A", "figure")
    s.text(90, 112, "0.5 A", "figure")
    s.box(19, 118, 34, 15, "12 V to 5 V,", "computer")
    s.box(61, 118, 34, 15, "strip of", "the line")
    for x, y, n in ((124, 51, "1"), (103, 86, "2"), (62, 51, "3")):
        s.text(x, y, n, "title")
    s.words(110, 116, "Joined in the order 1, 2, 3 and parted in the order 3, 2, 1: a regulator must know its "
    "battery before "
            "the panel comes.", 80)  # fmt: skip
    y = s.table(
        145,
        (15, 58, 80, 136),
        [
            ("battery", "share used", "in frost", "look for"),
            ("sealed lead acid", "half", "holds a fifth less at 0 °C; a flat one freezes", "a vented box; kept full"),
            ("lithium iron phosphate", "four fifths", "takes no charge under 0 °C", "a guard of its own against it"),
        ],
    )
    s.text(LEFT_MM, y + 3, "How large", "part")
    y = s.words(LEFT_MM, y + 9.2, "`underturf power` works it out from what your node draws, the latitude "
    "and the days it must "
                "last without sun. Measure the current for a day: what a sheet says is not what a node "
                "takes.", 180)  # fmt: skip
    y = s.listed(
        y + 4,
        "Care",
        (
            "Rings and watches off. Cover one post while you work on the other. Minus off first, on last.",
            "The wire from the post to the first fuse no longer than a hand, and the fuse no larger than that "
            "wire bears.",
            "Battery boxes out of the sun, above flood, vented high and low where lead is in them: they give "
            "off hydrogen.",
            "Panel facing the equator, tilted for winter (latitude and 15 degrees), out of every shade at "
            "midwinter noon. Covered while it is joined.",
            "A swollen, hot or leaking battery: out of doors, hands off, and to those who take such back.",
        ),
    )  # fmt: skip
    s.do_not(
        y + 3,
        "charge lithium in frost, open a battery, or bridge a fuse. A battery of 12 V gives no shock and welds "
        "a spanner.",
    )
    s.foot(
        "Shares, frost and tilt: common practice; the maker's own sheet comes before it. " + PRACTICE.split(". ", 1)[1]
    )
    return s


def surge_and_earth() -> Sheet:
    """Return the sheet of surge protection and earth."""
    y: float
    s = Sheet(
        "Surge and earth", "One earth, one place: at the hut. A long wire in the ground is an aerial for every storm."
    )
    s.text(LEFT_MM, 47, "in the hut", "name")
    s.text(104, 47, "outdoors", "name")
    s.path("M97 43V124M99 43V124", "thin")
    s.path("M24 54h8v28h-8Z", "thin")
    s.text(28, 51.6, "strip", anchor="middle")
    for y, kind in ((60, "data"), (68, "ground"), (76, "supply")):
        s.path(f"M28 {y}H172", kind)
        s.dot(28, y)
    s.box(52, 54, 32, 28)
    for n, name in enumerate(("surge arrester", "for 12 V and", "data")):
        s.text(68, 63 + 4.8 * n, name, anchor="middle")
    s.path("M112 55h52v26h-52Z", "screen")
    s.text(138, 52.6, "screen of the cable", anchor="middle")
    s.path("M112 81V109H86", "earth")
    s.words(152, 89, "cut back and taped: joined at the hut alone", 40)
    s.box(172, 54, 12, 28)
    for y in (61, 68, 75):
        s.path(f"M184 {y - 0.5}h9l1.5 .5l-1.5 .5h-9Z", "thing")
    s.dot(178, 68, 1.4)
    s.path("M20 106h66v6h-66Z", "ink")
    s.text(53, 110.4, "earth bar of the hut", "reversed", anchor="middle")
    s.path("M68 82V106", "earth")
    s.text(70.5, 95, "short, straight", "name")
    s.path("M42 68V106", "earth")
    s.dot(42, 68)
    s.path("M34 112V116", "heavy")
    s.earth(34, 114)
    s.text(42, 121, "the building's own earth", "name")
    y = s.listed(
        134,
        "What the standard asks",
        (
            "The 0 V wire is joined to the earth of the hut, where the agent is, and nowhere else.",
            "A probe's ground is not joined to an earth of its own. Where one must be, as on a metal mast, a "
            "heavy wire "
            "(12 AWG, 3.3 mm², or more) joins that earth to the hut's.",
            "Protection against surges is not required, and recommended.",
        ),
    )
    y = s.listed(
        y + 4,
        "What helps",
        (
            "An arrester where the cable enters, one for each wire but 0 V, of a working voltage just above its "
            "own: 6 V for "
            "data, 18 V for supply. Its earth wire is short and straight; a coil undoes it.",
            "A second one at the far end of a run longer than about 30 m or up a mast.",
            "An adapter with isolation: what comes through the cable ends there, and not in the computer.",
            "Cable away from fences, floodlight masts, pipes and mains: a metre beside, square across.",
            "A node on a battery far from any building has one earth rod of its own, and that is the one earth.",
            "A plug in the line at the hut. Pulled before the storm, it is worth more than all the rest.",
        ),
    )
    y = s.words(LEFT_MM, y + 3, "Nothing of this withstands a strike. Nobody at the mast, the cable or the hut's "
    "earth while it thunders, "
                "nor for half an hour after.", 180, "bold")  # fmt: skip
    s.do_not(y + 3, "drive a second earth and leave it alone: two earths at two voltages send the strike "
    "through your cable. The "
             "earth itself is a licensed electrician's work, under the code of your country.")  # fmt: skip
    s.foot(f"{STANDARD} 30 m, voltages of the arresters and the half hour: common practice. {PRACTICE}")
    return s


def cable_run() -> Sheet:
    """Return the sheet of a cable's way and cover, with the tables to fill in by hand."""
    s = Sheet(
        "The cable and its cover",
        "Before any hole, tine or push: this sheet, then the locator, then the first hole by hand.",
    )
    top, per_mm = 62.0, 0.22

    def depth(mm: float) -> float:
        return round(top + mm * per_mm, 2)

    s.path(f"M28 {top}H180V{depth(320)}H28Z", "soil")
    s.path(f"M28 {top}H180V{depth(14)}H28Z", "thatch")
    s.path(f"M28 {top}H180V{depth(14)}H28Z", "hatched")
    s.leaf(28, top, 152)
    s.path(f"M15 42H22V{depth(60)}H15Z", "thing")
    s.text(24, 46, "hut", "name")
    s.path(
        f"M22 50C25.5 50 24.5 58.5 27.5 58.5S30 52.5 31 57V{depth(235)}Q31 {depth(250)} 35 {depth(250)}H146", "cable"
    )
    s.path(
        f"M33.4 {depth(20)}V{depth(232)}H146M28.6 {depth(20)}V{depth(250)}Q28.6 {depth(268)} 33 {depth(268)}H146",
        "thin",
    )
    s.text(34, 52, "drip loop", "name")
    s.text(90, depth(292), "duct, 200 to 300 mm down", anchor="middle")
    s.path(f"M36 {depth(150)}" + "l3 1l3 -1" * 14, "wanted")
    s.text(123.5, depth(150) + 1.2, "marker tape")
    for x in range(62, 122, 5):
        s.path(f"M{x} {top}V{depth(100)}", "tine")
    s.path(f"M58 {depth(125)}H122", "wanted")
    s.text(123.5, depth(100) + 0.6, "deepest tine")
    s.text(123.5, depth(125) + 1, "and 25 mm to spare")
    for mm, x in ((8, 156), (60, 161)):
        s.path(f"M146 {depth(250)}H{x}V{depth(150)}", "cable")
        s.path(f"M{x} {depth(150)}V{depth(mm)}H167", "cable shallow")
    for mm in (8, 60):
        s.path(f"M167 {depth(mm) - 1.2:.4g}h4v2.4h-4ZM171 {depth(mm) - 0.5:.4g}h6l1 .5l-1 .5h-6Z", "thing")
        s.dot(169, depth(mm))
    s.path(f"M184 {top}V{depth(300)}", "edge")
    for mm in range(0, 301, 50):
        s.path(f"M184 {depth(mm)}h{2.4 if mm % 100 == 0 else 1.4}", "edge")
        if mm % 100 == 0:
            s.text(187.5, depth(mm) + 1.1, f"{mm}", "figure")
    s.text(195, top - 3, "mm", "figure", anchor="end")
    y = s.words(LEFT_MM, 138, "Solid: 150 mm of cover or more. Broken: less; it is drawn or lifted before a pass. "
    "Down from the probe "
                "first, then out. Depth is to scale, length is not.", 180, "quiet", size=3.1)  # fmt: skip
    y = _to_fill(s, y + 4, (15, 47, 71, 95, 115, 137, 166),
                 ("cable", "from", "to", "metres", "least cover, mm", "no pass deeper than", "laid on, "
                 "by"), 4)  # fmt: skip
    y = s.words(LEFT_MM, y - 0.5, "No pass deeper than: the least cover less 25 mm.", 180, "quiet", size=3.1)
    y = _to_fill(
        s,
        y + 4,
        (15, 71, 102, 133, 160),
        ("station", "metres from peg A", "metres from peg B", "cover, mm", "lift before"),
        4,
    )
    y = s.words(
        LEFT_MM, y - 0.5, "Peg A is ______________________________   Peg B is ______________________________", 180
    )
    s.listed(
        y + 4,
        "Laying it",
        (
            "Plans of gas, power, water, drains and irrigation; a locator over the whole way; hand tools near "
            "all of them.",
            "50 mm at least below the deepest tine you will ever use; never across a pitch; a draw cord left in "
            "the duct.",
            "Photograph it open, with the tape lying. The contractor signs this sheet before a machine comes.",
        ),
    )  # fmt: skip
    s.foot(
        "Depths and cover: common practice, no source. Services: UK HSE guidance on buried services, from "
        "memory; local rules come first."
    )
    return s


def _to_fill(s: Sheet, y: float, starts: Sequence[float], heads: Sequence[str], rows: int) -> float:
    """Rule a table for a pen; return where the next line would stand."""
    for x, head in zip(starts, heads, strict=True):
        s.text(x, y, head, "quiet")
    for n in range(rows + 1):
        s.path(f"M{starts[0]:g} {y + 1.6 + 7 * n:.4g}H{RIGHT_MM}", "rule")
    for x in starts[1:]:
        s.path(f"M{x - 1.5:g} {y + 1.6:.4g}v{7 * rows}", "rule")
    return y + 7 * rows + 6


def setting_a_probe() -> Sheet:
    """Return the sheet of a probe set beside a strip: where on the ground, and how in the pit."""
    y: float
    s = Sheet(
        "Setting a probe beside a strip",
        "Typical ground, beside what is played on; sideways into soil that nobody has dug.",
    )
    s.path("M20 46H110V84H20Z", "soil")
    s.path("M20 46H110V84H20Z", "edge")
    for n in range(10):
        s.path(f"M{20 + 9 * n} 46V84", "thin")
        s.text(24.5 + 9 * n, 55, f"{n + 1}", "figure", anchor="middle")
    s.path("M15 42H119V88H15Z", "rule")
    for x, name in ((20, "A"), (110, "B")):
        s.path(f"M{x - 1.5} 82.5h3v3h-3Z", "ink")
        s.text(x, 92, name, "bold", anchor="middle")
    s.path("M20 84L114.5 68M110 84L114.5 68", "wanted")
    s.dot(114.5, 68, 1.5)
    s.text(65, 95.5, "two tapes from two pegs find it again", "name", anchor="middle")
    s.words(126, 47, "On the skirt, or in the outer strip; never in the ground under a pitch. Keep off creases, "
    "run-ups, the ends "
            "of rinks, lines, drains, tree roots, the edge of a sprinkler's throw, and wherever players dive or "
            "slide. One station for each "
            "soil and use.", 69)  # fmt: skip
    top, k = 110.0, 0.44

    def depth(mm: float) -> float:
        return round(top + mm * k, 2)

    wall, floor = 78.0, depth(232)
    s.path(f"M20 {top}H{wall}V{floor}H20Z", "paper")
    s.path(f"M{wall} {top}H128V{floor}H{wall}Z", "soil")
    s.path(f"M{wall} {top}H128V{depth(18)}H{wall}Z", "thatch")
    s.path(f"M{wall} {top}H128V{depth(18)}H{wall}Z", "hatched")
    s.leaf(wall, top, 50)
    s.path(f"M{wall} {top}V{floor}H20", "edge")
    s.text(49, depth(12), "the pit, downhill", "name", anchor="middle")
    s.text(103, depth(222), "undisturbed", "name", anchor="middle")
    depths = ((9, "5 to 12"), (35, "30 to 40"), (68, "60 to 75"), (110, "100 to 120"), (175, "150 to 200"))
    for n, (mm, _) in enumerate(depths):
        y = depth(mm)
        s.path(f"M{wall - 6} {y - 1.5:.4g}h6v3h-6ZM{wall} {y - 0.5:.4g}h22l1.4 .5l-1.4 .5h-22Z", "thing")
        s.dot(wall - 3, y)
        across, bottom = 69 - 4 * n, depth(225) - 1.6 * (4 - n)
        if mm < 150:
            s.path(f"M{wall - 6} {y}H{across}V{depth(150)}", "cable shallow")
        way = f"M{across} {depth(150)}" if mm < 150 else f"M{wall - 6} {y}H{across}"
        s.path(f"{way}V{bottom:.4g}H20", "cable")
    s.text(20, depth(225) + 7, "down first, then out", "name")
    s.path(f"M138 {top}H190V{depth(225)}H138Z", "soil")
    s.path(f"M138 {top}H190V{depth(18)}H138Z", "thatch")
    s.path(f"M138 {top}H190V{depth(18)}H138Z", "hatched")
    s.leaf(138, top, 52)
    for (mm, told), x in zip(depths, (164, 150, 176, 156, 170), strict=True):
        y = depth(mm)
        s.path(f"M{x - 0.6} {y - 2.6:.4g}h1.2v5.2h-1.2Z", "thing")
        s.dot(x, y)
        if mm < 18:
            s.path(f"M{x + 2.4} {y - 2.4:.4g}h13v4.8h-13Z", "paper")
        s.text(x + 3 if x < 170 else x - 3, y + 1.2, told, "figure", anchor="start" if x < 170 else "end")
    s.text(164, top - 6, "the wall, as you face it", "name", anchor="middle")
    for mm in range(0, 221, 50):
        s.path(f"M138 {depth(mm)}h-2.4", "edge")
        s.text(134.5, depth(mm) + 1.1, f"{mm}", "figure", anchor="end")
    s.path(f"M138 {top}V{depth(220)}", "edge")
    s.listed(
        depth(232) + 15,
        "Steps",
        (
            "Cut a flap, keep it damp. Dig on the downhill side; leave a smooth, upright wall.",
            "Push, never wiggle: blades on edge so that no water stands on them, none straight above another, "
            "no stones.",
            "Depth in mm from the leaf base to the middle of each; write it down, photograph the wall with a "
            "ruler in it.",
            "Fill in layers, damp, as firm as before; relay the flap, water it. Read each probe before you "
            "close the lid.",
            "Leave the first 2 to 4 weeks of readings out of judgement; on clay a winter.",
        ),
    )
    s.foot("Depths in mm. All of it common practice, no source; sideways into an undisturbed wall also as in "
    "JoVE 2022 (in situ soil "
           "moisture sensors in undisturbed soils). A pit is a hole: sheet 6 comes first.")  # fmt: skip
    return s


CONES_MM = {"hard": (12.83, 9.53), "soft": (20.27, 15.88)}  # base and shaft, ASAE S313.3 as in USDA 0524-2837-MTDC
WORN = 0.97  # of the base diameter, the same source


def dock() -> Sheet:
    """Return the sheet of the penetrometer's dock, with its cones at true size."""
    y: float
    s = Sheet("The penetrometer's dock", "A stroke leaves the device when the agent has it on disk, and not before.")
    s.path("M15 42V128M17 42V128", "thin")
    s.path("M30 48h22v3h-22Z", "thing")
    s.box(33, 51, 16, 20)
    s.path("M39.6 71h2.8v30h-2.8Z", "thing")
    s.path("M38.6 101h4.8l-2.4 9Z", "thing")
    s.box(17, 104, 40, 24, "dock")
    s.path("M37.5 104l3.5 4l3.5 -4", "thin")
    s.text(53, 60, "penetrometer,", "")
    s.text(53, 64.8, "standing", "")
    s.box(118, 102, 30, 26, "serial", "adapter")
    s.box(168, 105, 27, 20, "small", "computer")
    s.path("M148 115H168", "data")
    s.text(158, 113.4, "USB", "figure", anchor="middle")
    for y, name, kind in ((106, "device sends", "data"), (115, "device receives", "data"), (124, "0 V", "ground")):
        s.path(f"M57 {y}H118", kind)
        s.text(90, y - 1.6, name, "figure", anchor="middle")
    s.arrow(104, 106, 108, 106)
    s.arrow(108, 115, 104, 115)
    s.text(90, 132, "9600 baud, 8N1; 5 m of cable at most", "", anchor="middle")
    y = s.listed(
        142,
        "How it is used",
        (
            "Its sending wire goes to the adapter's receiving one, and the other way round. Its own sheet says "
            "which voltage: "
            "3.3 V, 5 V or RS-232; the adapter must be of the same.",
            'In agent.toml a line with `protocol = "cone"` and a probe on it. The agent asks once a minute; the '
            "dock may stay empty.",
            "Push at 30 mm/s: 100 mm in a little over three seconds, upright, without a jerk. Ten strokes over "
            "the place.",
            "Write down where. Wetness at the time is taken from the station: hardness without it says little.",
        ),
    )
    base = y + 50
    s.text(LEFT_MM, y + 4, "The cone at true size: lay yours on it", "part")
    for x, (kind, (wide, shaft)) in zip((50, 105), CONES_MM.items(), strict=True):
        high = wide / 2 / math.tan(math.radians(15))
        s.path(f"M{x - wide / 2:.4g} {base - high:.4g}h{wide:g}l{-wide / 2:.4g} {high:.4g}Z", "thing")
        s.path(f"M{x - shaft / 2:.4g} {base - high - 3:.4g}v3M{x + shaft / 2:.4g} {base - high - 3:.4g}v3", "edge")
        s.text(x + wide / 2 + 3, base - high + 3, f"{kind} ground", "bold")
        s.text(x + wide / 2 + 3, base - high + 8, f"base {wide:g} mm")
        s.text(x + wide / 2 + 3, base - high + 12.6, f"worn at {wide * WORN:.2f}")
    s.text(150, base - 10, "both of 30 degrees", "bold")
    s.path(f"M150 {base - 4:g}h40M150 {base - 5.5:g}v3M190 {base - 5.5:g}v3", "edge")
    s.text(170, base + 1, "40 mm, if printed", "quiet", anchor="middle")
    s.text(170, base + 5, "at full size", "quiet", anchor="middle")
    s.do_not(base + 14, "push before the locator has been over the place: a push is a hole. Feet clear of the "
    "tip, both hands on the "
             "handle, a sleeve on the tip when it is carried.")  # fmt: skip
    s.foot(
        "Cone, speed and wear of 3 %: ASAE S313.3, as given by USDA Forest Service 0524-2837-MTDC (2005). The "
        "rest is common practice."
    )
    return s


SHEETS: dict[str, Callable[[], Sheet]] = {
    "one-probe": one_probe,
    "three-probes": three_probes,
    "adapters": adapters,
    "battery-and-panel": battery_and_panel,
    "surge-and-earth": surge_and_earth,
    "cable-run": cable_run,
    "setting-a-probe": setting_a_probe,
    "dock": dock,
}


def drawn() -> dict[str, str]:
    """Return the text of every sheet, by the name of its file."""
    return {f"{name}.svg": make().svg(n, len(SHEETS)) for n, (name, make) in enumerate(SHEETS.items(), 1)}


def main() -> None:
    """Write the sheets beside this file."""
    for name, text in drawn().items():
        (Path(__file__).parent / name).write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
