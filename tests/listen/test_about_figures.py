"""What is said of one player's figures: by kind, with how often and where; planted rows are the truth here."""

from __future__ import annotations

from typing import Any

import numpy as np

from graith.listen.findings import findings_of
from graith.listen.heard import Heard
from graith.listen.model import Finding
from graith.listen.player_figures import (
    CRUSHED,
    FIGURE_DTYPE,
    GRACE_HEARD_DTYPE,
    LATE,
    MISSING,
    PLAYED,
    POINTING_DTYPE,
    PlayerFigures,
)
from graith.timeline.graces import GraceModel
from graith.timeline.make_timeline import timeline_of
from heard_by_hand import heard_as_planned, one_tune

MARCH = timeline_of(one_tune())


def figures(n: int = 12) -> PlayerFigures:
    """Doublings on the first notes that have gracenotes, all played."""
    notes = np.flatnonzero(MARCH.notes["n_graces"] > 0)[:n]
    rows = np.zeros(n, dtype=FIGURE_DTYPE)
    rows["note"], rows["bar"] = notes, MARCH.notes["bar"][notes]
    rows["name"], rows["verdict"], rows["confidence"] = "doubling", PLAYED, 0.97
    rows["onset_s"] = 12.0 + MARCH.notes["start_s"][notes]
    rows["late_uncertainty_ms"] = 5.0
    return PlayerFigures(rows, np.zeros(0, dtype=GRACE_HEARD_DTYPE), GraceModel(), True, 8.0)


def heard_of(played: PlayerFigures, **more: Any) -> Heard:
    return heard_as_planned(MARCH, figures=played, n_players=1, **more)


def found(heard: Heard) -> list[Finding]:
    return list(findings_of(heard, MARCH))


def test_figures_that_are_played_give_nothing_to_say() -> None:
    assert found(heard_of(figures())) == []


def test_figures_that_lack_gracenotes_are_told_once_with_how_often() -> None:
    played = figures()
    played.figures["verdict"][[2, 5]] = MISSING
    (finding,) = found(heard_of(played))
    assert (finding.kind, finding.size, finding.unit) == ("figure missing", 2.0, "figures")
    assert "doubling lacks gracenotes in 2 of 12 places" in finding.says
    assert finding.played_bar == played.figures["bar"][2]


def test_a_figure_of_one_gracenote_is_not_heard_rather_than_lacking_gracenotes() -> None:
    played = figures()
    played.figures["name"], played.figures["n_graces"] = "g-gracenote", 1
    played.figures["verdict"][[2, 5]] = MISSING
    (finding,) = found(heard_of(played))
    assert "g-gracenote is not heard in 2 of 12 places" in finding.says


def test_when_no_figure_of_a_kind_can_be_made_out_the_recording_may_be_why() -> None:
    played = figures(3)
    played.figures["verdict"] = CRUSHED
    (finding,) = found(heard_of(played))
    assert "cannot be made out as written in any of its 3 places" in finding.says
    assert "record it once more" in finding.says


def test_a_tune_is_named_once_in_a_list_of_places() -> None:
    played = figures()
    played.figures["verdict"][::2] = MISSING
    (finding,) = found(heard_of(played))
    assert finding.says.count(MARCH.tunes[0].title) == 1
    assert "; part 1" in finding.says


def test_a_verdict_that_is_not_sure_is_not_told() -> None:
    played = figures()
    played.figures["verdict"][3] = CRUSHED
    played.figures["confidence"][3] = 0.6
    assert found(heard_of(played)) == []


def test_one_figure_alone_must_be_all_but_certain() -> None:
    played = figures()
    played.figures["verdict"][3] = CRUSHED
    assert found(heard_of(played)) == []
    played.figures["confidence"][3] = 0.995
    assert [one.kind for one in found(heard_of(played))] == ["figure crushed"]


def test_a_late_figure_is_told_by_how_much() -> None:
    played = figures()
    played.figures["verdict"][4] = LATE
    played.figures["late_known"][4] = True
    played.figures["late_ms"][4] = 60.0
    played.figures["confidence"][4] = 0.995
    (finding,) = found(heard_of(played))
    assert finding.kind == "figure late"
    assert "late by 60 ms" in finding.says


def test_pairs_that_are_rounder_than_written_are_told_and_those_as_written_are_not() -> None:
    rows = np.array(
        [(0, True, 3.0, 2, 1.5, 0.5, 3.0), (-1, True, 3.0, 20, 2.2, 0.2, 3.0), (-1, False, 3.0, 20, 3.1, 0.2, 3.0)],
        dtype=POINTING_DTYPE,
    )
    (finding,) = found(heard_of(figures(), pointing=rows))
    assert finding.kind == "pointing"
    assert "2.2 to 1 (give or take 0.2) where 3 to 1 is written: rounder" in finding.says
