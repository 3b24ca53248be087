"""One plan a surface: all that would be said of it on one morning put into one order, and held against itself.

- `booked`: What is made of a booked pass by the window of its hour: why, until when, when instead.
- `booked_water`: What is made of a booked watering by what would be advised for its hour.
- `contradictions`: The table of contradictions: what must not be told together.
- `deep_water`: When the next water of a station goes on, and how much.
- `digest`: A plan in lines of text: what it adds to the morning's digest, and all of it.
- `held_passes`: Passes that give way while nobody may go on the surface.
- `lines`: What a line tells somebody, as a tag with its time.
- `planner`: The plans of a site as pages and messages ask for them.
- `seen`: What a plan rests on beside the advice: alerts, the ground just now, what came of the latest water.
- `strips`: The strips of a square by what fixtures name them, and the last water of each.
- `surface_plan`: The plan of a surface.
"""
