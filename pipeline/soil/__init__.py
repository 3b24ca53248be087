"""What the readings mean: pure functions from arrays to arrays.

Each module holds the sums for one physical effect (calibration, climate, thatch, strength, roots and so
on). Nothing here may read a clock, a file or a network, log, print, or keep state between calls: the same
arrays in give the same arrays out, so that any span of raw readings can be worked out again. A number that
cannot be known is NaN, or comes with a reason, never a guess.
"""
