"""The demo's rehearsal: played with faults put in on purpose, recorded as a phone would, listened to, and compared."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from graith.sets.model import PlannedSet

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    from graith.listen.model import Finding
    from graith.services.listen_to_recording import Listening
    from graith.sound.model import Band, Performance
    from graith.timeline.model import Timeline

    Singles = npt.NDArray[np.float32]

N_PLAYERS, SEED = 6, 12
LOW_A_HZ = 479.0
TUNING_S, TALKING_S, AFTER_S = 11.0, 3.0, 2.5
_NOISE_DB, _PEAK = -32.0, 0.7
_LOW_G = 0


@dataclass(frozen=True, slots=True)
class Planted:
    """One fault that was put in.

    Attributes
    ----------
    says : str
    kinds : tuple of str
        Findings of these kinds tell it.
    names : str
        What such a finding's sentence names.
    """

    says: str
    kinds: tuple[str, ...]
    names: str = ""

    def is_told_by(self, finding: Finding) -> bool:
        """Return whether a finding tells this fault."""
        return finding.kind in self.kinds and self.names in finding.says


@dataclass(frozen=True, slots=True)
class _Places:
    """Played bars, as indices in the timeline's bars, where faults are put in."""

    surge: tuple[int, int]
    loose: tuple[int, int]
    left_out: tuple[int, int]


def rehearsal(timeline: Timeline) -> tuple[Performance, tuple[Planted, ...]]:
    """Return the demo band's playing of a set of three tunes with its faults, and what these are."""
    from graith.listen.places import Stretch, printed_words, stretch_words
    from graith.sound.faults import (
        with_drones_left,
        with_early_player,
        with_loose_bars,
        with_note_off,
        with_straggler,
        with_surge,
        without_bars,
    )
    from graith.sound.perform import performance

    at = _places(timeline)
    played = performance(timeline, demo_band())
    played = with_note_off(played, _LOW_G, 16.0, 11.0, seed=SEED)
    played = with_loose_bars(played, timeline, *at.loose, 60.0, seed=SEED)
    played = with_surge(played, timeline, *at.surge, 0.07)
    played = without_bars(played, timeline, *at.left_out)
    played = with_early_player(played, 2, 0.40)
    played = with_straggler(played, 4, 0.45)
    for player in (3, 4, 5):
        played = with_drones_left(played, player, 3.0)
    surge, left_out = stretch_words(timeline, Stretch(*at.surge)), stretch_words(timeline, Stretch(*at.left_out))
    loose = printed_words(timeline, Stretch(*at.loose))
    title = timeline.tunes[int(timeline.bars["tune"][at.surge[0]])].title
    left_out_title = timeline.tunes[int(timeline.bars["tune"][at.left_out[0]])].title
    loose_title = timeline.tunes[int(timeline.bars["tune"][at.loose[0]])].title
    return played, (
        Planted("low G 16 cents sharp, and spread by 11 cents over the players", ("tuning", "tuning spread"), "low G"),
        Planted(f"{surge}: 7 % faster in their middle", ("surge",), title),
        Planted(f"{left_out}: left out by everybody", ("left out",), left_out_title),
        Planted(f"{loose}: the players 60 ms apart", ("loose bars",), loose_title),
        Planted("one chanter 400 ms before the strike-in", ("early chanter",)),
        Planted("one chanter 450 ms after the cut-off", ("straggler",)),
        Planted("three pipers' drones left sounding for 3 s", ("drones after",)),
    )


def _places(timeline: Timeline) -> _Places:
    """Return bars in the middle of each tune: a surge in the first, a loose place in the second, a gap in the third."""

    def bar(tune: int, part: int, number: int) -> int:
        bars = timeline.bars
        here = (bars["tune"] == tune) & (bars["part"] == part) & (bars["number"] == number)
        return int(here.nonzero()[0][-1])  # the last time through

    return _Places(
        surge=(bar(0, 2, 4), bar(0, 2, 7)), loose=(bar(1, 2, 5), bar(1, 2, 6)), left_out=(bar(2, 3, 3), bar(2, 3, 4))
    )


def demo_band() -> Band:
    """Return the demo's six pipers, fairly well together, with their drums, in a hall of some size."""
    from graith.sound.model import Band, Drones, Drums, Players, Room

    return Band(
        players=Players(N_PLAYERS, 9.0, 2.0, 1.5, 0.5, SEED),
        low_a_hz=LOW_A_HZ,
        drones=Drones(tenor_cents=(-0.6, 0.6)),
        drums=Drums(bass_drum=True, level_db=-3.0, seed=SEED),
        room=Room(decay_s=0.7, level_db=-10.0, seed=SEED),
    )


def recorded(played: Performance, *, rate_hz: int = 44_100) -> Iterator[Singles]:
    """Yield what a phone in the room would have: tuning and talk, the set, a while after it, and its own noise."""
    import numpy as np

    from graith.sound.faults import tuning_up
    from graith.sound.render import sound_blocks

    draws = np.random.default_rng(SEED)
    before = np.concatenate(list(sound_blocks(tuning_up(played, TUNING_S, seed=SEED), rate_hz=rate_hz)))
    music = np.concatenate(list(sound_blocks(played, rate_hz=rate_hz)))
    gain = np.float32(_PEAK / max(float(np.abs(music).max()), float(np.abs(before).max())))
    noise = np.float32(float(np.sqrt(np.mean(music**2))) * 10.0 ** (_NOISE_DB / 20.0))
    quiet = (np.zeros(round(length_s * rate_hz), dtype=np.float32) for length_s in (TALKING_S, AFTER_S))
    talking, after = quiet
    for piece in (before, talking, music, after):
        for first in range(0, piece.size, rate_hz):
            block = piece[first : first + rate_hz]
            yield gain * (block + noise * draws.standard_normal(block.size, dtype=np.float32))


def listen_in_demo(planned: PlannedSet, out: Path, say: Callable[[str], object]) -> tuple[tuple[Planted, bool], ...]:
    """Record the rehearsal, listen to it, write what was heard, and say it; return which faults were found.

    Raises
    ------
    FileError
        If a file cannot be written.
    """
    from functools import partial

    from graith.cli.listen_answers import listening_json, write_json, write_listening_pages
    from graith.files.audio import write_audio
    from graith.files.read_sound import working_blocks
    from graith.services.listen_to_recording import listen_to_set
    from graith.services.take_recording import taken
    from graith.timeline.make_timeline import timeline_of

    played, planted = rehearsal(timeline_of(planned))
    path = out / "rehearsal.m4a"
    write_audio(path, recorded(played), 44_100, title=f"{planned.name}, with faults put in")
    listening = listen_to_set(taken(partial(working_blocks, path)), planned, n_players=N_PLAYERS)
    write_json(listening_json(listening), out / "rehearsal.json")
    write_listening_pages(listening, out / "rehearsal.pdf")
    return _told(listening, planted, say)


def _told(
    listening: Listening, planted: tuple[Planted, ...], say: Callable[[str], object]
) -> tuple[tuple[Planted, bool], ...]:
    findings = listening.heard.findings
    results = []
    for fault in planted:
        telling = next((one for one in findings if fault.is_told_by(one)), None)
        say(f"Put in: {fault.says}.")
        say(f"  Heard: {telling.says}" if telling is not None else "  Not found.")
        results.append((fault, telling is not None))
    others = [one for one in findings if not any(fault.is_told_by(one) for fault in planted)]
    if others:
        say("What else was found:")
        for one in others:
            say(f"  {one.says}")
    return tuple(results)
