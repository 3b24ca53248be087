"""Days to come: weather, the water balance, and the wetness that follows.

- `balance`: Water of the thatch and the root zone hour by hour, for many members at once, and its fit to one station.
- `by_hand`: Wetness of a root zone that is read by hand now and then, carried from reading to reading by the water
  balance.
- `climatology`: Temperatures ahead where no forecast gives them: of the air, the leaf and the soil, and the chance of a
  frost.
- `unread_thatch`: Whether thatch that no probe reads still holds water.
- `waterings`: Water that people will give: booked, advised for tonight, and by the keeper's own habit.
- `weather_ahead`: Members of the weather ahead: round a forecast, from the site's own past at the same season, or from
  its climate.
- `weather_file`: A weather forecast as text, CSV or JSON: every fault named, hourly series out.
- `wetness`: Ten days of thatch and root-zone wetness of a station, hour by hour, with their chances; gaps filled.
"""
