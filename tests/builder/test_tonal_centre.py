"""The tonal centre against the keys that transcribers wrote into three open corpora (a development dependency)."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import music21

from graith.builder.candidate import tonal_centre
from graith.music.fit import fits, fitted
from graith.music.model import Tune
from graith.music.read_abc import read_book

CORPORA = ("airdsAirs", "ryansMammoth", "oneills1850")


def tunes_that_fit() -> Iterator[tuple[Tune, str]]:
    """Yield each tune of the corpora that fits the chanter, moved onto it, with the letter its written key falls on."""
    corpus = Path(music21.__file__).parent / "corpus"
    for folder in CORPORA:
        for path in sorted((corpus / folder).glob("*.abc")):
            for tune in read_book(path.read_text("utf-8", errors="replace"), path.name).tunes:
                moves = fits(tune)
                if moves and moves[0].centre:
                    yield fitted(tune, moves[0]), moves[0].centre


def test_most_tunes_turn_about_the_note_of_the_key_their_transcriber_wrote() -> None:
    found = [(centre, tonal_centre(tune)) for tune, centre in tunes_that_fit()]
    agreeing = sum(1 for written, heard in found if heard is not None and heard.abc.upper() == written)
    assert len(found) > 130
    assert agreeing / len(found) > 0.7
