"""What to do about it: pure decisions drawn from observations, findings and the diary.

Nothing here may read a clock, a file or a network, log, or keep state between calls: the time and the state come in as
arguments and go out as results, so that a decision can be asked for again and comes out the same.
"""
