"""Listening: a recording of a known set in, what was heard out, each measure with its place and its uncertainty."""
