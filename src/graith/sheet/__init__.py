"""Engraved pages: MEI from tunes, SVG for the web, PDF pages for the hand."""
