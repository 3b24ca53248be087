"""Facts in plain words: dates, ages, amounts, the lines of a station, its text summary, and entries of the diary.

Pure, and the only place where a unit or a time zone is chosen for a reader. Numbers are rounded to what the probes can
know: whole millimetres above ten, one decimal below, wetness in words with its figure beside it.
"""

from __future__ import annotations

import datetime
import re
from collections.abc import Callable, Mapping, Sequence
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
from pipeline.texts import day_words, figure, in_a_row, later, later_as, say, say_as, say_many, short_weekday
from pipeline.units import DAY_MS, Flag

LAYER_WORDS = {"thatch": later("Thatch"), "top_layer": later("Top layer"), "root_zone": later("Root zone")}
FLAG_WORDS = {
    Flag.GOOD: later_as("a reading", "good"),
    Flag.NOT_EVALUATED: later_as("a reading", "not tested"),
    Flag.SUSPECT: later_as("a reading", "doubtful"),
    Flag.FAIL: later_as("a reading", "not to be believed"),
    Flag.MISSING: later_as("a reading", "no answer"),
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
    return " ".join(heard_lines(state, timezone))


def heard_lines(state: StationNow, timezone: str) -> list[str]:
    """The sentences of `heard_line`."""
    if state.heard_ms is None:
        if state.by_file:
            return [say("Nothing has come in by a record from this station yet.")]
        return [say("Nothing has been heard from this station yet.")]
    when, long = moment(state.heard_ms, timezone, now_ms=state.now_ms), age(state.now_ms - state.heard_ms)
    if state.by_hand:
        lines = [say("By hand, last read on {when}, {age} ago.", when=when, age=long)]
        lines += [say("What follows is how it was read then.")] * (state.now_ms - state.heard_ms >= DAY_MS)
    elif state.by_file:
        lines = [say("By record, up to {when}, {age} ago.", when=when, age=long)]
        lines += [say("What follows is how it was then. Import what was read since.")] * state.is_old
    else:
        if state.is_silent:
            lines = [say("Silent since {when}, {age}.", when=when, age=long)]
        else:
            lines = [say("Last heard {when}, {age} ago.", when=when, age=long)]
        lines += [say("What follows is how it was then.")] * state.is_old
        lines += time_lines(state, timezone)
    return lines


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
    return say("silent since {when}, {age}", when=moment(heard_ms, timezone, now_ms=now_ms), age=age(now_ms - heard_ms))


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
        say("{probe}: nothing heard yet.", probe=upper_first(called[probe.name]))
        if probe.heard_ms is None
        else say(
            "{probe}: {silent_since}.",
            probe=upper_first(called[probe.name]),
            silent_since=silent_since(probe.heard_ms, state.now_ms, timezone),
        )
        for probe in state.silent
    ]


def layer_lines(state: StationNow, timezone: str) -> list[str]:
    """Every layer that something can be said of, and if none, why not."""
    if state.layers:
        return [layer_line(layer, _layer_then(layer, state, timezone)) for layer in state.layers]
    if not any(c.installed.channel.quantity == "water_content" for c in state.channels):
        return [say("Water: cannot tell. No moisture probe stands here.")]
    return [say("Water: cannot tell. No reading of moisture has come and been worked on yet.")]


def _layer_then(layer: LayerNow, state: StationNow, timezone: str) -> str:
    """The layer by its name, with when it was so, if that is too long ago to be now, or a channel it rests on has been
    silent since."""
    name = say(LAYER_WORDS[layer.layer])
    if layer.silent_since_ms is not None:
        since = silent_since(layer.silent_since_ms, state.now_ms, timezone)
        # Translators: a layer of the ground, as in "Root zone, silent since 06:15 today, 2 hours"
        return say("{layer}, {silent_since}", layer=name, silent_since=since)
    if state.now_ms - layer.at_ms > state.silent_ms:
        return say("{layer} on {when}", layer=name, when=moment(layer.at_ms, timezone, now_ms=state.now_ms))
    return name


