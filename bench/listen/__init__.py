"""Listening measured against recordings whose truth is known: cases, their sound, their scoring."""
