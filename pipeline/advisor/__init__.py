"""Advice at work: what is kept, written and foretold is read, laid out for the pure sums, told."""
