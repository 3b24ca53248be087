"""Facts in plain words: dates, ages, amounts, the lines of a station, its text summary, and entries of the diary.

Pure, and the only place where a unit or a time zone is chosen for a reader. Numbers are rounded to what the probes can
know: whole millimetres above ten, one decimal below, wetness in words with its figure beside it.
"""

from __future__ import annotations

import datetime
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from api.state import ChannelNow, FigureNow, LayerNow, StationNow, WettingNow
from pipeline.advice.phrases import NEAR_DAYS, listed, sentence, the_probes, time_doubt
from pipeline.advice.phrases import lift_first as lift_called_first
from pipeline.advice.phrases import moment as moment
from pipeline.advice.treatments import treatments
from pipeline.alerts.runner import OpenAlert
from pipeline.diary.entry import KINDS, DiaryEntry
from pipeline.diary.facts import Buried
from pipeline.site.ground import Station, Surface
from pipeline.site.settings import SiteConfig
from pipeline.texts import day_words, in_a_row, later_as, say, say_many, short_weekday
from pipeline.units import DAY_MS, Flag

LAYER_WORDS = {"thatch": "Thatch", "top_layer": "Top layer", "root_zone": "Root zone"}
FLAG_WORDS = {
    Flag.GOOD: "good",
    Flag.NOT_EVALUATED: "not tested",
    Flag.SUSPECT: "doubtful",
    Flag.FAIL: "not to be believed",
    Flag.MISSING: "no answer",
}
# Words for relative wetness, by upper edge: 0 is the dry limit of the layer, 1 is drained after a soaking.
_WETNESS_WORDS = (
    (0.02, later_as("how wet", "dry")), (0.13, later_as("how wet", "nearly dry")),
    (0.38, later_as("how wet", "a quarter full")), (0.63, later_as("how wet", "half full")),
    (0.88, later_as("how wet", "three quarters full")), (1.05, later_as("how wet", "drained")),
)  # fmt: skip
_WETTEST = later_as("how wet", "wetter than drained")
SURE_WITHIN = 0.10  # limits that leave less room than this are not spoken of


def local(at_ms: int, zone: ZoneInfo) -> datetime.datetime:
    """A time [ms since 1970, UTC] on the clock of a zone."""
    return datetime.datetime.fromtimestamp(at_ms / 1000, zone)


def date_and_clock(at_ms: int, timezone: str) -> str:
    """A moment for the head of a page: `Thu 10 Jul, 06:24`."""
    at = local(at_ms, ZoneInfo(timezone))
    # Translators: the moment in the head of a page, as in "Thu 10 Jul, 06:24"
    return say("{weekday} {date}, {clock}", weekday=short_weekday(at), date=day_words(at), clock=f"{at:%H:%M}")


def way(wetness: float | None) -> str:
    """How far on the way from dry to drained, without decimals: `31 %`."""
    return say("cannot tell") if wetness is None else per_cent(wetness)


def per_cent(share: float) -> str:
    """A share without decimals: `31 %`."""
    return say("{share} %", share=f"{round(share * 100) + 0:.0f}")


def soon(at_ms: int, timezone: str, now_ms: int, *, clock: bool = True) -> str:
    """A time as it is said in passing: `06:15`, `yesterday 21:40`, within six days `Tue 14:10`, else `2 Jul`.

    Without `clock`, the day alone.
    """
    zone = ZoneInfo(timezone)
    at, now = (datetime.datetime.fromtimestamp(each / 1000, zone) for each in (at_ms, now_ms))
    days = (now.date() - at.date()).days
    time = f"{at:%H:%M}"
    if days == 0:
        return time if clock else say("today")
    if abs(days) > NEAR_DAYS:
        return day_words(at, year=at.year != now.year)
    day = say("yesterday") if days == 1 else say("tomorrow") if days == -1 else short_weekday(at)
    # Translators: a moment of these days, as in "Tue 14:10" or "yesterday 21:40"
    return say("{day} {clock}", day=day, clock=time) if clock else day


def named(names: Sequence[str], most: int = 2) -> str:
    """Names as in a sentence, of many only the first: `a and b`, `a, b and 3 more`."""
    if len(names) <= most + 1:
        return listed(names)
    return say("{names} and {n} more", names=in_a_row(names[:most]), n=len(names) - most)


