"""The one order in which melody notes and gracenotes sound, against the order that sound is made in."""

from __future__ import annotations

import numpy as np

from graith.sound.model import Band
from graith.sound.perform import performance
from graith.timeline.playing_order import playing_order
from played_recordings import march, plan_of


def test_everything_that_sounds_stands_in_it_once() -> None:
    line = march()
    notes, graces = playing_order(line)
    assert sorted(notes[graces < 0].tolist()) == list(range(line.notes.size))
    assert sorted(graces[graces >= 0].tolist()) == list(range(line.graces.size))


def test_gracenotes_stand_just_before_the_note_they_lead_into() -> None:
    line = march()
    notes, graces = playing_order(line)
    assert (notes[graces >= 0] == line.graces["note"][graces[graces >= 0]]).all()
    assert (np.diff(notes) >= 0).all()
    assert all(graces[at] < 0 for at in np.flatnonzero(np.diff(notes, append=notes[-1] + 1)))


def test_it_is_the_order_in_which_a_player_plays() -> None:
    line = plan_of("strathspeys", 1, 1)
    notes, graces = playing_order(line)
    rows = performance(line, Band(drums=None)).players[0].played
    assert notes.tolist() == rows["note"].tolist()
    assert graces.tolist() == rows["grace"].tolist()


def test_onsets_never_fall_back() -> None:
    line = march()
    notes, graces = playing_order(line)
    onset_s = np.where(graces >= 0, line.graces["onset_s"][graces], line.notes["onset_s"][notes])
    assert (np.diff(onset_s) > 0).all()
