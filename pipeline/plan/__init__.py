"""One plan a surface, from all that is advised and alerted.

- `booked`: What is made of a booked pass by the window of its hour: why, until when, when instead.
"""
