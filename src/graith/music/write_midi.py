"""Standard MIDI files: one tune at a constant tempo, or notes laid out in seconds.

A MIDI key is an equal semitone of a scale on A 440. The chanter is neither, so each note keeps its written key (low A
is key 69) and a pitch bend carries it to the chanter's pitch; the bend range is set at the start of the track. A
program that ignores bends plays the tune in equal temperament as written.
"""

from __future__ import annotations

import io
import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

from graith.errors import MusicError
from graith.music.model import Metre, Note, Pitch, Tune, chanter_note
from graith.music.tune_types import tune_type_of
from graith.music.unfold import PlayedBar, played_bars
from graith.units import cents_above

if TYPE_CHECKING:
    import mido

TICKS_PER_CROTCHET = 10080
"""Divides every length down to a 128th note, and triplets, quintuplets, septuplets and nonuplets of it."""

HARMONIC_CENTS: tuple[float, ...] = tuple(
    1200.0 * math.log2(ratio) for ratio in (7 / 8, 1, 9 / 8, 5 / 4, 4 / 3, 3 / 2, 5 / 3, 7 / 4, 2)
)
"""The nine notes above low A, in cents, low G first.

Source: the harmonic scale of the chanter in the table of Macpherson (1998), second-hand.
"""

BAGPIPE_PROGRAM = 109
"""General MIDI sound 110, "Bag pipe", counted from 0."""

_EQUAL_A_HZ = 440.0
_Mark = tuple[int, str, dict[str, object]]
"""A tick, the kind of a meta message and its values."""

_VELOCITY = 96
_BEND_STEPS = 8192
_TICK_S = 0.0001
_LARGEST_SHARE = Fraction(3, 5)
_USUAL_BPM = 80.0
_EQUAL_CENTS_OF_LOW_A = (-200.0, 0.0, 200.0, 400.0, 500.0, 700.0, 900.0, 1000.0, 1200.0)


@dataclass(frozen=True, slots=True)
class _Key:
    """One sounding of one key, in ticks, and how far it is bent from its equal semitone."""

    on: int
    off: int
    key: int
    bend_cents: float


def tune_midi(
    tune: Tune,
    tempo_bpm: float | None = None,
    *,
    beat_length: Fraction | None = None,
    low_a_hz: float | None = 480.0,
    scale_cents: Sequence[float] = HARMONIC_CENTS,
    grace_ms: float = 45.0,
    repeats: bool = True,
    program: int = BAGPIPE_PROGRAM,
) -> bytes:
    """Return a tune as the bytes of a Standard MIDI file, played through with its repeats at a constant tempo.

    Gracenotes sound from the beat on and shorten the note they lead into, by at most three fifths
    of it; a group that needs more is played quicker.

    Parameters
    ----------
    tune : Tune
    tempo_bpm : float, > 0, optional
        Beats a minute; left out, the tempo written in the tune, else the usual one of its type, else 80.
    beat_length : Fraction, optional
        The beat, in whole notes; left out, that of the written tempo, of the tune's type, or of its metre.
    low_a_hz : float, > 0, or None
        Pitch of low A in Hz. None writes no pitch bends: the written notes in equal temperament on A 440.
    scale_cents : sequence of 9 float
        The nine notes above low A, low G first.
    grace_ms : float, >= 0
        How long one gracenote lasts, in milliseconds.
    repeats : bool
        Whether repeats are taken.
    program : int, 0 to 127
        General MIDI sound.

    Raises
    ------
    MusicError
        If the tempo, the gracenotes' length or the scale cannot be.
    UnitError
        If ``low_a_hz`` is zero, negative or not finite.

    References
    ----------
    Standard MIDI Files 1.0, and General MIDI System Level 1 (MIDI Association).
    """
    bpm, beat = _tempo(tune, tempo_bpm, beat_length)
    _check_numbers(bpm, grace_ms, scale_cents)
    played = played_bars(tune, repeats=repeats)
    whole_s = 60.0 / bpm / float(beat)
    bends = _Bends(low_a_hz, tuple(scale_cents))
    grace_ticks = Fraction(grace_ms / 1000.0 / whole_s) * 4 * TICKS_PER_CROTCHET
    keys = list(_tune_keys(played, bends, grace_ticks))
    end = _ticks(sum((one.bar.length for one in played), Fraction(0)))
    tempo_us = round(whole_s / 4.0 * 1e6)
    if not 0 < tempo_us < 2**24:
        raise MusicError(f"A tempo of {bpm} beats a minute of {beat} does not fit a MIDI file. Choose another tempo.")
    return _file_bytes(tune.title, tempo_us, TICKS_PER_CROTCHET, keys, end, program, _metre_marks(played))


