"""MIDI files, read back by mido: exact lengths, keys bent to the chanter's pitch, gracenotes in time."""

from __future__ import annotations

import io
import math
from fractions import Fraction

import mido
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from graith.errors import MusicError, UnitError
from graith.music.model import Bar, ChanterNote, Grace, Metre, Note, Part, Tune, Tuplet
from graith.music.read_abc import read_book
from graith.music.write_midi import TICKS_PER_CROTCHET, notes_midi, tune_midi


def _tune(music: str, metre: str = "4/4"):
    return read_book(f"X:1\nT:Test\nM:{metre}\nL:1/8\nQ:1/4=60\nK:HP\n{music}\n", "test.abc").tunes[0]


def _read(data: bytes) -> mido.MidiFile:
    return mido.MidiFile(file=io.BytesIO(data))


def _sounded(data: bytes) -> list[tuple[int, int, int, float]]:
    """Return (start tick, stop tick, key, bend in semitones) of each note, as mido reads them."""
    now, bend, bend_range, open_notes, found = 0, 0, 2, {}, []
    for message in _read(data).tracks[1]:
        now += message.time
        if message.type == "control_change" and message.control == 6:
            bend_range = message.value
        elif message.type == "pitchwheel":
            bend = message.pitch
        elif message.type == "note_on":
            open_notes[message.note] = (now, bend / 8192 * bend_range)
        elif message.type == "note_off":
            start, bent = open_notes.pop(message.note)
            found.append((start, now, message.note, bent))
    assert not open_notes
    return found


def _end(data: bytes, track: int = 1) -> int:
    return sum(message.time for message in _read(data).tracks[track])


def _meta(data: bytes, kind: str):
    now = 0
    for message in _read(data).tracks[0]:
        now += message.time
        if message.type == kind:
            yield now, message


def test_notes_keep_their_written_keys_and_lengths():
    data = tune_midi(_tune("A2B2c2d2|"), low_a_hz=None)
    assert _read(data).ticks_per_beat == TICKS_PER_CROTCHET
    starts = [0, 1, 2, 3]
    assert _sounded(data) == [
        (start * TICKS_PER_CROTCHET, (start + 1) * TICKS_PER_CROTCHET, key, 0.0)
        for start, key in zip(starts, (69, 71, 73, 74), strict=True)
    ]


def test_a_repeat_is_played_twice_and_can_be_left_out():
    tune = _tune("|:A8:|")
    assert _end(tune_midi(tune)) == 8 * TICKS_PER_CROTCHET
    assert _end(tune_midi(tune, repeats=False)) == 4 * TICKS_PER_CROTCHET


def test_both_tracks_end_on_the_exact_last_tick():
    data = tune_midi(_tune("(3ABc (3dcB A4|"))
    assert _end(data, 0) == _end(data, 1) == 4 * TICKS_PER_CROTCHET


@given(
    st.lists(
        st.tuples(
            st.sampled_from(ChanterNote),
            st.sampled_from([Fraction(1, 128), Fraction(1, 32), Fraction(3, 64), Fraction(1, 8), Fraction(7, 16)]),
            st.sampled_from([None, (3, 2), (5, 4), (7, 4), (9, 8)]),
            st.integers(0, 5),
        ),
        min_size=1,
        max_size=30,
    )
)
@settings(deadline=None)
def test_every_note_ends_on_its_exact_tick(described):
    notes = [
        Note(
            (pitch.pitch,),
            length,
            (Grace(ChanterNote.HIGH_G.pitch),) * n_graces,
            None if tuplet is None else Tuplet(*tuplet, 1, 0),
        )
        for pitch, length, tuplet, n_graces in described
    ]
    tune = Tune(1, ("T",), (Part((Bar(tuple(notes), Metre(4, 4), 1),)),), Metre(4, 4))
    data = tune_midi(tune, 60)
    now, stops = Fraction(0), []
    for note in notes:
        now += note.length * 4 * TICKS_PER_CROTCHET
        assert now.denominator == 1
        stops.append(int(now))
    assert {stop for _, stop, _, _ in _sounded(data)} >= set(stops)
    assert _end(data) == stops[-1]


def test_tempo_metre_name_and_sound_stand_in_the_file():
    data = tune_midi(_tune("A6|", "6/8"), 90, beat_length=Fraction(3, 8))
    ((_, tempo),) = _meta(data, "set_tempo")
    assert tempo.tempo == round(60e6 / 135)  # 90 dotted crotchets are 135 crotchets a minute
    ((_, metre),) = _meta(data, "time_signature")
    assert (metre.numerator, metre.denominator, metre.clocks_per_click) == (6, 8, 36)
    body = _read(data).tracks[1]
    assert next(message.name for message in body if message.type == "track_name") == "Test"
    assert next(message.program for message in body if message.type == "program_change") == 109


def test_a_metre_change_stands_where_it_happens():
    data = tune_midi(_tune("A4|[M:3/4]A6|", "2/4"))
    found = [(tick, message.numerator, message.denominator) for tick, message in _meta(data, "time_signature")]
    assert found == [(0, 2, 4), (2 * TICKS_PER_CROTCHET, 3, 4)]


