"""A rulebook as dated data with its sources; measured facts of a set or roster in, rulings out."""