def notes_midi(
    onsets_s: Sequence[float],
    stops_s: Sequence[float],
    pitches_midi: Sequence[float],
    *,
    name: str = "",
    markers: Iterable[tuple[float, str]] = (),
    program: int = BAGPIPE_PROGRAM,
) -> bytes:
    """Return notes laid out in seconds as the bytes of a Standard MIDI file, to a tenth of a millisecond.

    One crotchet of the file is one second. Each note takes the nearest key, and a bend for the rest.

    Parameters
    ----------
    onsets_s, stops_s : sequence of float, shape (notes,)
        In seconds from the file's start; a note that does not stop after its onset is left out.
    pitches_midi : sequence of float, shape (notes,)
        MIDI pitch with its fraction: 69 is A 440, 69.5 half a semitone above.
    name : str
        The track's name.
    markers : iterable of (float, str)
        Seconds and text, such as where each tune of a set begins.
    program : int, 0 to 127
        General MIDI sound.

    Raises
    ------
    MusicError
        If the three sequences differ in length, a time is negative or not finite, or a pitch is no MIDI key.
    """
    keys = []
    try:
        for onset_s, stop_s, pitch in zip(onsets_s, stops_s, pitches_midi, strict=True):
            keys.append(_key_at(float(onset_s), float(stop_s), float(pitch)))
    except ValueError:
        raise MusicError(
            f"{len(onsets_s)} onsets, {len(stops_s)} stops and {len(pitches_midi)} pitches do not make notes. "
            "Give one of each for every note."
        ) from None
    sounding = [key for key in keys if key.off > key.on]
    marks: list[_Mark] = [(_tick_at(time_s), "marker", {"text": _latin(text)}) for time_s, text in markers]
    end = max([key.off for key in sounding] + [mark[0] for mark in marks], default=0)
    return _file_bytes(name, 1_000_000, round(1.0 / _TICK_S), sounding, end, program, marks)


class _Bends:
    """How far each written pitch lies from its key's equal semitone on A 440."""

    def __init__(self, low_a_hz: float | None, scale_cents: tuple[float, ...]) -> None:
        self._base_cents = 0.0 if low_a_hz is None else cents_above(low_a_hz, _EQUAL_A_HZ)
        self._scale_cents = _EQUAL_CENTS_OF_LOW_A if low_a_hz is None else scale_cents

    def cents(self, pitch: Pitch) -> float:
        note = chanter_note(pitch)
        if note is None:
            return self._base_cents
        return self._base_cents + self._scale_cents[note] - _EQUAL_CENTS_OF_LOW_A[note]


def _tempo(tune: Tune, tempo_bpm: float | None, beat_length: Fraction | None) -> tuple[float, Fraction]:
    tune_type = tune_type_of(tune)
    if tune.tempo is not None:
        bpm, beat = tune.tempo.bpm, tune.tempo.beat_length
    elif tune_type is not None:
        bpm, beat = tune_type.usual_bpm, tune_type.beat_length
    else:
        bpm, beat = _USUAL_BPM, tune.metre.beat_length if tune.metre is not None else Fraction(1, 4)
    return (bpm if tempo_bpm is None else tempo_bpm), (beat if beat_length is None else beat_length)


def _check_numbers(bpm: float, grace_ms: float, scale_cents: Sequence[float]) -> None:
    if not (math.isfinite(bpm) and bpm > 0):
        raise MusicError(f"A tempo of {bpm!r} beats a minute cannot be; it must be a number above zero.")
    if not (math.isfinite(grace_ms) and grace_ms >= 0):
        raise MusicError(f"A gracenote of {grace_ms!r} ms cannot be; it must be a number of zero or more.")
    if len(scale_cents) != 9:
        raise MusicError(
            f"The chanter's scale has 9 notes, not {len(scale_cents)}. Give the cents of each, low G first."
        )


def _ticks(length: Fraction) -> int:
    return round(length * 4 * TICKS_PER_CROTCHET)


def _tune_keys(played: Sequence[PlayedBar], bends: _Bends, grace_ticks: Fraction) -> Iterator[_Key]:
    for start, stop, note in _struck(played):
        onset = start * 4 * TICKS_PER_CROTCHET
        end = round(stop * 4 * TICKS_PER_CROTCHET)
        if note.graces:
            each = min(grace_ticks, (end - onset) * _LARGEST_SHARE / len(note.graces))
            for index, grace in enumerate(note.graces):
                on, off = round(onset + index * each), round(onset + (index + 1) * each)
                if off > on:
                    yield _Key(on, off, grace.pitch.midi, bends.cents(grace.pitch))
            onset += len(note.graces) * each
        for pitch in note.pitches:
            yield _Key(round(onset), end, pitch.midi, bends.cents(pitch))