def test_each_note_is_bent_to_its_harmonic_ratio():
    # Ratios to low A of the harmonic scale (Macpherson 1998, second-hand); 69 is A 440 in MIDI.
    ratios = (7 / 8, 1, 9 / 8, 5 / 4, 4 / 3, 3 / 2, 5 / 3, 7 / 4, 2)
    sounded = _sounded(tune_midi(_tune("GABcdefg|a8|"), low_a_hz=480.0))
    for (_, _, key, bend), ratio in zip(sounded, ratios, strict=True):
        heard_hz = 440.0 * 2 ** ((key + bend - 69) / 12)
        assert 1200 * math.log2(heard_hz / (480.0 * ratio)) == pytest.approx(0.0, abs=0.05)


def test_a_low_a_far_from_440_widens_the_bend_range():
    sounded = _sounded(tune_midi(_tune("A8|"), low_a_hz=300.0))
    assert sounded[0][3] == pytest.approx(12 * math.log2(300 / 440), abs=0.002)


def test_gracenotes_take_their_time_from_the_note_they_lead_into():
    # 60 crotchets a minute: 45 ms are 453.6 ticks of 10080.
    data = tune_midi(_tune("A4{gcd}c4|"), low_a_hz=None)
    assert _sounded(data) == [
        (0, 20160, 69, 0.0),
        (20160, 20614, 79, 0.0),
        (20614, 21067, 73, 0.0),
        (21067, 21521, 74, 0.0),
        (21521, 40320, 73, 0.0),
    ]


def test_gracenotes_take_at_most_three_fifths_of_a_short_note():
    *graces, melody = _sounded(tune_midi(_tune("{GdGeAfA}e/4|"), 120, low_a_hz=None))
    assert len(graces) == 7
    assert melody[:2] == (756, 1260)


def test_a_tie_makes_one_note_and_gracenotes_on_it_make_two():
    assert len(_sounded(tune_midi(_tune("A4-A4|")))) == 1
    assert len(_sounded(tune_midi(_tune("A4-|A4|")))) == 1
    assert len(_sounded(tune_midi(_tune("A4-{g}A4|")))) == 3


def test_a_rest_is_silence():
    sounded = _sounded(tune_midi(_tune("A4z4|A8|"), low_a_hz=None))
    assert [(start, stop) for start, stop, *_ in sounded] == [(0, 20160), (40320, 80640)]


def test_notes_in_seconds_come_back_to_a_tenth_of_a_millisecond():
    data = notes_midi([0.0, 0.50004], [0.5, 1.25], [69.0, 70.5064], name="Set", markers=[(0.5, "Second tune")])
    file = _read(data)
    assert (file.ticks_per_beat, file.length) == (10000, pytest.approx(1.25))
    first, second = _sounded(data)
    assert first == (0, 5000, 69, 0.0)
    assert second[:3] == (5000, 12500, 71)
    assert second[3] == pytest.approx(-0.4936, abs=0.0003)
    assert [(tick, message.text) for tick, message in _meta(data, "marker")] == [(5000, "Second tune")]


@given(st.lists(st.tuples(st.floats(0, 600), st.floats(0.001, 5), st.floats(20, 100)), max_size=40))
@settings(deadline=None)
def test_every_note_in_seconds_is_in_the_file(described):
    starts, now = [], 0.0
    for gap, length, pitch in described:
        now += gap % 1.0
        starts.append((now, now + length, pitch))
        now += length + 0.001
    data = notes_midi(*(list(column) for column in zip(*starts, strict=True)) if starts else ([], [], []))
    assert [(start, stop) for start, stop, *_ in _sounded(data)] == [
        (round(on / 0.0001), round(off / 0.0001)) for on, off, _ in starts
    ]


def test_a_title_outside_latin_letters_does_not_break_the_file():
    data = notes_midi([0], [1], [69], name="Ōran → air")
    assert next(m.name for m in _read(data).tracks[1] if m.type == "track_name") == "?ran ? air"


def test_quantities_that_cannot_be_are_refused():
    tune = _tune("A8|")
    with pytest.raises(MusicError, match="tempo of 0 beats a minute cannot be"):
        tune_midi(tune, 0)
    with pytest.raises(MusicError, match="gracenote of -1 ms cannot be"):
        tune_midi(tune, grace_ms=-1)
    with pytest.raises(MusicError, match="scale has 9 notes, not 8"):
        tune_midi(tune, scale_cents=[0.0] * 8)
    with pytest.raises(UnitError, match="pitch of 0 Hz cannot be"):
        tune_midi(tune, low_a_hz=0)
    with pytest.raises(MusicError, match="does not fit a MIDI file"):
        tune_midi(tune, 0.1)
    with pytest.raises(MusicError, match="2 onsets, 1 stops and 1 pitches"):
        notes_midi([0, 1], [1], [69])
    with pytest.raises(MusicError, match=r"pitch of 200\.0 is no MIDI key"):
        notes_midi([0], [1], [200])
    with pytest.raises(MusicError, match=r"time of -1\.0 s cannot stand"):
        notes_midi([-1], [1], [69])
