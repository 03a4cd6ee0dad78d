"""The nine notes, figures, bars, parts and tunes; ABC text and MusicXML in and out; checks and difficulty."""
