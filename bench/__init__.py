"""Benchmarks: each beside a named general-purpose peer in the same run, told as ratios."""
