"""Where every note lies, against the known truth of performances, scipy's least squares and mir_eval's measures."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise, product

import mir_eval
import numpy as np
import pytest
from scipy.optimize import nnls

from graith.errors import ListenError
from graith.listen._loops import lay_steps, least_squares_shares, soften_starts
from graith.listen.align import Aligned, aligned, for_one_player, for_players
from graith.listen.frames import Frames, frames_of
from graith.listen.lay_steps import script_of, steadied
from graith.listen.model import WORKING_RATE_HZ
from graith.listen.note_shares import note_shares, onset_scores, share_scores, stands_out_db
from graith.listen.place_onsets import late_frames
from graith.sound.model import Band
from played_recordings import (
    NOTES_HZ,
    Floats,
    Played,
    errors_ms,
    heard_in,
    jig,
    march,
    noise,
    played,
    talk,
    warped,
)

SOLO = Band(drums=None, room=None)
Listened = tuple[Aligned, Frames]


def sizes_ms(found: Aligned, one: Played) -> tuple[float, float, float]:
    """Median, 95th percentile and greatest error."""
    median, most, worst = np.percentile(np.abs(errors_ms(found, one)), [50, 95, 100])
    return float(median), float(most), float(worst)


def test_one_players_onsets_are_within_a_few_milliseconds(solo: Played, solo_heard: Listened) -> None:
    median, most, worst = sizes_ms(solo_heard[0], solo)
    assert median < 2.5
    assert most < 12.0
    assert worst < 25.0


def test_six_players_in_a_room_with_drums_and_noise_lose_no_note(six: Played, six_heard: Listened) -> None:
    """What is heard is nearer the first player than the mean of all: players 14 ms apart are heard 5 to 9 ms early."""
    errors = errors_ms(six_heard[0], six)
    assert -10.0 < np.median(errors) < 2.0
    assert np.median(np.abs(errors - np.median(errors))) < 6.0
    assert np.percentile(np.abs(errors), 95) < 25.0
    assert np.abs(errors).max() < 150.0


def test_mir_eval_says_the_same_of_the_alignment(solo: Played, solo_heard: Listened) -> None:
    start_s = solo_heard[0].alignment.notes["start_s"]
    assert mir_eval.alignment.absolute_error(solo.onset_s, start_s)[0] < 0.0025
    f_measure, precision, recall = mir_eval.onset.f_measure(solo.onset_s, start_s, window=0.025)
    assert min(f_measure, precision, recall) == 1.0


@pytest.mark.parametrize("faster", [0.8, 1.2])
def test_a_tempo_a_fifth_off_the_plan_is_followed(faster: float) -> None:
    one = played(jig(), SOLO, as_played=warped(jig(), faster=faster))
    median, most, worst = sizes_ms(heard_in(one)[0], one)
    assert median < 4.0
    assert most < 12.0
    assert worst < 25.0


@pytest.mark.parametrize("bar", [3, 5, 11, 12])
def test_a_bar_left_out_is_unheard_and_costs_its_neighbours_nothing(bar: int) -> None:
    plan = jig()
    one = played(plan, SOLO, order=[*range(bar), *range(bar + 1, plan.bars.size)])
    found, _ = heard_in(one)
    notes = found.alignment.notes
    assert notes["heard"][plan.notes["bar"] == bar].sum() <= 1  # a note like the next bar's first
    assert notes["heard"][plan.notes["bar"] != bar].all()
    assert found.alignment.passages.size == 2
    assert sizes_ms(found, one)[2] < 60.0


def test_a_bar_played_again_is_two_passages_and_has_its_last_playing() -> None:
    plan = jig()
    one = played(plan, SOLO, order=[*range(6), *range(5, plan.bars.size)])
    found, _ = heard_in(one)
    passages = found.alignment.passages
    assert plan.notes["bar"][passages["last_note"][0]] == 5
    assert plan.notes["bar"][passages["first_note"][1]] == 5
    assert sizes_ms(found, one)[2] < 60.0


def test_a_false_start_and_talk_before_the_set_leave_it_whole(short: Played) -> None:
    stop_s = float(jig().bars["stop_s"][4]) + 1.0
    begun = np.concatenate([short.sound[: round(stop_s * WORKING_RATE_HZ)], talk(4.0)])
    one = played(jig(), SOLO, before=begun)
    found, _ = heard_in(one)
    assert found.alignment.passages.size == 2
    assert found.alignment.passages["first_note"].tolist() == [0, 0]
    assert sizes_ms(found, one)[2] < 60.0


def test_a_tune_twice_through_is_two_passages(short: Played) -> None:
    twice = replace(
        short,
        sound=np.concatenate([short.sound, short.sound]),
        onset_s=short.onset_s + short.sound.size / WORKING_RATE_HZ,
    )
    found, _ = heard_in(twice)
    last = jig().notes.size - 1
    assert found.alignment.passages[["first_note", "last_note"]].tolist() == [(0, last), (0, last)]
    assert sizes_ms(found, twice)[2] < 25.0


def test_a_recording_of_the_middle_leaves_the_rest_unheard(solo: Played) -> None:
    begin_s, end_s = 20.0, 45.0
    within = (solo.onset_s >= begin_s) & (solo.onset_s < end_s)
    sound = solo.sound[round(begin_s * WORKING_RATE_HZ) : round(end_s * WORKING_RATE_HZ)]
    one = replace(solo, sound=sound, onset_s=np.where(within, solo.onset_s - begin_s, np.nan))
    found, _ = heard_in(one)
    heard = found.alignment.notes["heard"]
    assert found.alignment.passages.size == 1
    assert (heard & ~within).sum() <= 2
    assert (within & ~heard).sum() <= 4
    inner = errors_ms(found, one)[4:-4]
    assert np.abs(inner).max() < 25.0


@pytest.mark.parametrize("later_samples", [6000, 14_815])
def test_a_later_recording_moves_every_onset_by_as_much(
    short: Played, short_heard: Listened, later_samples: int
) -> None:
    later = frames_of(np.concatenate([np.zeros(later_samples, dtype=np.float32), short.sound]))
    moved_s = aligned(later, jig(), NOTES_HZ).alignment.notes["start_s"] - short_heard[0].alignment.notes["start_s"]
    assert 1e3 * np.abs(moved_s - later_samples / WORKING_RATE_HZ).max() < 4.0
    assert 1e3 * float(np.median(moved_s)) == pytest.approx(1e3 * later_samples / WORKING_RATE_HZ, abs=0.5)


def test_a_stretch_of_a_recording_keeps_the_recordings_time(short: Played, short_heard: Listened) -> None:
    frames = frames_of(short.sound, start_s=100.0)
    start_s = aligned(frames, jig(), NOTES_HZ).alignment.notes["start_s"]
    assert start_s == pytest.approx(short_heard[0].alignment.notes["start_s"] + 100.0, abs=1e-6)


def test_ten_cents_higher_moves_no_onset(short_heard: Listened) -> None:
    higher = played(jig(), replace(SOLO, low_a_hz=480.0 * 2 ** (10 / 1200)))
    moved_ms = 1e3 * (heard_in(higher)[0].alignment.notes["start_s"] - short_heard[0].alignment.notes["start_s"])
    assert np.percentile(np.abs(moved_ms), 90) < 2.0
    assert np.abs(moved_ms).max() < 5.0


def test_the_same_sound_gives_the_same_bytes(short: Played, short_heard: Listened) -> None:
    again, _ = heard_in(replace(short, sound=short.sound.copy()))
    first = short_heard[0].alignment
    assert again.alignment.steps.tobytes() == first.steps.tobytes()
    assert again.alignment.passages.tobytes() == first.passages.tobytes()
    assert again.alignment.fit == first.fit


def test_steps_follow_each_other_and_end_where_the_next_begins(solo_heard: Listened) -> None:
    steps = solo_heard[0].alignment.steps
    heard = steps[steps["heard"]]
    assert (np.diff(heard["start_s"]) > 0).all()
    assert heard["stop_s"][:-1] == pytest.approx(heard["start_s"][1:])
    assert steps.size == script_of(march()).notes.size


def test_stated_uncertainty_holds_nearly_all_errors(six: Played, six_heard: Listened) -> None:
    stated_ms = for_players(six_heard[0]).notes["uncertainty_ms"]
    assert (np.abs(errors_ms(six_heard[0], six)) < stated_ms).mean() > 0.8


def test_one_player_is_heard_earlier_by_what_his_reed_takes_to_speak(short_heard: Listened) -> None:
    found = replace(short_heard[0], lag_s=0.004)
    earlier, before = for_one_player(found), found.alignment
    heard = before.steps["heard"]
    assert (before.steps["start_s"] - earlier.steps["start_s"])[heard] == pytest.approx(0.004)
    assert earlier.passages["start_s"] == pytest.approx(before.passages["start_s"] - 0.004)


@pytest.mark.parametrize("n_samples", [0, 100])
def test_next_to_no_sound_is_refused(n_samples: int) -> None:
    with pytest.raises(ListenError, match="shorter than any note"):
        aligned(frames_of(np.zeros(n_samples, dtype=np.float32)), jig(), NOTES_HZ)


def test_shares_are_scipys_least_squares() -> None:
    draws = np.random.default_rng(2)
    spectra = draws.gamma(1.0, 1.0, (9, 40))
    power = draws.gamma(1.0, 0.5, (12, 9)) * (draws.random((12, 9)) < 0.4) @ spectra + draws.normal(0, 0.05, (12, 40))
    products = (spectra @ spectra.T).astype(np.float32)
    shares = least_squares_shares((power @ spectra.T).astype(np.float32), products, 400)
    wanted = np.array([nnls(spectra.T, frame)[0] for frame in power])
    assert shares == pytest.approx(wanted, abs=0.02)


def test_a_note_that_the_tune_never_holds_is_guessed_from_its_neighbour(short_heard: Listened) -> None:
    """The best heard note's own frames are hidden; it must still stand out where it sounds, and nowhere else."""
    known = short_heard[0].labels
    note = int(np.bincount(known[(known >= 0) & (known < 9)]).argmax())
    hidden = np.where(known == note, -1, known).astype(np.int8)
    guessed = note_shares(short_heard[1], hidden, NOTES_HZ)[:, note]
    others = (known >= 0) & (known != note)
    assert np.median(guessed[known == note]) > 0.3
    assert np.quantile(guessed[others], 0.9) < 0.1 * np.median(guessed[known == note])


