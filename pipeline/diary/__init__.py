"""What people write: entries, fixtures of a calendar, and the facts both amount to.

- `entry`: One entry of the diary: its kinds, what each must say, and what looks like a slip of the pen.
- `facts`: What people wrote in the diary, as facts: of a station, of a surface, of what lies in the ground.
- `fixtures`: Fixtures in from a calendar, windows and last good dates out as one: iCalendar (RFC 5545).
"""
