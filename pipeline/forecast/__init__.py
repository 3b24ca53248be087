"""Days to come: weather, the water balance, and the wetness that follows.

- `balance`: Water of the thatch and of the root zone, hour by hour: two boxes under a canopy, for many members at
  once.
- `balance_fit`: Fit the balance to one station's own recent weeks, and say by how much it has missed at each lead.
- `climatology`: Temperatures to come where no forecast says them: of the air, the leaf and the soil, and the chance
  of a frost.
- `daily`: A figure a day, and its sum between two moments.
- `demand`: What the air asks of the turf, hour by hour, from as much of the weather as is known.
- `gap_fill`: Wetness of a station whose probe is out of the ground: carried on by its own balance, or lent by a
  neighbour.
- `weather_ahead`: Many ways the weather may go: round a forecast, from the site's own past at the same season, or
  from its climate.
- `weather_file`: A weather forecast as text, CSV or JSON, read and doubted: every fault named, hourly figures out.
- `wetness`: Ten days of thatch and root-zone wetness of a station, hour by hour, with their chances.
"""
