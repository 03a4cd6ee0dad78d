"""Wrong notes: told when another note clearly sounds inside a long note, and not when it is short, torn or silent."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from graith.listen.align import aligned
from graith.listen.findings import findings_of
from graith.listen.frames import frames_of
from graith.listen.model import HOP_S, WORKING_RATE_HZ, Alignment
from graith.listen.wrong_notes import WRONG_NOTE_DTYPE, wrong_notes
from graith.sound.model import Band
from graith.sound.perform import performance
from graith.sound.render import sound_blocks
from graith.sound.scale import HARMONIC
from graith.timeline.make_timeline import timeline_of
from heard_by_hand import heard_as_planned, one_tune

MARCH = timeline_of(one_tune(parts=(1,)))
HEARD = heard_as_planned(MARCH)
assert HEARD.alignment is not None
ALIGNMENT: Alignment = HEARD.alignment
LONG = np.flatnonzero(ALIGNMENT.notes["stop_s"] - ALIGNMENT.notes["start_s"] > 0.25)[3:-3:9]
SHORT = int(np.argmin(ALIGNMENT.notes["stop_s"] - ALIGNMENT.notes["start_s"]))


def scores() -> np.ndarray:
    """As written, every frame clearly so."""
    steps = ALIGNMENT.notes
    rows = np.full((round(float(steps["stop_s"].max()) / HOP_S) + 200, 10), -6.0, dtype=np.float32)
    for step in steps[steps["chanter_note"] >= 0]:
        rows[inside(step), step["chanter_note"]] = -0.1
    return rows


def inside(step: np.void) -> slice:
    return slice(round(float(step["start_s"]) / HOP_S), round(float(step["stop_s"]) / HOP_S))


def other(note: int) -> int:
    return int(ALIGNMENT.notes["chanter_note"][note] + 2) % 9


def played_instead(note: int, heard: int, share: float = 1.0) -> np.ndarray:
    rows = scores()
    at = inside(ALIGNMENT.notes[note])
    stop = at.start + round(share * (at.stop - at.start))
    rows[at.start : stop] = -6.0
    rows[at.start : stop, heard] = -0.1
    return rows


def test_what_is_played_as_written_has_no_wrong_note() -> None:
    assert wrong_notes(ALIGNMENT, scores()).size == 0


def test_another_note_in_its_place_is_told_with_what_was_heard() -> None:
    (row,) = wrong_notes(ALIGNMENT, played_instead(int(LONG[0]), other(int(LONG[0]))))
    assert (row["note"], row["heard_note"], row["share"]) == (LONG[0], other(int(LONG[0])), 1.0)
    assert row["margin"] == pytest.approx(5.9, abs=0.01)


def test_half_of_a_note_is_not_told() -> None:
    assert wrong_notes(ALIGNMENT, played_instead(int(LONG[0]), other(int(LONG[0])), share=0.5)).size == 0


def test_silence_is_no_wrong_note() -> None:
    assert wrong_notes(ALIGNMENT, played_instead(int(LONG[0]), 9)).size == 0


def test_a_note_left_out_is_no_wrong_note() -> None:
    steps = ALIGNMENT.steps.copy()
    steps["heard"][steps["note"] == LONG[0]] = False
    rows = played_instead(int(LONG[0]), other(int(LONG[0])))
    assert wrong_notes(replace(ALIGNMENT, steps=steps), rows).size == 0


def test_a_note_too_short_to_tell_is_not_told() -> None:
    steps = ALIGNMENT.steps.copy()
    steps["stop_s"][SHORT] = steps["start_s"][SHORT] + 0.06
    rows = played_instead(SHORT, other(SHORT))
    assert wrong_notes(replace(ALIGNMENT, steps=steps), rows).size == 0


def test_when_many_notes_seem_wrong_it_is_the_alignment_and_none_is_told() -> None:
    rows = scores()
    for note in ALIGNMENT.notes["note"][::4]:
        at = inside(ALIGNMENT.notes[note])
        rows[at] = -6.0
        rows[at, other(int(note))] = -0.1
    assert wrong_notes(ALIGNMENT, rows).size == 0


def told(*rows: tuple[int, int]) -> list[str]:
    found = np.array([(note, heard, 1.0, 6.0) for note, heard in rows], dtype=WRONG_NOTE_DTYPE)
    findings = findings_of(replace(HEARD, wrong_notes=found), MARCH)
    return [one.says for one in findings if one.kind == "wrong note"]


def test_a_wrong_note_is_a_sentence_with_its_place() -> None:
    note = int(LONG[0])
    (says,) = told((note, 4))
    assert "part 1" in says
    assert "a D was played where" in says


def test_the_same_wrong_note_both_times_through_is_told_once() -> None:
    bars = MARCH.bars
    note = next(one for one in LONG.tolist() if bars["pass_number"][MARCH.notes["bar"][one]] == 1)
    row = MARCH.notes[note]
    first = bars[row["bar"]]
    second = np.flatnonzero((bars["pass_number"] == 2) & (bars["bar_in_part"] == first["bar_in_part"]))[0]
    again = np.flatnonzero((MARCH.notes["bar"] == second) & (MARCH.notes["note_in_bar"] == row["note_in_bar"]))[0]
    (says,) = told((note, other(note)), (int(again), other(note)))
    assert "was played twice where" in says


def test_wrong_notes_put_into_rendered_sound_are_found_and_no_others() -> None:
    played = performance(MARCH, Band(room=None))
    part = played.players[0]
    hz = dict(zip(part.played["chanter_note"].tolist(), part.played["hz"].tolist(), strict=True))
    rows = part.played.copy()
    planted = {}
    for note in LONG[:2].tolist():
        instead = next(one for one in (3, 5, 4) if one != ALIGNMENT.notes["chanter_note"][note])
        at = (rows["note"] == note) & (rows["grace"] < 0)
        rows["chanter_note"][at], rows["hz"][at] = instead, hz[instead]
        planted[note] = instead
    changed = replace(played, players=(replace(part, played=rows),))
    sound = np.concatenate(list(sound_blocks(changed, rate_hz=WORKING_RATE_HZ)))
    found = aligned(frames_of(sound), MARCH, HARMONIC.note_hz(480.0))
    heard = wrong_notes(found.alignment, found.scores)
    assert dict(zip(heard["note"].tolist(), heard["heard_note"].tolist(), strict=True)) == planted
