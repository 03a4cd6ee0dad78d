"""Read a set file: TOML in, a :class:`~graith.sets.model.Set` out, every problem with its line.

The file's keys are described in ``docs/sets.md``; the same shape as JSON Schema comes from
:mod:`graith.sets.set_schema`.
"""

from __future__ import annotations

from fractions import Fraction

from graith.errors import Problem, SetError
from graith.music.model import ChanterNote
from graith.rules.toml_table import TomlTable, raise_first
from graith.rules.toml_text import located_toml
from graith.sets.model import Ending, Link, Opening, Set, SetTune

SLOWEST_BPM = 20.0
FASTEST_BPM = 300.0
MOST_BEATS = 64
MOST_PARTS = 99
MOST_TUNE_NUMBER = 999_999_999

SET_KEYS = ("name", "rulebook", "grade", "event", "notes", "tunes", "links", "opening", "ending")
TUNE_KEYS = ("file", "index", "parts", "repeats", "tempo_bpm", "tempo_ramp_bpm")
LINK_KEYS = ("after", "hold_beats", "ease_beats", "ease_to_bpm")
OPENING_KEYS = ("roll_beats", "drones_in_beat", "strike_in_beat", "strike_in_note", "tempo_bpm")
ENDING_KEYS = ("hold_beats", "slow_beats", "slow_to_bpm")

_STRIKE_IN_NOTES = {note.label: note for note in ChanterNote}


def read_set(text: str, source: str) -> Set:
    r"""Return the set that a set file describes.

    Parameters
    ----------
    text : str
        The file's text, TOML.
    source : str
        Label of its origin for messages, usually the file's name; it is not opened.

    Returns
    -------
    Set
        With one link fewer than tunes; a link that the file does not mention is a plain one.

    Raises
    ------
    SetError
        If the text is no TOML or no set. The message is the first problem; ``problems`` holds all of them,
        in the order of the text.

    Examples
    --------
    >>> opener = read_set('name = "Opener"\n[[tunes]]\nfile = "marches.abc"\nindex = 3', "opener.toml")
    >>> opener.tunes[0].index
    3
    """
    toml = located_toml(text, source, SetError)
    problems: list[Problem] = []
    table = TomlTable(toml, problems, "a set file")
    table.refuse_unknown(SET_KEYS)
    name = table.text("name", required=True)
    tunes = tuple(_set_tune(tune) for tune in table.tables("tunes", "tune"))
    if not tunes:
        _refuse_empty(table)
    found = Set(
        name=name,
        tunes=tunes,
        links=_links(table.tables("links", "link"), len(tunes)),
        rulebook=table.text("rulebook"),
        grade=table.text("grade"),
        event=table.text("event"),
        opening=_opening(table.table("opening", "the opening")),
        ending=_ending(table.table("ending", "the ending")),
        notes=table.text("notes"),
    )
    raise_first(SetError, problems)
    return found


def _refuse_empty(table: TomlTable) -> None:
    if not any(problem.kind == "wrong kind" for problem in table.problems):
        table.refuse("tunes", "the set has no tunes", "Write a [[tunes]] with file and index for each.", "missing key")


def _set_tune(table: TomlTable) -> SetTune:
    table.refuse_unknown(TUNE_KEYS)
    start_bpm, end_bpm = _tempi(table)
    return SetTune(
        file=table.text("file", required=True),
        index=table.whole("index", least=0, most=MOST_TUNE_NUMBER, required=True) or 0,
        parts=table.wholes("parts", least=1, most=MOST_PARTS),
        repeats=table.truth("repeats", True),
        tempo_bpm=start_bpm,
        tempo_end_bpm=end_bpm,
    )


def _tempi(table: TomlTable) -> tuple[float | None, float | None]:
    steady_bpm = _bpm(table, "tempo_bpm")
    ramp = table.numbers("tempo_ramp_bpm", 2, least=SLOWEST_BPM, most=FASTEST_BPM, unit="beats a minute")
    if "tempo_bpm" in table and "tempo_ramp_bpm" in table:
        says = f"{table.what} has both tempo_bpm and tempo_ramp_bpm"
        table.refuse("tempo_ramp_bpm", says, "Keep one of them.")
    return (ramp[0], ramp[1]) if ramp else (steady_bpm, None)


def _bpm(table: TomlTable, key: str) -> float | None:
    return table.number(key, least=SLOWEST_BPM, most=FASTEST_BPM, unit="beats a minute")