def test_a_note_scores_best_where_it_alone_sounds_and_silence_where_nothing_does() -> None:
    shares = np.zeros((3, 9), dtype=np.float32)
    shares[1, 4] = 1.0
    scores = share_scores(shares)
    assert scores[1].argmax() == 4
    assert scores[0].argmax() == scores[2].argmax() == 9
    assert (scores <= 0).all()


def test_a_note_begins_where_its_share_rises() -> None:
    shares = np.full((40, 9), 0.02, dtype=np.float32)
    shares[20:, 3] = 1.0
    onsets = onset_scores(shares)
    assert onsets[:, 3].argmax() == 20
    assert np.abs(onsets[:, 5]).max() == pytest.approx(0.0, abs=1e-6)


def _off(away: float) -> float:
    size = abs(away)
    return -0.5 * size * size if size < 2.0 else 2.0 - 2.0 * size


@pytest.mark.parametrize("seed", range(5))
def test_steps_are_laid_as_the_best_of_all_ways(seed: int) -> None:
    """Every way to set four starts in windows of six frames, tried in plain Python."""
    draws = np.random.default_rng(seed)
    n_frames, span, n = 24, 6, 3
    scores = draws.normal(0.0, 1.0, (n_frames, 10))
    cumulative = np.concatenate([np.zeros((1, 10)), np.cumsum(scores, axis=0)]).astype(np.float32)
    onsets = draws.normal(0.0, 1.0, (n_frames + 1, 10)).astype(np.float32)
    classes = draws.integers(0, 9, n).astype(np.int8)
    expected, width = np.array([5.0, 2.0, 6.0], dtype=np.float32), np.array([0.2, 0.25, 0.2], dtype=np.float32)
    left_out = np.array([1e9, 3.0, 1e9], dtype=np.float32)
    where, hold = np.array([4.0, 8.0, 11.0], dtype=np.float32), np.array([0.0, 0.3, 0.3], dtype=np.float32)
    low = np.array([2, 6, 8, 14], dtype=np.int32)

    def worth(starts: tuple[int, ...]) -> float:
        total = float(cumulative[starts[0], 9] - cumulative[starts[-1], 9])
        for k, (begin, end) in enumerate(pairwise(starts)):
            if end < begin:
                return -np.inf
            length = end - begin
            price = (
                _off(np.log(length / expected[k]) / width[k]) + onsets[begin, classes[k]] if length else -left_out[k]
            )
            total += price + _off((begin - where[k]) * hold[k])
            total += float(cumulative[end, classes[k]] - cumulative[begin, classes[k]])
        return total

    whence = np.empty((n + 1, span), dtype=np.int16)
    laid = lay_steps(cumulative, onsets, classes, expected, width, left_out, where, hold, low, np.int64(span), whence)
    best = max(worth(starts) for starts in product(*(range(first, first + span) for first in low)))
    assert worth(tuple(laid.tolist())) == pytest.approx(best, abs=1e-3)


