"""The invented demo band: tunes, sets, and what is wrong on purpose. Data only."""