def _links(tables: list[TomlTable], n_tunes: int) -> tuple[Link, ...]:
    by_place: dict[int, Link] = {}
    for table in tables:
        table.refuse_unknown(LINK_KEYS)
        link = _link(table)
        if n_tunes < 2:
            table.refuse("after", f"{table.what} has no two tunes to join", "Take it out, or add a tune.")
            continue
        after = table.whole("after", least=1, most=n_tunes - 1, required=True)
        if after in by_place:
            table.refuse("after", f"{table.what} comes after tune {after}, and so does another", "Keep one of them.")
        elif after is not None:
            by_place[after] = link
    return tuple(by_place.get(after, Link()) for after in range(1, n_tunes))


def _link(table: TomlTable) -> Link:
    ease_beats = table.beats("ease_beats", Fraction(0), most=MOST_BEATS)
    ease_to_bpm = _bpm(table, "ease_to_bpm")
    if "ease_to_bpm" in table and "ease_beats" not in table:
        says = f"{table.what} has ease_to_bpm but no ease_beats"
        table.refuse("ease_to_bpm", says, "Say over how many beats the tempo moves, such as ease_beats = 4.")
    return Link(table.beats("hold_beats", Fraction(0), most=MOST_BEATS), ease_beats, ease_to_bpm)


def _opening(table: TomlTable | None) -> Opening:
    if table is None:
        return Opening()
    table.refuse_unknown(OPENING_KEYS)
    default = Opening()
    roll_beats = table.whole("roll_beats", default.roll_beats, least=0, most=MOST_BEATS)
    roll_beats = default.roll_beats if roll_beats is None else roll_beats
    usual = usual_opening(roll_beats)
    if roll_beats == 0:
        _refuse_beats_without_roll(table)
        drones_in, strike_in = usual.drones_in_beat, usual.strike_in_beat
    else:
        drones_in, strike_in = _opening_beats(table, usual)
    return Opening(
        roll_beats=roll_beats,
        drones_in_beat=drones_in,
        strike_in_beat=strike_in,
        strike_in_note=table.choice("strike_in_note", _STRIKE_IN_NOTES, default.strike_in_note),
        tempo_bpm=_bpm(table, "tempo_bpm"),
    )


def usual_opening(roll_beats: int) -> Opening:
    """Return an opening of so many beats with drones and strike-in where they usually are.

    They stand as far before the tune as in the default opening of eight beats: the drones in four beats before the
    tune, the strike-in note two; never before beat 1. Common practice, no source.

    Parameters
    ----------
    roll_beats : int, >= 0
        0 starts on the tune; both beats are then 1.

    Examples
    --------
    >>> usual_opening(8) == Opening()
    True
    >>> usual_opening(4).drones_in_beat
    1
    """
    default = Opening()
    shorter = default.roll_beats - roll_beats
    return Opening(roll_beats, max(1, default.drones_in_beat - shorter), max(1, default.strike_in_beat - shorter))


def _refuse_beats_without_roll(table: TomlTable) -> None:
    for key in ("drones_in_beat", "strike_in_beat"):
        if key in table:
            says = f"the opening has roll_beats = 0 and {key}, but without a roll there is no such beat"
            table.refuse(key, says, f"Take {key} out, or give the roll its beats.")


def _opening_beats(table: TomlTable, usual: Opening) -> tuple[int, int]:
    last = usual.roll_beats
    strike_in = table.whole("strike_in_beat", usual.strike_in_beat, least=1, most=last) or usual.strike_in_beat
    drones_in = table.whole("drones_in_beat", least=1, most=last) or min(usual.drones_in_beat, strike_in)
    if drones_in > strike_in:
        says = f"the drones come in at beat {drones_in}, after the strike-in note at beat {strike_in}"
        table.refuse("drones_in_beat", says, "Let the drones come in first, or on the same beat.")
    return drones_in, strike_in


def _ending(table: TomlTable | None) -> Ending:
    if table is None:
        return Ending()
    table.refuse_unknown(ENDING_KEYS)
    slow_beats = table.beats("slow_beats", Fraction(0), most=MOST_BEATS)
    slow_to_bpm = _bpm(table, "slow_to_bpm")
    for key, other in (("slow_beats", "slow_to_bpm"), ("slow_to_bpm", "slow_beats")):
        if key in table and other not in table:
            table.refuse(key, f"the ending has {key} but no {other}", "Give both, or neither.")
    return Ending(table.beats("hold_beats", Fraction(0), most=MOST_BEATS), slow_beats, slow_to_bpm)