def clock(at_ms: int, timezone: str) -> str:
    """The time of day: `06:15`."""
    return f"{datetime.datetime.fromtimestamp(at_ms / 1000, ZoneInfo(timezone)):%H:%M}"


def listed_once(reasons: Sequence[str]) -> str:
    """Reasons without those said already, as in a sentence."""
    return listed(list(dict.fromkeys(reason for reason in reasons if reason)))


def tied(text: str) -> str:
    """The text with each number tied to its unit by a no-break space, so that a narrow page does not part them."""
    return re.sub(r"(?<=\d) (?=%|mm\b|m³|°C)", "\N{NO-BREAK SPACE}", re.sub(r"(?<=\d )m3\b", "m³", text))


def age(since_ms: int) -> str:
    """How long ago, in the largest unit that says it: `12 minutes`, `3 hours`, `2 days`."""
    minutes = max(0, round(since_ms / 60_000))
    if minutes < 1:
        return say("less than a minute")
    if minutes < 60:
        return say_many("{n} minute", "{n} minutes", minutes)
    if minutes < 2880:  # up to two days hours say more than days
        return say_many("{n} hour", "{n} hours", minutes // 60)
    return say_many("{n} day", "{n} days", minutes // 1440)


def millimetres(value: float | None) -> str:
    """An amount of water or rain: `12 mm`, `3.4 mm`, `not known`."""
    if value is None or value != value:
        return say("not known")
    return say("{water:.0f} mm", water=value) if abs(value) >= 10 else say("{water:.1f} mm", water=value)


def wetness(value: float) -> str:
    """Relative wetness in words."""
    word = next((word for edge, word in _WETNESS_WORDS if value < edge), _WETTEST)
    return say(word)


def place(surface: Surface, station: Station) -> str:
    """A station by its full name: `Outfield, long side`, without saying the surface twice."""
    return surface.place(station)


def heard_line(state: StationNow, timezone: str) -> str:
    """When the station was last heard, how long ago that is, and whether it has missed slots since."""
    if state.heard_ms is None:
        come = "come in by a record" if state.by_file else "been heard"
        return f"Nothing has {come} from this station yet."
    when = moment(state.heard_ms, timezone, now_ms=state.now_ms)
    if state.by_hand:
        then = "" if state.now_ms - state.heard_ms < DAY_MS else " What follows is how it was read then."
        return f"By hand, last read on {when}, {age(state.now_ms - state.heard_ms)} ago.{then}"
    if state.by_file:
        then = " What follows is how it was then. Import what was read since." if state.is_old else ""
        return f"By record, up to {when}, {age(state.now_ms - state.heard_ms)} ago.{then}"
    line = f"Last heard {when}, {age(state.now_ms - state.heard_ms)} ago."
    if state.is_silent:
        line = f"S{silent_since(state.heard_ms, state.now_ms, timezone)[1:]}."
    if state.is_old:
        line += " What follows is how it was then."
    return " ".join((line, *time_lines(state, timezone)))


def time_lines(state: StationNow, timezone: str) -> list[str]:
    """Since when nobody has confirmed the time of the station's readings, and what that means; none where it is."""
    since_ms = state.unconfirmed_since_ms
    if since_ms is None:
        return []
    return [sentence(time_doubt(since_ms, timezone, now_ms=state.now_ms))]


def probes_called(surface: Surface, names: Sequence[str]) -> str:
    """Probes by their place, never by their names in the settings: `the long-side probe and the nets thatch probe`.

    Parameters
    ----------
    surface : Surface
    names : sequence of str
        As `Buried` has them: a name, or station/name where two stations share one.
    """
    return the_probes(names, _places(surface))


def _places(surface: Surface) -> list[Buried]:
    """Every probe of a surface by its name, and by station and name, with what it is called."""
    return [
        Buried(name, 0.0, called=surface.probe_called(station, probe))
        for station in surface.stations
        for probe in station.probes
        for name in (probe.name, f"{station.name}/{probe.name}")
    ]


def lift_first(surface: Surface, names: Sequence[str]) -> str:
    """Return what to do with the probes in the way, by their place, as a sentence; empty for none."""
    return f"{lift_called_first(names, _places(surface))}." if names else ""


def silent_since(heard_ms: int, now_ms: int, timezone: str) -> str:
    """Since when there has been no answer, and how long that is: `silent since 06:15 today, 2 hours`."""
    return f"silent since {moment(heard_ms, timezone, now_ms=now_ms)}, {age(now_ms - heard_ms)}"


def answered(channel: ChannelNow, now_ms: int, timezone: str) -> str:
    """When a channel last answered, or since when it has been silent; empty where it never did."""
    if channel.at_ms is None:
        return ""
    when = moment(channel.at_ms, timezone, now_ms=now_ms)
    return silent_since(channel.at_ms, now_ms, timezone) if channel.is_silent else when


@dataclass(frozen=True, slots=True)
class StationText:
    """All that is said of a station, once for page, text and data.

    `heard` is the age of the data, `silent` the probes that say nothing, `water` the layers, the last wetting, the rain
    and the weather, `note` what the figures leave open; empty where there is nothing to say.
    """

    heard: str
    silent: tuple[str, ...]
    water: tuple[str, ...]
    note: str

    @property
    def lines(self) -> list[str]:
        """Every line, in the order in which it is read."""
        return [line for line in (self.heard, *self.silent, *self.water, self.note) if line]


def station_text(state: StationNow, timezone: str) -> StationText:
    """Word the state of a station."""
    water = (*layer_lines(state, timezone), wetting_line(state, timezone), rain_line(state), weather_line(state))
    return StationText(
        heard=heard_line(state, timezone),
        silent=tuple(silent_lines(state, timezone)),
        water=tuple(line for line in water if line),
        note=limits_note(state),
    )


def silent_lines(state: StationNow, timezone: str) -> list[str]:
    """The probes that say nothing while others of the station do, a line each."""
    if state.heard_ms is None or state.is_old:
        return []  # then the line above has said it of all of them
    called = {one.name: state.surface.probe_called(state.station, one) for one in state.station.probes}
    return [
        f"{upper_first(called[probe.name])}: nothing heard yet."
        if probe.heard_ms is None
        else f"{upper_first(called[probe.name])}: {silent_since(probe.heard_ms, state.now_ms, timezone)}."
        for probe in state.silent
    ]


def layer_lines(state: StationNow, timezone: str) -> list[str]:
    """Every layer that something can be said of, and if none, why not."""
    if state.layers:
        return [layer_line(layer, _was(layer, state, timezone)) for layer in state.layers]
    if not any(c.installed.channel.quantity == "water_content" for c in state.channels):
        return ["Water: cannot tell. No moisture probe stands here."]
    return ["Water: cannot tell. No reading of moisture has come and been worked on yet."]


def _was(layer: LayerNow, state: StationNow, timezone: str) -> str:
    """When a layer was so, if that is too long ago to be now, or a channel it rests on has been silent since."""
    if layer.silent_since_ms is not None:
        return f", {silent_since(layer.silent_since_ms, state.now_ms, timezone)}"
    old = state.now_ms - layer.at_ms > state.silent_ms
    return f" on {moment(layer.at_ms, timezone, now_ms=state.now_ms)}" if old else ""


def layer_line(layer: LayerNow, when: str = "") -> str:
    """One layer: how much water, how wet, how sure that is, and how that compares with a week before."""
    name = LAYER_WORDS[layer.layer] + when
    if layer.wetness is None:
        return f"{name}: cannot tell. {layer.reason[:1].upper()}{layer.reason[1:]}".rstrip() + "."
    water = "" if layer.water_mm is None else f"{millimetres(layer.water_mm)} of water, "
    line = f"{name}: {water}{wetness(layer.wetness)}, {_of_drained(layer.wetness)}{_between(layer)}."
    if layer.wetness_week_ago is not None:
        change = layer.wetness - layer.wetness_week_ago
        # A change is surer than the value: the limits are the same on both days.
        trend = "Much as" if abs(change) < 0.05 else "Wetter than" if change > 0 else "Drier than"
        line += f" {trend} a week before ({_share(layer.wetness_week_ago)})."
    return line


def _share(wetness: float) -> str:
    return "below dry" if wetness < 0 else f"{wetness * 100:.0f} %"


def _of_drained(wetness: float) -> str:
    """Relative wetness as a groundsman thinks of it: 0 is the dry limit, 100 % what stays after draining."""
    return "below its dry limit" if wetness < 0 else f"{wetness * 100:.0f} % of the way from dry to drained"


def _between(layer: LayerNow) -> str:
    """How far off the figure may be, where its limits leave that much room."""
    low, high, value = layer.wetness_low, layer.wetness_high, layer.wetness
    if low is None or high is None or value is None or high - low < SURE_WITHIN:
        return ""
    if value < 0:
        return "" if high < 0 else f" (at most {_share(high)} of the way to drained)"
    return f" (somewhere between {_share(low)} and {_share(high)})"


def limits_note(state: StationNow) -> str:
    """Why the figures of the layers leave so much open, when they do."""
    if not any(_between(layer) for layer in state.layers):
        return ""
    return (
        "What counts as dry and as drained here is known only roughly, which is why so much is left open. A soaking "
        "and a drought in the record, or the station's own limits in the settings, narrow it."
    )


def rain_line(state: StationNow) -> str:
    """Rain of the last 24 hours, or why it cannot be told."""
    if not state.has_gauge:
        return "Rain: cannot tell. There is no gauge at this site."
    if state.rain_day_mm is None:
        return "Rain in the last 24 hours: cannot tell. The gauge was not heard through all of them."
    return f"Rain in the last 24 hours: {millimetres(state.rain_day_mm)}."


def weather_line(state: StationNow) -> str:
    """Temperature of the surface and the air just now; empty where no probe tells it."""
    surface, air = state.last("surface_temperature"), state.last("air_temperature")
    told = [
        f"{name} {amount(found.value, found.installed.channel.quantity)}"
        for name, found in (("surface", surface), ("air", air))
        if found is not None and found.value is not None
    ]
    if not told:
        return ""
    line = ", ".join(told)
    frost = surface is not None and surface.value is not None and surface.value <= state.frost_degc
    return line[:1].upper() + line[1:] + "." + (" Cold enough for frost: look before you go on." if frost else "")


def wetting_line(state: StationNow, timezone: str) -> str:
    """The last wetting and where its water went, by its stored account, with what is unaccounted for.

    What reached the soil comes first. A figure that is withheld is said to be, with its stored reason.
    """
    account = state.wetting
    if account is not None:
        return f"Last wetting: {wetting_account(account, moment(account.end_ms, timezone, now_ms=state.now_ms))}"
    if state.is_in_work:
        return "Last wetting: cannot tell yet. Readings are still being worked on."
    if not state.has_gauge:
        return "Last wetting: cannot tell. There is no gauge at this site."
    if state.by_hand:
        return "Last wetting: cannot tell. Only a probe can follow water into the ground."
    return "Last wetting: the gauge has told of none of 1 mm or more in 60 days."


# Lines of the account: a gain in words, a loss, and what it is called where it is withheld.
_GAINS = (
    ("thatch_kept", "leaf and thatch kept {}", "leaf and thatch gave up {}", "what leaf and thatch kept"),
    ("root_gain", "{} reached the roots", "the root zone gave up {}", "what reached the roots"),
    ("below_gain", "{} went deeper", "the soil below gave up {}", "what went deeper"),
    ("evaporation", "{} evaporated", "{} came as dew", "what evaporated"),
)
_WITHHELD = {
    "given": "how much was given",
    "arrival_share": "how much of it reached the soil",
    **{name: called for name, _, _, called in _GAINS},
    "unaccounted": "what is unaccounted for",
}


def wetting_account(account: WettingNow, ended: str) -> str:
    """The account in sentences: the share that reached the soil, when and how much, each line, what is withheld."""
    figures = {name: figure for name in _WITHHELD if (figure := getattr(account, name)) is not None}
    withheld: dict[str, list[str]] = {}
    for name, figure in figures.items():
        if figure.value is None:
            withheld.setdefault(figure.reason, []).append(name)
    untold = {name: _cannot(names, reason) for reason, names in withheld.items() for name in names}
    share, missing, said = account.arrival_share, account.unaccounted, set[str]()
    first = "where it went cannot be told, for want of readings from the soil"
    if share is not None:
        first = untold.get("arrival_share") or _reached(share, said)
    given = account.given.value
    when = f"it ended {ended}" if given is None else f"it was {millimetres(given)} of water, and ended {ended}"
    lines = [
        _gain(figures[name], gained, lost, said)
        for name, gained, lost, _ in _GAINS
        if name in figures and figures[name].value is not None
    ]
    if missing is not None and missing.value is not None:
        lines.append(_unaccounted(missing, said))
    sentences = [first, when, listed(lines), *untold.values()]
    return " ".join(f"{upper_first(one)}." for one in dict.fromkeys(sentences) if one)


def _cannot(names: Sequence[str], reason: str) -> str:
    return f"{listed([_WITHHELD[name] for name in names])} cannot be told: {reason}"


def _reached(share: FigureNow, said: set[str]) -> str:
    """The share of a wetting that reached the soil, and between which shares it lies."""
    assert share.value is not None and share.low is not None and share.high is not None
    low, high = (f"{bound * 100:.0f} %" for bound in (share.low, share.high))
    between = f"at most {high}" if round(share.low * 100) <= 0 else f"somewhere between {low} and {high}"
    part = f"{share.value * 100:.0f} %" if round(share.value * 100) > 0 else "none"
    return f"{part} of it reached the soil{_aside(between, *_unsaid(share.reason, said))}"


def _gain(figure: FigureNow, gained: str, lost: str, said: set[str]) -> str:
    assert figure.value is not None
    line = lost if _some(figure.value) < 0 else gained
    return line.format(_amount(figure.value)) + _aside(*_unsaid(figure.reason, said))


def _unaccounted(figure: FigureNow, said: set[str]) -> str:
    """What the lines of an account do not explain, and how far off that may be."""
    assert figure.value is not None and figure.low is not None and figure.high is not None
    over = _some(figure.value) < 0
    amount = f"{_amount(figure.value)} {'more turned up than was given' if over else 'is unaccounted for'}"
    if _some(figure.low) < 0 < _some(figure.high):
        ends = (f"{_amount(figure.low)} too much", f"{_amount(figure.high)} missing")
    else:
        ends = (_amount(min(figure.low, figure.high, key=abs)), _amount(max(figure.low, figure.high, key=abs)))
    between = f"somewhere between {ends[0]} and {ends[1]}"
    return amount + _aside(between, *_unsaid(figure.reason, said))


def _some(value: float) -> float:
    """An amount as far as it can be read: 0 where it would be written as none. [mm]"""
    return round(value, 1)


def _amount(value: float) -> str:
    return millimetres(abs(value)) if _some(value) else "nothing"


def _aside(*words: str) -> str:
    return f" ({'; '.join(words)})" if words else ""


def _unsaid(reason: str, said: set[str]) -> list[str]:
    """The parts of a reason that no figure before had; they are noted as said."""
    news = [part for part in reason.split("; ") if part and part not in said]
    said.update(news)
    return news


def upper_first(text: str) -> str:
    """The text as a sentence begins."""
    return text[:1].upper() + text[1:]


_QUANTITY_WORDS = {
    "water_content": "Water content",
    "soil_temperature": "Temperature",
    "bulk_ec": "Salt (bulk conductivity)",
    "rain": "Rain in the last interval",
    "air_temperature": "Air temperature",
    "relative_humidity": "Air humidity",
    "wind_speed": "Wind",
    "solar_radiation": "Sun",
    "surface_temperature": "Surface temperature",
    "cone_depth": "Penetrometer depth",
    "cone_resistance": "Penetrometer resistance",
    "supply_voltage": "Supply voltage",
}
_DISPLAY = {  # unit for the eye, decimals
    "water_content": ("m³/m³", 3),
    "soil_temperature": ("°C", 1),
    "bulk_ec": ("dS/m", 2),
    "rain": ("mm", 1),
    "air_temperature": ("°C", 1),
    "relative_humidity": ("%", 0),
    "wind_speed": ("m/s", 1),
    "solar_radiation": ("W/m²", 0),
    "surface_temperature": ("°C", 1),
    "cone_depth": ("m", 3),
    "cone_resistance": ("kPa", 0),
    "supply_voltage": ("V", 2),
}


def quantity(name: str) -> str:
    """A quantity in words for a reader."""
    return _QUANTITY_WORDS.get(name, name.replace("_", " ").capitalize())


def amount(value: float, name: str) -> str:
    """A value of a quantity with its unit, rounded to what a probe can know."""
    unit, decimals = _DISPLAY.get(name, ("", 3))
    return f"{value:.{decimals}f} {unit}".rstrip()


# --- all of it as text -----------------------------------------------------------------------------------------------


def summary(config: SiteConfig, states: Sequence[StationNow], alerts: Sequence[OpenAlert]) -> str:
    """Water by layer, the last wetting, open alerts and the age of the data, station by station."""
    zone = config.site.timezone
    lines = [config.site.title, "=" * len(config.site.title)]
    if states:
        lines.append(f"{moment(states[0].now_ms, zone)} ({zone})")
    for state in states:
        title = place(state.surface, state.station)
        lines += ["", title, "-" * len(title), *station_text(state, zone).lines]
        lines += _by_depth(state, zone)
    lines += ["", "Open alerts"]
    lines += [f"- {alert.text} Since {moment(alert.since_ms, zone)}." for alert in alerts] or ["- None."]
    return "\n".join(lines) + "\n"


def _by_depth(state: StationNow, zone: str) -> list[str]:
    rows = [
        f"  {channel.depth_m * 1000:5.0f} mm  {_value(channel.value)} m3/m3  "
        f"{FLAG_WORDS[channel.flag]}{_silence(channel, state.now_ms, zone)}"
        for channel in state.channels
        if channel.installed.channel.quantity == "water_content" and channel.depth_m is not None
    ]
    return ["Water by depth below the leaf base:", *rows] if rows else []


def _silence(channel: ChannelNow, now_ms: int, zone: str) -> str:
    return f", {answered(channel, now_ms, zone)}" if channel.is_silent and channel.at_ms is not None else ""


def _value(value: float | None) -> str:
    return "  -  " if value is None else f"{value:.3f}"


# --- entries of the diary --------------------------------------------------------------------------------------------

_UNITS = {"mm": "mm", "percent": "%", "kg_m2": "kg/m²", "kpa": "kPa", "mm2": "mm²"}
_LEFT_OUT = (
    "pass", "variant", "state", "alert", "entry", "mark", "what", "value", "channel", "probe", "text", "x_m", "y_m",
    "path_m",
)  # fmt: skip
# The scales of `pipeline.advice.conditions`.
_SIGHT_WORDS = {
    "firmness": ("no mark", "a faint mark", "marks", "water at the boot", "the turf rolls underfoot"),
    "tug": ("it holds", "it lifts"),
    "disease": ("none", "old scars", "active"),
    "wilt": ("none", "seen"),
}
# The field a kind is about: its name goes without saying.
_MAIN = {
    "watering": "water_mm", "rain": "rain_mm", "dressing": "dressing_mm", "cut": "height_mm", "depth": "depth_mm",
    "moisture": "moisture_percent", "cost": "amount",
}  # fmt: skip


def entry_line(config: SiteConfig, entry: DiaryEntry, now_ms: int) -> str:
    """One entry in a line."""
    zone = config.site.timezone
    where = place_of(config, entry)
    said = _said(entry)
    what = _probe_moved(config, entry) if entry.kind in ("lift", "return") else _what(entry)
    until = "" if entry.end_ms is None else f", until {moment(entry.end_ms, zone, now_ms=now_ms)}"
    author = f" ({entry.author})" if entry.author else ""
    when = moment(entry.at_ms, zone, now_ms=now_ms)
    return f"{when[:1].upper()}{when[1:]}, {where}: {what}{said}{until}{author}."


def place_of(config: SiteConfig, entry: DiaryEntry) -> str:
    """Where an entry belongs, by the titles of the settings; by its names where they are no longer there."""
    surface = next((s for s in config.surfaces if s.name == entry.surface), None)
    if surface is None:
        return entry.surface
    station = next((s for s in surface.stations if s.name == entry.station), None)
    return surface.title if station is None else place(surface, station)


def mark_line(entry: DiaryEntry, zone: str, now_ms: int) -> str:
    """What somebody made of an alert."""
    when = moment(entry.at_ms, zone, now_ms=now_ms)
    by = f" by {entry.author}" if entry.author else ""
    why = f": {entry.body['why']}" if entry.body.get("why") else ""
    if entry.body.get("mark") == "snoozed" and entry.end_ms is not None:
        return f"Snoozed until {moment(entry.end_ms, zone, now_ms=now_ms)}{by}."
    return {"seen": f"Seen {when}{by}.", "wrong": f"Called wrong {when}{by}{why}."}.get(str(entry.body.get("mark")), "")


def _what(entry: DiaryEntry) -> str:
    body = entry.body
    if entry.kind == "pass":
        return f"{pass_title(body)}, {body.get('state', 'done')}"
    if entry.kind == "healed":
        return f"{pass_title(body)} has healed" if "pass" in body else KINDS["healed"].kind_title
    if entry.kind == "override":
        return f"{pass_title(body)} against advice"
    if entry.kind == "mark":
        return {"seen": "an alert seen", "snoozed": "an alert snoozed"}.get(
            str(body.get("mark")), "an alert called wrong"
        )
    if entry.kind == "place":
        probe = f"the {body['probe']} probe" if "probe" in body else "the station"
        return f"place of {probe} on the plan"
    if entry.kind == "buried":
        return f"a buried {body.get('what')} on the plan"
    if entry.kind == "sight":
        return f"{body.get('what')}: {_seen(body)}"
    if entry.kind == "note":
        return str(body.get("text", "a note"))
    if entry.kind == "cost":
        return f"cost of {body.get('what')}"
    if entry.kind == "closed":
        return "closed to play"
    return {"depth": f"depth of {body.get('channel')} measured anew"}.get(entry.kind, KINDS[entry.kind].kind_title)


def _probe_moved(config: SiteConfig, entry: DiaryEntry) -> str:
    """That a probe was lifted or put back, by its place."""
    surface = next((s for s in config.surfaces if s.name == entry.surface), None)
    name = str(entry.body.get("probe"))
    called = f"the {name} probe" if surface is None else the_probes([f"{entry.station}/{name}"], _places(surface))
    return f"{called} lifted" if entry.kind == "lift" else f"{called} put back"


def pass_title(body: Mapping[str, object]) -> str:
    """The pass of an entry, as it is done: `scarifying`."""
    facts = treatments().facts.get(str(body.get("pass")))
    return str(body.get("pass")) if facts is None else facts.doing


def _seen(body: Mapping[str, object]) -> str:
    told, value = _SIGHT_WORDS.get(str(body.get("what")), ()), body.get("value")
    whole = isinstance(value, int | float) and value == int(value) and 0 <= value < len(told)
    return told[int(float(str(value)))] if whole else str(value)


def _pushed(body: Mapping[str, object]) -> str:
    """The hardest of a push and its depth, and how deep it went."""
    depths, kpa = body.get("depth_mm"), body.get("resistance_kpa")
    if not isinstance(depths, list) or not isinstance(kpa, list):
        return "no figures"
    most = max(range(len(kpa)), key=lambda i: kpa[i])
    deep = "" if len(depths) == 1 else f", the most of {len(depths)} down to {depths[-1]:g} mm"
    return f"{kpa[most]:g} kPa at {depths[most]:g} mm{deep}"


def _said(entry: DiaryEntry) -> str:
    """The fields of the body, each with its unit."""
    if entry.kind == "push":
        return f": {_pushed(entry.body)}"
    parts = []
    for key, value in entry.body.items():
        if key in _LEFT_OUT:
            continue
        ending = next((e for e in _UNITS if key.endswith(f"_{e}")), "")
        name = "" if key == _MAIN.get(entry.kind) else key.removesuffix(f"_{ending}").replace("_", " ")
        if isinstance(value, bool):
            parts += ["around the probes" if key == "around" else name] if value else []
        elif isinstance(value, int | float):
            parts.append(" ".join(part for part in (name, f"{value:g}", _UNITS.get(ending, "")) if part))
        else:
            parts.append(str(value) if key in ("reason", "why", "title", "seed", "meter") else f"{name} {value}")
    return ": " + ", ".join(parts) if parts else ""