@pytest.mark.parametrize("seed", range(3))
def test_a_softened_start_is_the_mean_of_where_it_may_be(seed: int) -> None:
    """The middle of three starts, its two neighbours known: every frame between them, weighed in plain numpy."""
    draws = np.random.default_rng(seed)
    scores = draws.normal(0.0, 0.5, (60, 10))
    cumulative = np.concatenate([np.zeros((1, 10)), np.cumsum(scores, axis=0)]).astype(np.float32)
    onsets = draws.normal(0.0, 0.5, (61, 10)).astype(np.float32)
    classes, starts = np.array([2, 5, 7], dtype=np.int8), np.array([12, 25, 40, 55], dtype=np.int32)
    expected, width = np.full(3, 14.0, dtype=np.float32), np.full(3, 0.2, dtype=np.float32)
    where, hold = starts[:3].astype(np.float32) + 2.0, np.full(3, 0.3, dtype=np.float32)
    means, errors = starts[:3].astype(np.float64), np.ones(3)
    soften_starts(cumulative, onsets, classes, expected, width, where, hold, starts, means, errors)
    before = round(means[0])
    frames = np.arange(max(before + 1, 25 - 24), min(39, 25 + 24) + 1)
    off = np.vectorize(_off)
    worth = cumulative[frames, 2] - cumulative[frames, 5] + onsets[frames, 5] + off((frames - where[1]) * hold[1])
    worth += off(np.log((40 - frames) / 14.0) / width[1]) + off(np.log((frames - before) / 14.0) / width[0])
    chances = np.exp(worth) / np.exp(worth).sum()
    mean = float((chances * frames).sum())
    assert means[1] == pytest.approx(mean, abs=1e-3)
    assert errors[1] == pytest.approx(np.sqrt((chances * (frames - mean) ** 2).sum()), abs=1e-3)


