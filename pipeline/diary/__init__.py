"""The diary: entries that people write, fixtures of a calendar, the facts of both, a station as stages know it.

- `by_hand`: Facts of the diary that come from a hand: meter, penetrometer, gauge; and days closed to play and costs.
- `entry`: The kinds of diary entries: fields, faults of an entry, and questions about likely mistakes.
- `facts`: Facts read from the entries of the diary, for stages, advice and alerts alike.
- `fixtures`: Calendars (iCalendar, RFC 5545): fixtures read from one, windows and last good dates written as one.
- `station`: A station as the stages know it: its settings, and what people wrote of it.
"""
