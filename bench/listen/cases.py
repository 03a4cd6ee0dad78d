"""The recordings that listening is measured on: what is played, by whom, where, and what goes wrong.

A :class:`Case` holds everything its sound follows from; the same case gives the same sound. Two sources make it: our
own synthesis (``"own"``), and instruments that this project did not make, the reeds of a General MIDI sound font.
"""

from __future__ import annotations

import hashlib
from dataclasses import asdict, dataclass, replace

PROGRAMS = {"bag pipe": 109, "shanai": 111, "oboe": 68, "accordion": 21}
"""Chanters by General MIDI program, counted from 0."""

DRONE_PROGRAMS = {"reed organ": 20, "bassoon": 70, "clarinet": 71, "bag pipe": 109}

OWN_VERSION, SAMPLED_VERSION = 3, 4
"""Part of each case's hash: raise one when the same case of that source would sound different."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One recording.

    Attributes
    ----------
    name, group : str
    music : str
        ``"book:index"`` of a demo tune, or ``"set:name"`` of a demo set.
    parts : tuple of int or None
        Parts of the tune to play, from 1.
    tempo_bpm : float or None
        The plan's; None is the tune's own.
    seed : int
    source : str
        ``"own"``, or a key of ``PROGRAMS``.
    players : int
    onset_spread_ms, pitch_spread_cents : float
        Standard deviations over the players.
    scale_cents : float
        Standard deviation of the band's nine notes about the harmonic scale.
    low_a_hz : float
    tempo_wander : float
        Standard deviation of the tempo about the plan's, as a share.
    tempo_off : float
        How much faster than planned the whole is played, as a share.
    surges : int
        Passages of about two bars played 4 to 6 % faster.
    grace_ms : float
        How long a gracenote sounds; players differ by an eighth.
    wander_cents : float
        Slow wander of each player's pitch.
    drums : str
        ``"none"``, ``"pulse"`` (a tap a beat) or ``"busy"`` (quick strokes between them).
    bass_drum : bool
    drums_db : float
        Level of the drums.
    room : str
        ``"dry"``, ``"small"``, ``"hall"``, ``"hard"`` or ``"open"``.
    noise_db : float or None
        The music's level over the noise's.
    coding : str
        ``"wav"``, ``"flac"``, ``"mp3"``, ``"m4a"``, ``"ogg"``, ``"opus"`` or ``"webm"``.
    kbits : int
    rate_hz : int
    before, after : tuple of str
        What is heard there: ``"silence"``, ``"talk"``, ``"tuning"``, about 3, 5 and 8 s each.
    opening : bool
        Whether rolls, drones and a strike-in note come before the tune.
    false_start_bars : int
        So many bars are played, all stop, and the set begins again.
    skipped, repeated : tuple of (int, int)
        First and last played bar, from 0, left out or played once more.
    early_ms, straggler_ms : float
        By how much one player comes in before the others, or stops after them; 0 for none.
    loose_bars : int
        So many bars in which the players are ``loose_ms`` apart.
    loose_ms : float
    drones : bool
    tenor_cents, bass_cents : tuple of float
    drone_spread_cents, drone_db : float
    drone_program : str
        For sampled instruments.
    missed, crushed : float
        Share of figures whose gracenotes are left out, or squeezed to 14 ms each.
    only_bars : tuple of (int, int) or None
        The recording holds no more than these played bars.
    """

    name: str
    group: str = ""
    music: str = "marches:1"
    parts: tuple[int, ...] | None = None
    tempo_bpm: float | None = None
    seed: int = 1
    source: str = "own"
    players: int = 1
    onset_spread_ms: float = 0.0
    pitch_spread_cents: float = 0.0
    scale_cents: float = 4.0
    low_a_hz: float = 480.0
    tempo_wander: float = 0.012
    tempo_off: float = 0.0
    surges: int = 1
    grace_ms: float = 45.0
    wander_cents: float = 0.0
    drums: str = "none"
    bass_drum: bool = False
    drums_db: float = -4.0
    room: str = "dry"
    noise_db: float | None = None
    coding: str = "wav"
    kbits: int = 96
    rate_hz: int = 44_100
    before: tuple[str, ...] = ("silence",)
    after: tuple[str, ...] = ("silence",)
    opening: bool = True
    false_start_bars: int = 0
    skipped: tuple[tuple[int, int], ...] = ()
    repeated: tuple[tuple[int, int], ...] = ()
    early_ms: float = 0.0
    straggler_ms: float = 0.0
    loose_bars: int = 0
    loose_ms: float = 30.0
    drones: bool = True
    tenor_cents: tuple[float, ...] = (-0.9, 0.9)
    bass_cents: tuple[float, ...] = (0.0,)
    drone_spread_cents: float = 0.0
    drone_db: float = -9.0
    drone_program: str = "reed organ"
    missed: float = 0.0
    crushed: float = 0.0
    only_bars: tuple[int, int] | None = None

    def key(self) -> str:
        """Return a hash of everything the sound follows from; the group does not count."""
        plain = {**asdict(self), "group": "", "version": OWN_VERSION if self.source == "own" else SAMPLED_VERSION}
        return hashlib.sha256(repr(sorted(plain.items())).encode()).hexdigest()[:16]

    def named(self, name: str, **changes: object) -> Case:
        """Return this case with another name and other values."""
        return replace(self, name=name, **changes)  # type: ignore[arg-type]