def _struck(played: Sequence[PlayedBar]) -> Iterator[tuple[Fraction, Fraction, Note]]:
    """Yield each note that is struck with its start and stop in whole notes; a tie to the same pitch lengthens it."""
    held: tuple[Fraction, Fraction, Note] | None = None
    tied = False
    now = Fraction(0)
    for one in played:
        for note in one.bar.notes:
            stop = now + note.length
            if held is not None and tied and note.pitches == held[2].pitches and not note.graces:
                held = (held[0], stop, held[2])
            else:
                if held is not None:
                    yield held
                held = None if note.is_rest else (now, stop, note)
            tied = note.tied
            now = stop
    if held is not None:
        yield held


def _metre_marks(played: Sequence[PlayedBar]) -> list[_Mark]:
    """Return a time signature wherever the metre changes; MIDI counts its clicks in 24ths of a crotchet."""
    marks: list[_Mark] = []
    now = Fraction(0)
    metre: Metre | None = None
    for one in played:
        wanted = one.bar.metre
        if wanted is not None and wanted != metre and wanted.unit.bit_count() == 1:
            clicks = round(wanted.beat_length * 96)
            marks.append(
                (
                    _ticks(now),
                    "time_signature",
                    {"numerator": wanted.beats, "denominator": wanted.unit, "clocks_per_click": clicks},
                )
            )
            metre = wanted
        now += one.bar.length
    return marks


def _tick_at(time_s: float) -> int:
    if not (math.isfinite(time_s) and time_s >= 0):
        raise MusicError(f"A time of {time_s!r} s cannot stand in a MIDI file; it must be a number of zero or more.")
    return round(time_s / _TICK_S)


def _key_at(onset_s: float, stop_s: float, pitch: float) -> _Key:
    key = round(pitch) if math.isfinite(pitch) else -1
    if not 0 <= key <= 127:
        raise MusicError(f"A pitch of {pitch!r} is no MIDI key; keys run from 0 to 127, with 69 for A 440.")
    return _Key(_tick_at(onset_s), _tick_at(stop_s), key, 100.0 * (pitch - key))


def _latin(text: str) -> str:
    """Return text in the letters that MIDI's text events hold, a question mark for every other."""
    return text.encode("latin-1", "replace").decode("latin-1")


def _file_bytes(
    name: str,
    tempo_us: int,
    ticks_per_crotchet: int,
    keys: Sequence[_Key],
    end: int,
    program: int,
    marks: Iterable[_Mark],
) -> bytes:
    import mido

    file = mido.MidiFile(type=1, ticks_per_beat=ticks_per_crotchet)
    head: list[tuple[int, mido.MetaMessage]] = [(0, mido.MetaMessage("set_tempo", tempo=tempo_us))]
    head += [(tick, mido.MetaMessage(kind, **values)) for tick, kind, values in marks]
    file.tracks.append(_track(head, end))
    bend_range = max([2, *(math.ceil(abs(key.bend_cents) / 100.0) for key in keys)])
    body = [(0, mido.MetaMessage("track_name", name=_latin(name)))]
    body += [(0, message) for message in _set_up(bend_range, program)]
    body += list(_key_messages(keys, bend_range))
    file.tracks.append(_track(body, end))
    buffer = io.BytesIO()
    file.save(file=buffer)
    return buffer.getvalue()


def _set_up(bend_range: int, program: int) -> list[mido.Message]:
    """Return the messages that set the bend range in semitones (registered parameter 0) and the sound."""
    import mido

    controls = ((101, 0), (100, 0), (6, bend_range), (38, 0), (101, 127), (100, 127))
    messages = [mido.Message("control_change", control=control, value=value) for control, value in controls]
    return [*messages, mido.Message("program_change", program=program)]


def _key_messages(keys: Sequence[_Key], bend_range: int) -> Iterator[tuple[int, mido.Message]]:
    """Yield each message with its tick: at one tick, keys are let go before the bend moves and the next is struck."""
    import mido

    timed: list[tuple[int, int, mido.Message]] = []
    bent = 0
    for key in sorted(keys, key=lambda key: key.on):
        bend = max(-_BEND_STEPS, min(_BEND_STEPS - 1, round(key.bend_cents / (100.0 * bend_range) * _BEND_STEPS)))
        if bend != bent:
            timed.append((key.on, 1, mido.Message("pitchwheel", pitch=bend)))
            bent = bend
        timed.append((key.on, 2, mido.Message("note_on", note=key.key, velocity=_VELOCITY)))
        timed.append((key.off, 0, mido.Message("note_off", note=key.key, velocity=0)))
    timed.sort(key=lambda one: one[:2])
    for tick, _, message in timed:
        yield tick, message


def _track(messages: list[tuple[int, mido.Message | mido.MetaMessage]], end: int) -> mido.MidiTrack:
    import mido

    track = mido.MidiTrack()
    now = 0
    for tick, message in sorted(messages, key=lambda one: one[0]):
        track.append(message.copy(time=tick - now))
        now = tick
    track.append(mido.MetaMessage("end_of_track", time=max(0, end - now)))
    return track
