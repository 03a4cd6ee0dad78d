"""Graith makes a competing Highland pipe band ready.

Each package below is a room of the design (``docs/design.md``): a room imports only the rooms above it.
"""

__version__ = "0.1.0"