def _varied(base: Case, index: int, tune: str, source: str) -> Case:
    """Return a case with its own pitch, tempo, drones, room and grace length, all following from its number."""
    return replace(
        base,
        name=f"{base.group}-{source.replace(' ', '')}-{index}",
        music=tune,
        parts=(1, 2) if tune in ("marches:1", "marches:2", "marches:8", "marches:9") else None,
        source=source,
        seed=100 + index,
        low_a_hz=(476.0, 480.0, 482.5, 479.0, 484.0, 478.0)[index % 6],
        tempo_off=(0.0, 0.03, -0.04, 0.06, -0.02)[index % 5],
        grace_ms=(45.0, 38.0, 52.0, 60.0)[index % 4],
        tenor_cents=((-0.9, 0.9), (-2.0, 0.5), (0.0, 3.0), (-0.3, 0.3))[index % 4],
        bass_cents=((0.0,), (1.5,), (-1.0,))[index % 3],
        drone_db=(-9.0, -6.0, -12.0)[index % 3],
        opening=index % 4 != 3,
    )


_TUNES = (
    "marches:1", "jigs:2", "strathspeys:1", "reels:4", "marches:4", "hornpipes:1", "marches:12", "reels:3", "airs:1",
    "marches:10", "strathspeys:3", "marches:8", "jigs:1", "marches:6",
)  # fmt: skip


def _list(base: Case, sources: str, tunes: tuple[str, ...] = _TUNES, first: int = 0) -> list[Case]:
    """Return one case for each letter: o own, p bag pipe, s shanai, b oboe, a accordion."""
    named = {"o": "own", "p": "bag pipe", "s": "shanai", "b": "oboe", "a": "accordion"}
    return [
        _varied(base, first + index, tunes[(first + index) % len(tunes)], named[letter])
        for index, letter in enumerate(sources)
    ]


_CLEAN = Case(name="", group="clean", onset_spread_ms=6.0, tempo_wander=0.015)
_SOLO = replace(
    _CLEAN, group="solo", room="small", noise_db=25.0, coding="m4a", kbits=96, drums="pulse", wander_cents=1.5
)
_SIX = replace(
    _SOLO, group="six", players=6, onset_spread_ms=14.0, pitch_spread_cents=5.0, drone_spread_cents=1.0, drums="busy",
    bass_drum=True, room="hard",
)  # fmt: skip
_HARD = replace(
    _SIX, group="hard", players=15, onset_spread_ms=22.0, pitch_spread_cents=8.0, noise_db=15.0, coding="mp3", kbits=64,
    room="hall", drums_db=0.0, drone_spread_cents=2.0,
)  # fmt: skip