def layer_line(layer: LayerNow, name: str = "") -> str:
    """One layer: how much water, how wet, how sure that is, and how that compares with a week before."""
    name = name or say(LAYER_WORDS[layer.layer])
    if layer.wetness is None:
        if not layer.reason:
            return say("{layer}: cannot tell.", layer=name)
        return say("{layer}: cannot tell. {reason}.", layer=name, reason=upper_first(layer.reason))
    how = _of_drained(layer.wetness) + _between(layer)
    if layer.water_mm is None:
        lines = [say("{layer}: {wetness}, {share}.", layer=name, wetness=wetness(layer.wetness), share=how)]
    else:
        water = millimetres(layer.water_mm)
        # Translators: as in "Thatch: 4.2 mm of water, half full, 52 % of the way from dry to drained."
        said = say("{layer}: {water} of water, {wetness}, {share}.", layer=name, water=water,
                   wetness=wetness(layer.wetness), share=how)  # fmt: skip
        lines = [said]
    if layer.wetness_week_ago is not None:
        change, then = layer.wetness - layer.wetness_week_ago, _share(layer.wetness_week_ago)
        # A change is surer than the value: the limits are the same on both days.
        if abs(change) < 0.05:
            lines.append(say("Much as a week before ({then}).", then=then))
        elif change > 0:
            lines.append(say("Wetter than a week before ({then}).", then=then))
        else:
            lines.append(say("Drier than a week before ({then}).", then=then))
    return " ".join(lines)


def _share(wetness: float) -> str:
    return say("below dry") if wetness < 0 else per_cent(wetness)


def _of_drained(wetness: float) -> str:
    """Relative wetness as a groundsman thinks of it: 0 is the dry limit, 100 % what stays after draining."""
    if wetness < 0:
        return say("below its dry limit")
    return say("{share} of the way from dry to drained", share=per_cent(wetness))


def _between(layer: LayerNow) -> str:
    """How far off the figure may be, where its limits leave that much room."""
    low, high, value = layer.wetness_low, layer.wetness_high, layer.wetness
    if low is None or high is None or value is None or high - low < SURE_WITHIN:
        return ""
    if value < 0:
        return "" if high < 0 else " " + say("(at most {share} of the way to drained)", share=_share(high))
    return " " + say("(somewhere between {low} and {high})", low=_share(low), high=_share(high))


def limits_note(state: StationNow) -> str:
    """Why the figures of the layers leave so much open, when they do."""
    if not any(_between(layer) for layer in state.layers):
        return ""
    return say(
        "What counts as dry and as drained here is known only roughly, which is why so much is left open. A soaking "
        "and a drought in the record, or the station's own limits in the settings, narrow it."
    )


def rain_line(state: StationNow) -> str:
    """Rain of the last 24 hours, or why it cannot be told."""
    if not state.has_gauge:
        return say("Rain: cannot tell. There is no gauge at this site.")
    if state.rain_day_mm is None:
        return say("Rain in the last 24 hours: cannot tell. The gauge was not heard through all of them.")
    return say("Rain in the last 24 hours: {rain}.", rain=millimetres(state.rain_day_mm))


def weather_line(state: StationNow) -> str:
    """Temperature of the surface and the air just now; empty where no probe tells it."""
    surface, air = state.last("surface_temperature"), state.last("air_temperature")
    told = [
        None if found is None or found.value is None else amount(found.value, found.installed.channel.quantity)
        for found in (surface, air)
    ]
    if told == [None, None]:
        return ""
    if told[0] is None:
        line = say("Air {air}.", air=told[1])
    elif told[1] is None:
        line = say("Surface {surface}.", surface=told[0])
    else:
        line = say("Surface {surface}, air {air}.", surface=told[0], air=told[1])
    if surface is not None and surface.value is not None and surface.value <= state.frost_degc:
        return " ".join((line, say("Cold enough for frost: look before you go on.")))
    return line


def wetting_line(state: StationNow, timezone: str) -> str:
    """The last wetting, as `wetting_told` has it, as a line of the station."""
    return say("Last wetting: {told}", told=wetting_told(state, timezone))


def wetting_told(state: StationNow, timezone: str) -> str:
    """Where the water of the last wetting went, by its stored account, with what is unaccounted for.

    What reached the soil comes first. A figure that is withheld is said to be, with its stored reason.
    """
    account = state.wetting
    if account is not None:
        return wetting_account(account, moment(account.end_ms, timezone, now_ms=state.now_ms))
    # Translators: of the last wetting, behind "Last wetting:" or the name of a station
    if state.is_in_work:
        return say("cannot tell yet. Readings are still being worked on.")
    if not state.has_gauge:
        return say("cannot tell. There is no gauge at this site.")
    if state.by_hand:
        return say("cannot tell. Only a probe can follow water into the ground.")
    return say("the gauge has told of none of 1 mm or more in 60 days.")


