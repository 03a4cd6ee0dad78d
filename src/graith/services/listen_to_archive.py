"""Listen to one recording of an archive: which music it was asked for, what came of it, and when that still holds."""

from __future__ import annotations

import hashlib
import math
import statistics
from collections.abc import Iterable
from dataclasses import dataclass, fields
from typing import Any

import numpy as np

from graith.errors import GraithError
from graith.listen.model import Recording
from graith.services.listen_to_recording import Listener, listen_to_set
from graith.services.take_recording import Taken, in_memory, overview_taken
from graith.services.which_was_played import Ranker, which_was_played
from graith.sets.model import PlannedSet
from graith.timeline.make_timeline import timeline_of
from graith.timeline.model import Timeline

Json = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Music:
    """One set or tune that may have been played.

    Attributes
    ----------
    name : str
        What to call it in answers.
    planned : PlannedSet
    key : str
        Of :func:`music_key`: equal for equal music.
    """

    name: str
    planned: PlannedSet
    key: str


@dataclass(frozen=True, slots=True)
class HowToHear:
    """What is known of a recording, and what its notes are held against.

    Attributes
    ----------
    scale : str
        Name of a scale that :func:`graith.sound.scale.scale_named` knows.
    low_a_hz : float or None
    n_players : int or None
    """

    scale: str = "harmonic"
    low_a_hz: float | None = None
    n_players: int | None = None


@dataclass(frozen=True, slots=True)
class Asked:
    """What is asked of one recording.

    Attributes
    ----------
    recording : str
        Its name in the archive, folders and all, with ``/`` between them.
    music : tuple of Music
        The one that was played; several when that is to be found out.
    is_told : bool
        Whether the music was told; else it is looked for among ``music``, even if there is but one.
    how : HowToHear
    """

    recording: str
    music: tuple[Music, ...]
    is_told: bool
    how: HowToHear = HowToHear()


def music_of(name: str, planned: PlannedSet) -> Music:
    """Return a set with its name and key.

    Raises
    ------
    TimelineError
        If it cannot be laid on a clock.
    """
    return Music(name, planned, music_key(timeline_of(planned)))


def music_key(timeline: Timeline) -> str:
    """Return the hash of all that listening reads of a set: the same for the same music, whatever its file is called.

    Returns
    -------
    str
        SHA-256 (FIPS 180-4) as 64 hexadecimal digits.
    """
    digest = hashlib.sha256()
    for field in fields(timeline):
        value = getattr(timeline, field.name)
        if isinstance(value, np.ndarray):
            digest.update(f"{field.name} {value.dtype.descr} {value.shape}".encode())
            digest.update(np.ascontiguousarray(value).tobytes())
        else:
            digest.update(f"{field.name} {value!r}".encode())
    return digest.hexdigest()


def result_key(asked: Asked, sound_sha256: str, version: str) -> str:
    """Return the hash of everything on which a recording's result depends.

    Parameters
    ----------
    asked : Asked
    sound_sha256 : str
        Of the recording's bytes.
    version : str
        Of the program.
    """
    named = [(one.name, one.key) for one in asked.music]
    parts = (asked.recording, sound_sha256, asked.is_told, named, asked.how, version)
    return hashlib.sha256(repr(parts).encode("utf-8", "backslashreplace")).hexdigest()


def answer_of(
    recording: Recording | Taken, asked: Asked, *, listener: Listener | None = None, ranker: Ranker | None = None
) -> Json:
    """Return what was heard in one recording, as plain data.

    Returns
    -------
    dict
        ``music`` (its name, or None when none of those asked for is heard), ``trusted``, ``reason`` (one sentence, or
        None) and ``listening`` (of :func:`graith.listen.as_json.as_json`, or None).

    Raises
    ------
    GraithError
        If the recording or the music cannot be listened to.
    """
    from graith.listen.as_json import as_json
    from graith.sound.scale import scale_named

    whole = in_memory(recording) if isinstance(recording, Recording) else recording
    music, reason = (asked.music[0], None) if asked.is_told else _found(whole, asked, ranker)
    if music is None:
        return refusal(reason or f"{whole.facts.label}: nobody told what was played.")
    listening = listen_to_set(
        whole,
        music.planned,
        scale=scale_named(asked.how.scale),
        low_a_hz=asked.how.low_a_hz,
        n_players=asked.how.n_players,
        listener=listener,
    )
    heard = listening.heard
    told = as_json(heard, listening.timeline)
    return {"music": music.name, "trusted": heard.trusted, "reason": heard.reason, "listening": told}


def refusal(reason: str) -> Json:
    """Return the answer about a recording that cannot be listened to, with its one sentence."""
    return {"music": None, "trusted": False, "reason": reason, "listening": None}


def one_sentence(error: GraithError, path: str, name: str) -> str:
    """Return an error's message on one line, in which the recording goes by its name wherever it was read."""
    return " ".join(str(error).replace(path, name).split())


def _found(whole: Taken, asked: Asked, ranker: Ranker | None) -> tuple[Music | None, str]:
    timelines = {one.name: timeline_of(one.planned) for one in asked.music}
    overview = overview_taken(whole)
    which = which_was_played(whole.facts, overview, timelines, low_a_hz=asked.how.low_a_hz, ranker=ranker)
    return next((one for one in asked.music if one.name == which.name), None), which.says


SUMMARY_COLUMNS = (
    "recording", "trusted", "music", "reason", "length_s", "low_a_hz", "bass_hz", "tenor_hz", "start_s", "stop_s",
    "bars_heard", "tempo_percent", "togetherness_ms", "low_g_cents", "low_a_cents", "b_cents", "c_cents", "d_cents",
    "e_cents", "f_cents", "high_g_cents", "high_a_cents", "n_findings", "heaviest_finding",
)  # fmt: skip
"""One row a recording. ``tempo_percent`` is played against planned, positive when fast; ``togetherness_ms`` the median
over its bars; cents are from the scale on the drones, positive when sharp."""


def summary_row(result: Json) -> Json:
    """Return the row of ``SUMMARY_COLUMNS`` for one result; None where it has nothing to say."""
    row: Json = dict.fromkeys(SUMMARY_COLUMNS)
    row.update({name: result[name] for name in ("recording", "trusted", "music", "reason")})
    heard = result["listening"]
    if heard is None:
        return row
    findings = heard["findings"]
    row |= {
        "length_s": heard["recording"]["length_s"],
        "low_a_hz": heard["low_a_hz"],
        "bass_hz": heard["drones"]["bass_hz"],
        "tenor_hz": heard["drones"]["tenor_mean_hz"],
        "start_s": heard["start_s"],
        "stop_s": heard["stop_s"],
        "bars_heard": len(heard["tempo"]),
        "tempo_percent": _tempo_percent(heard["tempo"]),
        "togetherness_ms": _median(bar["spread_ms"] for bar in heard["togetherness"]),
        "n_findings": len(findings) + heard["n_more_findings"],
        "heaviest_finding": findings[0]["says"] if findings else None,
    }
    row |= {f"{note.lower().replace(' ', '_')}_cents": cents for note, cents in heard["scale_cents"].items()}
    return row


def _tempo_percent(bars: list[Json]) -> float | None:
    """Return how much faster than planned the bars were played: their planned time over the time they took."""
    if not bars:
        return None
    played, planned = (math.fsum(1.0 / bar[name] for bar in bars) for name in ("bpm", "planned_bpm"))
    return 100.0 * (planned / played - 1.0)


def _median(values: Iterable[float]) -> float | None:
    listed = list(values)
    return statistics.median(listed) if listed else None
