"""Ground truth: soil, roots, weather and the probes in them.

Imports `hardware` only: an oracle that never sees the sums it is there to check.
"""