# Lines of the account: a gain in words, a loss, and what it is called where it is withheld.
_GAINS = (
    (
        "thatch_kept",
        later("leaf and thatch kept {amount}"),
        later("leaf and thatch gave up {amount}"),
        later("what leaf and thatch kept"),
    ),
    (
        "root_gain",
        later("{amount} reached the roots"),
        later("the root zone gave up {amount}"),
        later("what reached the roots"),
    ),
    ("below_gain", later("{amount} went deeper"), later("the soil below gave up {amount}"), later("what went deeper")),
    ("evaporation", later("{amount} evaporated"), later("{amount} came as dew"), later("what evaporated")),
)
_WITHHELD = {
    "given": later("how much was given"),
    "arrival_share": later("how much of it reached the soil"),
    **{name: called for name, _, _, called in _GAINS},
    "unaccounted": later("what is unaccounted for"),
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
    first = say("where it went cannot be told, for want of readings from the soil")
    if share is not None:
        first = untold.get("arrival_share") or _reached(share, said)
    given = account.given.value
    if given is None:
        when = say("it ended {when}", when=ended)
    else:
        when = say("it was {water} of water, and ended {when}", water=millimetres(given), when=ended)
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
    # Translators: {what} is one or more of "how much was given", "what evaporated" and so on
    return say("{what} cannot be told: {reason}", what=listed([say(_WITHHELD[name]) for name in names]), reason=reason)


def _reached(share: FigureNow, said: set[str]) -> str:
    """The share of a wetting that reached the soil, and between which shares it lies."""
    assert share.value is not None and share.low is not None and share.high is not None
    between = _between_ends(per_cent(share.low), per_cent(share.high))
    if round(share.low * 100) <= 0:
        between = say("at most {high}", high=per_cent(share.high))
    if round(share.value * 100) > 0:
        line = say("{share} of it reached the soil", share=per_cent(share.value))
    else:
        line = say("none of it reached the soil")
    return line + _aside(between, *_unsaid(share.reason, said))


def _between_ends(low: str, high: str) -> str:
    return say("somewhere between {low} and {high}", low=low, high=high)


def _gain(figure: FigureNow, gained: str, lost: str, said: set[str]) -> str:
    assert figure.value is not None
    line = lost if _some(figure.value) < 0 else gained
    return say(line, amount=_amount(figure.value)) + _aside(*_unsaid(figure.reason, said))


def _unaccounted(figure: FigureNow, said: set[str]) -> str:
    """What the lines of an account do not explain, and how far off that may be."""
    assert figure.value is not None and figure.low is not None and figure.high is not None
    if _some(figure.value) < 0:
        line = say("{amount} more turned up than was given", amount=_amount(figure.value))
    else:
        line = say("{amount} is unaccounted for", amount=_amount(figure.value))
    if _some(figure.low) < 0 < _some(figure.high):
        between = say(
            "somewhere between {over} too much and {short} missing",
            over=_amount(figure.low),
            short=_amount(figure.high),
        )
    else:
        ends = sorted((figure.low, figure.high), key=abs)
        between = _between_ends(_amount(ends[0]), _amount(ends[1]))
    return line + _aside(between, *_unsaid(figure.reason, said))


def _some(value: float) -> float:
    """An amount as far as it can be read: 0 where it would be written as none. [mm]"""
    return round(value, 1)


def _amount(value: float) -> str:
    return millimetres(abs(value)) if _some(value) else say_as("an amount of water", "nothing")


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
    "water_content": later("Water content"),
    "soil_temperature": later("Temperature"),
    "bulk_ec": later("Salt (bulk conductivity)"),
    "rain": later("Rain in the last interval"),
    "air_temperature": later("Air temperature"),
    "relative_humidity": later("Air humidity"),
    "wind_speed": later("Wind"),
    "solar_radiation": later("Sun"),
    "surface_temperature": later("Surface temperature"),
    "cone_depth": later("Penetrometer depth"),
    "cone_resistance": later("Penetrometer resistance"),
    "supply_voltage": later("Supply voltage"),
    "apparent_permittivity": later("Apparent permittivity"),
    "soil_water_potential": later("Soil water potential"),
    "signal_voltage": later("Signal voltage"),
    "signal_count": later("Signal count"),
    "rain_total": later("Rain total"),
    "cone_force": later("Cone force"),
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
    return say(_QUANTITY_WORDS[name])


def amount(value: float, name: str, *, bare: bool = False) -> str:
    """A value of a quantity, rounded to what a probe can know, with its unit unless it is to be `bare`."""
    unit, decimals = _DISPLAY.get(name, ("", 3))
    return f"{figure(value, decimals)} {unit}" if unit and not bare else figure(value, decimals)


# --- all of it as text -----------------------------------------------------------------------------------------------


def summary(
    config: SiteConfig, states: Sequence[StationNow], alerts: Sequence[OpenAlert], planned: Sequence[str]
) -> str:
    """Water by layer, the last wetting and the age of the data, station by station; open alerts, and the plan."""
    zone = config.site.timezone
    lines = [config.site.title, "=" * len(config.site.title)]
    if states:
        lines.append(f"{moment(states[0].now_ms, zone)} ({zone})")
    for state in states:
        title = place(state.surface, state.station)
        lines += ["", title, "-" * len(title), *station_text(state, zone).lines]
        lines += _by_depth(state, zone)
    lines += ["", say("Open alerts")]
    since = [say("{alert} Since {when}.", alert=a.text, when=moment(a.since_ms, zone)) for a in alerts]
    lines += [f"- {line}" for line in since or [say("None.")]]
    if planned:
        lines += ["", say("Planned"), *(f"- {line}" for line in planned)]
    return "\n".join(lines) + "\n"


def _by_depth(state: StationNow, zone: str) -> list[str]:
    rows = [
        f"  {channel.depth_m * 1000:5.0f} mm  {_value(channel.value)} m3/m3  "
        f"{say(FLAG_WORDS[channel.flag])}{_silence(channel, state.now_ms, zone)}"
        for channel in state.channels
        if channel.installed.channel.quantity == "water_content" and channel.depth_m is not None
    ]
    return [say("Water by depth below the leaf base:"), *rows] if rows else []


def _silence(channel: ChannelNow, now_ms: int, zone: str) -> str:
    return f", {answered(channel, now_ms, zone)}" if channel.is_silent and channel.at_ms is not None else ""


def _value(value: float | None) -> str:
    return "  -  " if value is None else figure(value, 3)


# --- entries of the diary --------------------------------------------------------------------------------------------

# What an entry tells of itself, by the key of its body; what is not here is told otherwise, or not at all.
_FIELD_WORDS = {
    "amount": later("{value:g}"), "cone_area_mm2": later("cone area {value:g} mm²"),
    "contractor": later("contractor {value}"), "cover_mm": later("cover {value:g} mm"),
    "depth_mm": later("depth {value:g} mm"), "dressing_mm": later("{value:g} mm"),
    "drop_s": later("a drop soaked in after {value:g} s"), "follows": later("follows {value:g}"),
    "height_mm": later("{value:g} mm"), "hours": later("hours {value:g}"), "material": later("material {value}"),
    "method": later("method {value}"), "moisture_percent": later("{value:g} %"),
    "organic_from_mm": later("organic from {value:g} mm"), "organic_percent": later("organic {value:g} %"),
    "organic_to_mm": later("organic to {value:g} mm"), "points": later("points {value:g}"),
    "rain_mm": later("{value:g} mm"),
    "removed_kg_m2": later("removed {value:g} kg/m²"), "rod_mm": later("rod {value:g} mm"),
    "root_mm": later("root {value:g} mm"), "spacing_mm": later("spacing {value:g} mm"),
    "spread_percent": later("spread {value:g} %"), "strips": later("strips {value}"),
    "thatch_mm": later("thatch {value:g} mm"), "thatch_pressed_mm": later("thatch pressed {value:g} mm"),
    "water_mm": later("{value:g} mm"), 
    "width_mm": later("width {value:g} mm"),
}  # fmt: skip
_IN_THEIR_WORDS = ("reason", "title", "seed", "meter", "why")  # which stand as they were written
_STATE_WORDS = {
    "booked": later_as("a pass", "{pass_title}, booked"),
    "begun": later_as("a pass", "{pass_title}, begun"),
    "done": later_as("a pass", "{pass_title}, done"),
}
_BURIED_WORDS = {
    "cable": later("a buried cable on the plan"), "pipe": later("a buried pipe on the plan"),
    "drain": later("a buried drain on the plan"), "box": later("a buried box on the plan"),
    "thing": later("a buried thing on the plan"),
}  # fmt: skip
_SIGHT_LINES = {
    "firmness": later("firmness: {seen}"), "tug": later("tug: {seen}"), "disease": later("disease: {seen}"),
    "wilt": later("wilt: {seen}"), "thatch": later("thatch felt: {seen}"),
}  # fmt: skip
# The scales of `pipeline.advice.conditions`.
_SIGHT_WORDS = {
    "firmness": (
        later_as("firmness", "no mark"), later_as("firmness", "a faint mark"), later_as("firmness", "marks"),
        later_as("firmness", "water at the boot"), later_as("firmness", "the turf rolls underfoot"),
    ),
    "tug": (later_as("tug", "it holds"), later_as("tug", "it lifts")),
    "disease": (later_as("disease", "none"), later_as("disease", "old scars"), later_as("disease", "active")),
    "wilt": (later_as("wilt", "none"), later_as("wilt", "seen")),
    "thatch": (later_as("thatch", "dry"), later_as("thatch", "moist"), later_as("thatch", "soaked")),
}  # fmt: skip


Own = Callable[[str], str]
"""Marks what a person wrote, see `LocalUnits.own`."""


def entry_line(config: SiteConfig, entry: DiaryEntry, now_ms: int) -> str:
    """One entry in a line."""
    when = upper_first(moment(entry.at_ms, config.site.timezone, now_ms=now_ms))
    where, what = place_of(config, entry), entry_what(config, entry, now_ms)
    # Translators: a line of the diary, as in "Tue 9 Jan 14:15, Square: water given: 12 mm (Ann)."
    return say("{when}, {where}: {what}.", when=when, where=where, what=what)


def entry_what(config: SiteConfig, entry: DiaryEntry, now_ms: int) -> str:
    """What an entry tells, without when and where: `core cut: thatch 14 mm, root 90 mm (Ann)`."""
    zone, own = config.site.timezone, config.site.units.own
    what = _probe_moved(config, entry) if entry.kind in ("lift", "return") else _what(entry, own)
    details = _details(entry, own)
    if details:
        # Translators: an entry of the diary and what it tells, as in "core cut: thatch 14 mm, root 90 mm"
        what = say("{what}: {details}", what=what, details=in_a_row(details))
    if entry.end_ms is not None:
        what = say("{what}, until {when}", what=what, when=moment(entry.end_ms, zone, now_ms=now_ms))
    return say("{what} ({author})", what=what, author=own(entry.author)) if entry.author else what


def place_of(config: SiteConfig, entry: DiaryEntry) -> str:
    """Where an entry belongs, by the titles of the settings; by its names where they are no longer there."""
    surface = next((s for s in config.surfaces if s.name == entry.surface), None)
    if surface is None:
        return entry.surface
    station = next((s for s in surface.stations if s.name == entry.station), None)
    return surface.title if station is None else place(surface, station)


def mark_line(config: SiteConfig, entry: DiaryEntry, now_ms: int) -> str:
    """What somebody made of an alert."""
    zone, own = config.site.timezone, config.site.units.own
    when = moment(entry.at_ms, zone, now_ms=now_ms)
    mark, who = entry.body.get("mark"), entry.author
    if mark == "snoozed" and entry.end_ms is not None:
        until = moment(entry.end_ms, zone, now_ms=now_ms)
        return (
            say("Snoozed until {when} by {who}.", when=until, who=who)
            if who
            else say("Snoozed until {when}.", when=until)
        )
    if mark == "seen":
        return say("Seen {when} by {who}.", when=when, who=who) if who else say("Seen {when}.", when=when)
    if mark != "wrong":
        return ""
    line = say("Called wrong {when} by {who}", when=when, who=who) if who else say("Called wrong {when}", when=when)
    why = entry.body.get("why")
    return say("{called_wrong}: {why}.", called_wrong=line, why=own(str(why))) if why else f"{line}."


def _what(entry: DiaryEntry, own: Own) -> str:
    body = entry.body
    if entry.kind == "pass":
        return say(_STATE_WORDS[str(body.get("state", "done"))], pass_title=pass_title(body))
    if entry.kind == "healed" and "pass" in body:
        return say("{pass_title} has healed", pass_title=pass_title(body))
    if entry.kind == "override":
        return say("{pass_title} against advice", pass_title=pass_title(body))
    if entry.kind == "mark":
        mark = body.get("mark")
        if mark == "seen":
            return say("an alert seen")
        return say("an alert snoozed") if mark == "snoozed" else say("an alert called wrong")
    if entry.kind == "place":
        if "probe" in body:
            return say("place of the {probe} probe on the plan", probe=body["probe"])
        return say("place of the station on the plan")
    if entry.kind == "buried":
        return say(_BURIED_WORDS[str(body["what"])])
    if entry.kind == "sight":
        return say(_SIGHT_LINES[str(body["what"])], seen=_seen(body))
    if entry.kind == "note":
        return own(str(body["text"])) if body.get("text") else say("a note")
    if entry.kind == "cost":
        return say("cost of {what}", what=own(str(body.get("what"))))
    if entry.kind == "closed":
        return say("closed to play")
    if entry.kind == "depth":
        return say("depth of {channel} measured anew", channel=body.get("channel"))
    return say(KINDS[entry.kind].kind_title)


def _probe_moved(config: SiteConfig, entry: DiaryEntry) -> str:
    """That a probe was lifted or put back, by its place."""
    surface = next((s for s in config.surfaces if s.name == entry.surface), None)
    name = str(entry.body.get("probe"))
    called = the_probes([f"{entry.station}/{name}"], () if surface is None else _places(surface))
    return say("{probe} lifted", probe=called) if entry.kind == "lift" else say("{probe} put back", probe=called)


def pass_title(body: Mapping[str, object]) -> str:
    """The pass of an entry, as it is done: `scarifying`."""
    facts = treatments().facts.get(str(body.get("pass")))
    return str(body.get("pass")) if facts is None else say(facts.doing)


def _seen(body: Mapping[str, object]) -> str:
    told, value = _SIGHT_WORDS.get(str(body.get("what")), ()), body.get("value")
    whole = isinstance(value, int | float) and value == int(value) and 0 <= value < len(told)
    return say(told[int(float(str(value)))]) if whole else str(value)


def _pushed(body: Mapping[str, object]) -> str:
    """The hardest of a push and its depth, and how deep it went."""
    depths, kpa = body.get("depth_mm"), body.get("resistance_kpa")
    if not isinstance(depths, list) or not isinstance(kpa, list):
        return say("no figures")
    most = max(range(len(kpa)), key=lambda i: kpa[i])
    if len(depths) == 1:
        return say("{kpa:g} kPa at {depth:g} mm", kpa=kpa[most], depth=depths[most])
    return say(
        "{kpa:g} kPa at {depth:g} mm, the most of {n} down to {last:g} mm",
        kpa=kpa[most], depth=depths[most], n=len(depths), last=depths[-1],
    )  # fmt: skip


def _details(entry: DiaryEntry, own: Own) -> list[str]:
    """The fields of the body, each with its unit."""
    if entry.kind == "push":
        return [_pushed(entry.body)]
    if entry.kind == "depth":  # whose only figure it is
        return [say("{value:g} mm", value=entry.body["depth_mm"])] if "depth_mm" in entry.body else []
    parts = [
        say(_FIELD_WORDS[key], value=own(value) if isinstance(value, str) else value)
        if key in _FIELD_WORDS
        else own(str(value))
        for key, value in entry.body.items()
        if key in _FIELD_WORDS or key in _IN_THEIR_WORDS or (key == "text" and entry.kind == "sight")
    ]
    photos = entry.body.get("photos")
    if isinstance(photos, list | tuple) and photos:
        parts.append(say_many("{n} photograph", "{n} photographs", len(photos)))
    return [*parts, say("around the probes")] if entry.body.get("around") else parts
