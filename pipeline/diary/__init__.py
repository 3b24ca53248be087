"""The diary: entries that people write, fixtures of a calendar, and the facts read from both.

- `entry`: The kinds of diary entries: fields, faults of an entry, and questions about likely mistakes.
- `facts`: Facts read from the entries of the diary, for stages, advice and alerts alike.
- `fixtures`: Calendars (iCalendar, RFC 5545): fixtures read from one, windows and last good dates written as one.
"""
