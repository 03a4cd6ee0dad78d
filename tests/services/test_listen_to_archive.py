"""What a result of an archive depends on, and what its row in the summary says."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from archive_by_hand import all_asked, two_parts
from graith.errors import FileError
from graith.listen.as_json import as_json
from graith.services.listen_to_archive import (
    SUMMARY_COLUMNS,
    Asked,
    HowToHear,
    music_key,
    music_of,
    one_sentence,
    refusal,
    result_key,
    summary_row,
)
from graith.timeline.make_timeline import timeline_of
from heard_by_hand import heard_as_planned, one_tune

HEAD = {"recording": "night.m4a", "trusted": True, "music": "Two parts", "reason": None}


def test_the_same_music_has_the_same_key_and_other_music_another() -> None:
    planned = two_parts().planned
    key = music_key(timeline_of(planned))
    assert key == music_key(timeline_of(planned)) == two_parts().key
    slower = replace(planned, tunes=tuple(replace(one, tempo_bpm=60.0) for one in planned.tunes))
    assert len({key, music_of("a", slower).key, music_of("b", one_tune()).key}) == 3


def test_a_result_depends_on_each_of_the_things_that_its_key_is_made_of() -> None:
    asked = all_asked()[0]
    others: list[tuple[Asked, str, str]] = [
        (asked, "a", "1"),
        (asked, "b", "1"),
        (asked, "a", "2"),
        (replace(asked, recording="other.wav"), "a", "1"),
        (replace(asked, is_told=False), "a", "1"),
        (replace(asked, music=(music_of("Two parts", one_tune()),)), "a", "1"),
        (replace(asked, how=HowToHear(scale="older published")), "a", "1"),
        (replace(asked, how=HowToHear(low_a_hz=480.0)), "a", "1"),
        (replace(asked, how=HowToHear(n_players=1)), "a", "1"),
    ]
    assert len({result_key(*one) for one in others}) == len(others)
    assert result_key(*others[0]) == result_key(asked, "a", "1")


def test_a_row_tells_how_much_faster_than_planned_the_bars_were_played() -> None:
    timeline = timeline_of(two_parts().planned)
    told = as_json(heard_as_planned(timeline), timeline)
    told["tempo"] = [{"bpm": 66.0, "planned_bpm": 60.0}, {"bpm": 44.0, "planned_bpm": 40.0}]
    row = summary_row({**HEAD, "listening": told})
    assert tuple(row) == SUMMARY_COLUMNS
    assert row["tempo_percent"] == pytest.approx(10.0)  # both bars are 10 % fast, so all of it is


def test_a_row_has_the_nine_notes_and_the_middle_of_the_bars_togetherness() -> None:
    timeline = timeline_of(two_parts().planned)
    told = as_json(heard_as_planned(timeline), timeline)
    told["scale_cents"]["high G"] = -7.5
    told["togetherness"] = [{"spread_ms": one} for one in (30.0, 10.0, 14.0)]
    row = summary_row({**HEAD, "listening": told})
    assert (row["high_g_cents"], row["togetherness_ms"]) == (-7.5, 14.0)


def test_a_row_of_a_recording_that_was_refused_says_why_and_nothing_else() -> None:
    row = summary_row({"recording": "night.m4a", **refusal("It is silent.")})
    assert {name for name, value in row.items() if value is not None} == {"recording", "trusted", "reason"}


def test_a_message_names_the_recording_alike_wherever_it_was_read() -> None:
    there, here = (FileError(f"{path}: damaged.\nSave it again.") for path in ("/somewhere/x.wav", "season/x.wav"))
    told = {one_sentence(there, "/somewhere/x.wav", "x.wav"), one_sentence(here, "season/x.wav", "x.wav")}
    assert told == {"x.wav: damaged. Save it again."}


def test_music_keys_do_not_depend_on_how_arrays_lie_in_memory() -> None:
    timeline = timeline_of(two_parts().planned)
    wide = np.repeat(timeline.notes, 2)
    assert music_key(replace(timeline, notes=wide[::2])) == music_key(timeline)