def _with_rooms(cases: list[Case]) -> list[Case]:
    rooms, codings = ("hard", "hall", "small", "open"), ("m4a", "mp3", "ogg", "m4a", "webm")
    return [
        replace(
            case,
            room=rooms[index % 4],
            coding=codings[index % 5],
            rate_hz=48_000 if codings[index % 5] == "webm" else 44_100,
            before=(("talk", "silence"), ("silence",), ("tuning", "talk"))[index % 3],
            after=(("silence",), ("talk",))[index % 2],
        )
        for index, case in enumerate(cases)
    ]


def _clean() -> list[Case]:
    cases = _list(_CLEAN, "opsoapsb")
    return [replace(case, drones=index not in (2, 5)) for index, case in enumerate(cases)]


def _edits() -> list[Case]:
    six = _with_rooms(_list(replace(_SIX, group="edits"), "opsopsop", first=1))
    lead = replace(_SOLO, group="edits")
    alone = _with_rooms(_list(lead, "spo", first=9))
    changes: list[dict[str, object]] = [
        {"skipped": ((9, 9),)},
        {"repeated": ((9, 12),)},
        {"skipped": ((11, 13),)},
        {"false_start_bars": 5},
        {"repeated": ((12, 12),), "skipped": ((22, 23),)},
        {"only_bars": (9, 26)},
        {"skipped": ((4, 4), (20, 20))},
        {"false_start_bars": 9, "repeated": ((8, 15),)},
        {"skipped": ((10, 11),)},
        {"repeated": ((5, 5),)},
        {"skipped": ((17, 24),), "false_start_bars": 3},
    ]
    return [replace(case, **change) for case, change in zip(six + alone, changes, strict=True)]  # type: ignore[arg-type]


def _edges() -> list[Case]:
    tunes = ("marches:4", "reels:5", "strathspeys:4")
    cases = _with_rooms(_list(replace(_SIX, group="edges"), "opsopsop", tunes=tunes))
    lone = ((130, 0), (200, 150), (0, 250), (400, 0), (0, 600), (0, 130), (160, 300), (1200, 0))
    return [
        replace(case, early_ms=float(early), straggler_ms=float(late), opening=True)
        for case, (early, late) in zip(cases, lone, strict=True)
    ]


def _loose() -> list[Case]:
    base = replace(_SIX, group="loose", onset_spread_ms=9.0, loose_bars=6)
    cases = _with_rooms(_list(base, "opspos", first=3))
    return [replace(case, loose_ms=(26.0, 34.0, 45.0)[index % 3]) for index, case in enumerate(cases)]


def _figures() -> list[Case]:
    base = replace(_CLEAN, group="figures", missed=0.08, crushed=0.06, noise_db=35.0)
    cases = _list(base, "opsops", tunes=("marches:1", "strathspeys:1", "marches:8"))
    return [replace(case, drones=index >= 3) for index, case in enumerate(cases)]


def _sets() -> list[Case]:
    base = replace(_SIX, group="sets")
    medley = replace(base, name="set-own-medley", music="set:medley", seed=301)
    march = replace(
        base, name="set-shanai-msr", music="set:march-strathspey-reel", source="shanai", players=4, seed=302
    )
    return [medley, march]


GROUPS: dict[str, list[Case]] = {
    "clean": _clean(),
    "solo": _with_rooms(_list(_SOLO, "opsaopsbps")),
    "six": _with_rooms(_list(_SIX, "opsopsabps", first=2)),
    "hard": _list(_HARD, "ospsap"),
    "edits": _edits(),
    "edges": _edges(),
    "loose": _loose(),
    "figures": _figures(),
    "sets": _sets(),
}
"""All cases. "moderate" is solo, six, edits, edges and loose together."""

MODERATE = ("solo", "six", "edits", "edges", "loose", "sets")


def cases_of(name: str) -> list[Case]:
    """Return the cases of a group, of ``"moderate"``, of ``"all"``, or the one of that name."""
    if name == "all":
        return [case for cases in GROUPS.values() for case in cases]
    if name == "moderate":
        return [case for group in MODERATE for case in GROUPS[group]]
    if name in GROUPS:
        return GROUPS[name]
    found = [case for cases in GROUPS.values() for case in cases if case.name == name]
    if not found:
        raise SystemExit(f"There are no cases {name!r}. Groups: {', '.join((*GROUPS, 'moderate', 'all'))}.")
    return found