def test_the_line_through_the_notes_around_is_numpys_on_clean_data() -> None:
    planned_s = np.cumsum(np.random.default_rng(3).uniform(0.1, 0.6, 40))
    frames = 1.05 * planned_s / 0.005 + 300.0
    expected, rates = steadied(frames, planned_s)
    slope, height = np.polyfit(planned_s, frames * 0.005, 1)
    assert rates == pytest.approx(slope, rel=1e-6)
    assert expected * 0.005 == pytest.approx(height + slope * planned_s, abs=1e-6)


def test_one_note_far_off_is_put_back_by_the_notes_around_it() -> None:
    planned_s = np.arange(30) * 0.4
    frames = planned_s / 0.005
    frames[12] += 40.0
    expected, _ = steadied(frames, planned_s)
    assert expected[12] == pytest.approx(planned_s[12] / 0.005, abs=0.5)
    assert np.abs(expected - planned_s / 0.005).max() < 4.0


def test_pitches_that_always_come_late_are_said_to_speak_late() -> None:
    draws = np.random.default_rng(4)
    planned_s = np.arange(200) * 0.3
    classes = draws.integers(0, 9, 200).astype(np.int8)
    late: Floats = np.where(classes == 2, 5.0, 0.0)
    found = late_frames(planned_s / 0.005 + late, classes, planned_s)
    assert found.argmax() == 2
    assert 2.0 < found[2] < 5.0
    assert np.abs(np.delete(found, 2)).max() < 1.0


def test_noise_added_moves_onsets_little(short: Played) -> None:
    noisy = replace(short, sound=short.sound + noise(short.sound.size / WORKING_RATE_HZ, 0.01))
    assert sizes_ms(heard_in(noisy)[0], noisy)[1] < 12.0


def test_noise_makes_the_notes_stand_out_less(solo: Played, solo_heard: Listened) -> None:
    clean = stands_out_db(solo_heard[1], solo_heard[0].labels)
    draws = np.random.default_rng(4).normal(0.0, 1.0, solo.sound.size).astype(np.float32)
    noisy = replace(solo, sound=solo.sound + draws * float(np.sqrt(np.mean(solo.sound**2))) * np.float32(0.5))
    found, frames = heard_in(noisy)
    buried = stands_out_db(frames, found.labels)
    assert clean is not None
    assert buried is not None
    assert clean - buried > 5.0


def test_nothing_stands_out_where_no_note_is_sure(solo_heard: Listened) -> None:
    frames = solo_heard[1]
    assert stands_out_db(frames, np.full(frames.n, -1, dtype=np.int8)) is None
