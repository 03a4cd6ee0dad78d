"""MusicXML: what we write is valid and read alike by two other programs; what others write we read."""

from __future__ import annotations

import contextlib
import importlib.util
import io
import warnings
import zipfile
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from graith.errors import MusicError, Severity
from graith.music.model import Bar, BarLine, ChanterNote, Metre, Note, Part, Pitch, Tempo, Tune, Tuplet
from graith.music.read_abc import read_book
from graith.music.read_musicxml import read_musicxml, read_musicxml_bytes
from graith.music.write_musicxml import write_musicxml

# music21 and partitura warn about elements they do not use; their warnings are not about our code.
pytestmark = pytest.mark.filterwarnings("ignore")

_HEAD = "X:3\nT:The Trial\nT:Another Name\nC:Our own\nR:march\nM:2/4\nL:1/8\nQ:1/4=80\nS:Nowhere\nN:A note\nK:HP\n"
_TUNE = (
    _HEAD
    + 'A|:{g}A>B {gcd}c<e|{Gdc}d2 {GdGe}A>{d}A|(3{g}ABc "^slow"!accent!e>f|1 {gef}e2 A>A:|2 {gef}e4||\n'
    + "|:(e2 {ag}a2)|[M:3/4]c4- c z|{gAGAG}A6:|\n"
)


def _abc(text: str) -> Tune:
    book = read_book(text, "test.abc")
    assert not [problem for problem in book.problems if problem.severity is Severity.ERROR], book.problems
    return book.tunes[0]


def _read_back(tune: Tune) -> Tune:
    book = read_musicxml(write_musicxml(tune), "test.musicxml")
    assert book.problems == ()
    return book.tunes[0]


def _held(tune: Tune) -> Tune:
    """Return the tune with only what MusicXML holds of it.

    Left out: fields and directives of ABC, ``L:`` in the body, the difference between ``:|`` and ``:|]``, and beams of
    notes too long to be beamed.
    """
    parts = tuple(replace(part, bars=tuple(_held_bar(bar) for bar in part.bars)) for part in tune.parts)
    return replace(tune, parts=parts, fields=(), directives=())


def _held_bar(bar: Bar) -> Bar:
    plain_repeat = bool(bar.repeat_end) and bar.closing is BarLine.END
    quavers = [not note.is_rest and note.written < Fraction(1, 4) for note in bar.notes]
    notes = tuple(
        replace(note, joined=note.joined and index + 1 < len(quavers) and quavers[index] and quavers[index + 1])
        for index, note in enumerate(bar.notes)
    )
    return replace(
        bar,
        notes=notes,
        closing=BarLine.SINGLE if plain_repeat else bar.closing,
        changes=tuple((letter, value) for letter, value in bar.changes if letter in "MK"),
    )


def _music21(text: str):
    import music21

    return music21.converter.parseData(text, format="musicxml").parts[0]


def _music21_facts(part) -> list[tuple[int, Fraction, bool]]:
    """Return (MIDI key, length in crotchets, gracenote?) of each note as music21 reads it."""
    return [
        (note.pitch.midi, Fraction(note.duration.quarterLength).limit_denominator(1000), note.duration.isGrace)
        for note in part.recurse().notes
    ]


def _our_facts(tune: Tune) -> list[tuple[int, Fraction, bool]]:
    facts = []
    for part in tune.parts:
        for bar in part.bars:
            for note in bar.notes:
                facts += [(grace.pitch.midi, Fraction(0), True) for grace in note.graces]
                facts += [(pitch.midi, note.length * 4, False) for pitch in note.pitches]
    return facts


@st.composite
def _tunes(draw) -> Tune:
    """Draw a tune as an ABC text would give it: figures, tuplets, ties, repeats, endings, pick-ups, metre changes."""
    letters = "GABcdefga"
    note = st.builds(
        lambda graces, letter, length, mark: (
            f"{{{graces}}}{letter}{length}{mark}" if graces else f"{letter}{length}{mark}"
        ),
        st.text(letters, max_size=4),
        st.sampled_from(letters),
        st.sampled_from(["", "2", "/2", "3/2", "3", "/4", "4", "7/4"]),
        st.sampled_from(["", "", " ", " ", "- "]),
    )
    triplet = st.builds(
        lambda notes: f"(3{''.join(notes)} ", st.lists(st.sampled_from(letters), min_size=3, max_size=3)
    )
    rest = st.just("z2 ")
    bar = st.lists(st.one_of(note, note, note, triplet, rest), min_size=1, max_size=6).map("".join)
    bars = ["A2 " + text for text in draw(st.lists(bar, min_size=1, max_size=8))]
    lines = st.sampled_from(["|", "|", "|", "||", ":|", "|]", "|1", ":|2", "|\n|:", "|\n", ":|\n"])
    body = "".join(text + draw(lines) for text in bars[:-1]) + bars[-1] + draw(st.sampled_from(["|]", ":|", "|", "||"]))
    key = draw(st.sampled_from(["HP", "Hp", "D", "Amix", "Em", "Bb"]))
    metre = draw(st.sampled_from(["2/4", "6/8", "C", "C|", "none"]))
    tempo = draw(st.sampled_from(["", "Q:3/8=90\n", "Q:1/4=76.5\n"]))
    return read_book(f"X:1\nT:Drawn\nM:{metre}\nL:1/8\n{tempo}K:{key}\n{body}\n", "drawn.abc").tunes[0]


def test_what_is_written_reads_back_as_the_same_tune():
    tune = _abc(_TUNE)
    assert _read_back(tune) == _held(tune)


@given(_tunes())
@settings(deadline=None)
def test_any_tune_written_and_read_is_the_same_tune(tune):
    assert _read_back(tune) == _held(tune)


@given(_tunes())
@settings(deadline=None, max_examples=40)
def test_music21_reads_the_same_pitches_lengths_and_gracenotes(tune):
    assert _music21_facts(_music21(write_musicxml(tune))) == _our_facts(tune)


def test_music21_reads_the_same_repeats_and_endings():
    import music21

    part = _music21(write_musicxml(_abc(_TUNE)))
    repeats = [(bar.offset, bar.direction) for bar in part.recurse().getElementsByClass(music21.bar.Repeat)]
    assert [direction for _, direction in repeats] == ["start", "end", "start", "end"]
    brackets = part.recurse().getElementsByClass(music21.spanner.RepeatBracket)
    assert [bracket.number for bracket in brackets] == ["1", "2"]
    # Crotchets: the pick-up, four bars with the first ending, four with the second, then 2 + 3 + 3 twice.
    assert part.expandRepeats().highestTime == Fraction(1, 2) + 8 + 8 + 2 * 8


def test_music21_puts_slashes_stems_and_no_printed_key_on_pipe_music():
    tune = _abc("X:1\nT:T\nM:2/4\nL:1/8\nK:HP\n{/g}c4|")
    grace, melody = _music21(write_musicxml(tune)).recurse().notes
    assert (grace.stemDirection, melody.stemDirection) == ("up", "down")
    assert grace.duration.slash is True
    assert '<key print-object="no">' in write_musicxml(tune)
    assert '<key print-object="no">' not in write_musicxml(
        replace(tune, key=_abc(_TUNE.replace("K:HP", "K:Hp")).key, parts=_abc(_TUNE.replace("K:HP", "K:Hp")).parts)
    )


@pytest.fixture(scope="module")
def partitura_part(tmp_path_factory):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import partitura

        path = tmp_path_factory.mktemp("musicxml") / "trial.musicxml"
        path.write_text(write_musicxml(_abc(_TUNE)), encoding="utf-8")
        return partitura.load_musicxml(str(path)).parts[0]


def test_partitura_reads_the_same_pitches_lengths_and_gracenotes(partitura_part):
    import partitura

    quarter = int(partitura_part.quarter_duration_map(0))
    found = [
        (note.midi_pitch, Fraction(note.duration, quarter), isinstance(note, partitura.score.GraceNote))
        for note in partitura_part.notes
    ]
    # partitura keeps gracenotes before their note, but orders those of one note by its own rules.
    assert sorted(found) == sorted(_our_facts(_abc(_TUNE)))
    assert [fact for fact in found if not fact[2]] == [fact for fact in _our_facts(_abc(_TUNE)) if not fact[2]]


def test_partitura_reads_the_same_repeats_and_endings(partitura_part):
    import partitura

    quarter = int(partitura_part.quarter_duration_map(0))
    repeats = [
        (Fraction(one.start.t, quarter), Fraction(one.end.t, quarter))
        for one in partitura_part.iter_all(partitura.score.Repeat)
    ]
    half = Fraction(1, 2)
    assert repeats == [(half, half + 8), (half + 10, half + 18)]
    endings = [
        (one.number, Fraction(one.start.t, quarter), Fraction(one.end.t, quarter))
        for one in partitura_part.iter_all(partitura.score.Ending)
    ]
    assert [(str(number), start, end) for number, start, end in endings] == [
        ("1", half + 6, half + 8),
        ("2", half + 8, half + 10),
    ]


@pytest.fixture(scope="module")
def musicxml_schema():
    import xmlschema

    # The W3C schema of MusicXML 3.1, as it ships in the partitura package; nothing is fetched.
    package = importlib.util.find_spec("partitura")
    assert package is not None
    assert package.origin is not None
    return xmlschema.XMLSchema(str(Path(package.origin).parent / "assets" / "musicxml.xsd"), allow="local")


def test_what_is_written_is_valid_musicxml(musicxml_schema):
    tune = _abc(_TUNE + "P:B\n!segno!!fermata!!roll!A2 [ce]2|x2 .A2|\n")
    assert list(musicxml_schema.iter_errors(io.StringIO(write_musicxml(tune)))) == []


@given(_tunes())
@settings(deadline=None, max_examples=15)
def test_any_tune_written_is_valid_musicxml(musicxml_schema, tune):
    assert list(musicxml_schema.iter_errors(io.StringIO(write_musicxml(tune)))) == []


def test_text_that_xml_cannot_hold_is_left_out():
    tune = replace(_abc(_TUNE), titles=("Bell \x07 & <ring>",))
    assert _read_back(tune).titles == ("Bell  & <ring>",)


def test_a_length_of_five_quavers_is_two_tied_notes():
    bar = _read_back(_abc("X:1\nT:T\nM:none\nL:1/8\nK:HP\nc5|")).parts[0].bars[0]
    assert [(note.written, note.tied) for note in bar.notes] == [(Fraction(1, 2), True), (Fraction(1, 8), False)]


def test_a_figure_asked_for_by_name_keeps_its_name():
    tune = _abc(_TUNE)
    first = tune.parts[0].bars[1]
    named = replace(first, notes=(replace(first.notes[0], figure="g-gracenote"), *first.notes[1:]))
    part = replace(tune.parts[0], bars=(tune.parts[0].bars[0], named, *tune.parts[0].bars[2:]))
    assert _read_back(replace(tune, parts=(part, *tune.parts[1:]))).parts[0].bars[1].notes[0].figure == "g-gracenote"


# -- what other programs write ---------------------------------------------------------------------------------


def _music21_export() -> str:
    """A jig's part as music21 writes it: pick-up, gracenotes, triplet, tie, repeat, two endings, a change of metre."""
    import music21 as m21

    def note(name: str, length: float, *, grace: bool = False):
        made = m21.note.Note(name, quarterLength=length)
        return made.getGrace() if grace else made

    part = m21.stream.Part()
    pickup = m21.stream.Measure(number=0)
    pickup.append([m21.tempo.MetronomeMark(number=110, referent=m21.duration.Duration(1.5)), m21.key.KeySignature(2)])
    pickup.append(m21.meter.TimeSignature("6/8"))
    pickup.append(note("A4", 0.5))
    pickup.padAsAnacrusis()
    first = m21.stream.Measure(number=1)
    first.leftBarline = m21.bar.Repeat(direction="start")
    first.append([note("G5", 0.25, grace=True), note("C#5", 1.5)])
    for name in ("D5", "E5", "F#5"):
        first.append(note(name, 0.5))
    second = m21.stream.Measure(number=2)
    for name in ("A4", "B4", "C#5"):
        eighth = note(name, 0.5)
        eighth.duration.appendTuplet(m21.duration.Tuplet(3, 2, "eighth"))
        second.append(eighth)
    tied = note("E5", 2.0)
    tied.tie = m21.tie.Tie("start")
    second.append(tied)
    third = m21.stream.Measure(number=3)
    third.append([note("E5", 3.0)])
    third.notes[0].tie = m21.tie.Tie("stop")
    third.rightBarline = m21.bar.Repeat(direction="end")
    fourth = m21.stream.Measure(number=4)
    fourth.append(note("A4", 3.0))
    fourth.rightBarline = m21.bar.Barline("light-light")
    fifth = m21.stream.Measure(number=5)
    fifth.append([m21.meter.TimeSignature("9/8"), note("A5", 4.5)])
    part.append([pickup, first, second, third, fourth, fifth])
    part.insert(0, m21.spanner.RepeatBracket([third], number=1))
    part.insert(0, m21.spanner.RepeatBracket([fourth], number=2))
    score = m21.stream.Score([part])
    score.metadata = m21.metadata.Metadata(title="From elsewhere", composer="Trad.")
    return m21.musicxml.m21ToXml.GeneralObjectExporter(score).parse().decode("utf-8")


def test_a_score_written_by_music21_is_read():
    book = read_musicxml(_music21_export(), "elsewhere.musicxml")
    tune = book.tunes[0]
    assert book.problems == ()
    assert (tune.title, tune.composers, tune.metre, tune.tempo) == (
        "From elsewhere", ("Trad.",), Metre(6, 8), Tempo(110.0, Fraction(3, 8)),
    )  # fmt: skip
    bars = [bar for part in tune.parts for bar in part.bars]
    assert [bar.number for bar in bars] == [0, 1, 2, 3, 4, 1]
    assert [(bar.repeat_start, bar.repeat_end, bar.ending) for bar in bars] == [
        (False, 0, ()), (True, 0, ()), (False, 0, ()), (False, 1, (1,)), (False, 0, (2,)), (False, 0, ()),
    ]  # fmt: skip
    assert [bar.length for bar in bars] == [Fraction(1, 8), *[Fraction(3, 4)] * 4, Fraction(9, 8)]
    assert [grace.pitch for grace in bars[1].notes[0].graces] == [ChanterNote.HIGH_G.pitch]
    assert [note.tuplet for note in bars[2].notes[:3]] == [Tuplet(3, 2, 3, index) for index in range(3)]
    assert bars[2].notes[3].tied
    assert bars[5].changes == (("M", "9/8"),)
    assert bars[4].closing is BarLine.DOUBLE


def _score(measures: str, head: str = "", before: str = "") -> str:
    return (
        f'<?xml version="1.0"?>{before}<score-partwise version="3.1">{head}<part-list><score-part id="P1">'
        f'<part-name>M</part-name></score-part></part-list><part id="P1">{measures}</part></score-partwise>'
    )


def _note(step: str, duration: int, extra: str = "", octave: int = 4) -> str:
    pitch = f"<pitch><step>{step}</step><octave>{octave}</octave></pitch>"
    return f"<note>{pitch}<duration>{duration}</duration>{extra}</note>"


def _in_tuplet(kind: str, actual: int, normal: int) -> str:
    counts = f"<actual-notes>{actual}</actual-notes><normal-notes>{normal}</normal-notes>"
    return f"<type>{kind}</type><time-modification>{counts}</time-modification>"


_ATTRIBUTES = "<attributes><divisions>2</divisions><time><beats>2</beats><beat-type>4</beat-type></time></attributes>"


def test_lengths_without_a_note_type_come_from_the_duration():
    tune = read_musicxml(_score(f"<measure>{_ATTRIBUTES}{_note('A', 3)}{_note('B', 1)}</measure>")).tunes[0]
    assert [note.written for note in tune.parts[0].bars[0].notes] == [Fraction(3, 8), Fraction(1, 8)]


def test_a_gap_in_the_first_voice_is_an_unseen_rest():
    gap = f"<measure>{_ATTRIBUTES}<forward><duration>2</duration></forward>{_note('A', 2)}</measure>"
    rest, note = read_musicxml(_score(gap)).tunes[0].parts[0].bars[0].notes
    assert (rest.is_rest, rest.invisible, rest.written, note.written) == (True, True, Fraction(1, 4), Fraction(1, 4))


def test_a_second_voice_is_left_out_and_told():
    voices = (
        f"<measure>{_ATTRIBUTES}{_note('A', 4, '<voice>1</voice>')}<backup><duration>4</duration></backup>"
        f"{_note('C', 4, '<voice>2</voice>')}</measure>"
    )
    book = read_musicxml(_score(voices))
    assert [str(note.pitch) for note in book.tunes[0].parts[0].bars[0].notes] == ["A4"]
    assert [(problem.kind, problem.severity) for problem in book.problems] == [("voice", Severity.WARNING)]


def test_of_several_parts_the_first_with_notes_is_read():
    drums = '<part id="P0"><measure><note><unpitched/><duration>4</duration></note></measure></part>'
    score = _score(f"<measure>{_ATTRIBUTES}{_note('A', 4)}</measure>").replace(
        '<part id="P1">', drums + '<part id="P1">'
    )
    book = read_musicxml(score, "band.musicxml")
    assert str(book.tunes[0].parts[0].bars[0].notes[0].pitch) == "A4"
    assert "the score has 2 parts; only the first with notes is read" in str(book.problems[0])


def test_tuplets_without_brackets_end_when_they_are_full():
    change = _in_tuplet("eighth", 3, 2)
    notes = "".join(_note("A", 2, change) for _ in range(6))
    attributes = _ATTRIBUTES.replace("<divisions>2<", "<divisions>6<")
    bar = read_musicxml(_score(f"<measure>{attributes}{notes}</measure>")).tunes[0].parts[0].bars[0]
    assert [note.tuplet.index for note in bar.notes] == [0, 1, 2, 0, 1, 2]
    assert bar.length == Fraction(1, 2)


def test_a_rounded_duration_gives_way_to_the_note_type():
    # Seven in the time of four semiquavers at 8 divisions: 8/7 of a division each, rounded to 1.
    change = _in_tuplet("16th", 7, 4)
    attributes = _ATTRIBUTES.replace("<divisions>2<", "<divisions>8<")
    notes = "".join(_note("A", 1, change) for _ in range(7))
    bar = read_musicxml(_score(f"<measure>{attributes}{notes}</measure>")).tunes[0].parts[0].bars[0]
    assert bar.length == Fraction(1, 4)


def test_a_repeat_sign_within_a_measure_splits_it():
    middle = '<barline location="middle"><bar-style>light-heavy</bar-style><repeat direction="backward"/></barline>'
    measures = (
        f"<measure>{_ATTRIBUTES}{_note('A', 4)}</measure><measure>{_note('B', 2)}{middle}{_note('C', 2)}</measure>"
    )
    parts = read_musicxml(_score(measures)).tunes[0].parts
    crotchet = Fraction(1, 4)
    assert [[(bar.number, bar.repeat_end, bar.length) for bar in part.bars] for part in parts] == [
        [(1, 0, 2 * crotchet), (2, 1, crotchet), (0, 0, crotchet)]
    ]


def test_gracenotes_at_the_end_of_a_bar_lead_into_the_next():
    grace = "<note><grace/><pitch><step>G</step><octave>5</octave></pitch><type>16th</type></note>"
    measures = f"<measure>{_ATTRIBUTES}{_note('A', 4)}{grace}</measure><measure>{_note('B', 4)}</measure>"
    first, second = read_musicxml(_score(measures)).tunes[0].parts[0].bars
    assert first.notes[0].graces == ()
    assert [(grace.pitch, grace.length) for grace in second.notes[0].graces] == [(Pitch(39), Fraction(1, 16))]


def test_gracenotes_after_the_last_note_are_told():
    grace = "<note><grace/><pitch><step>G</step><octave>5</octave></pitch></note>"
    book = read_musicxml(_score(f"<measure>{_ATTRIBUTES}{_note('A', 4)}{grace}</measure>"))
    assert [problem.kind for problem in book.problems] == ["gracenotes"]


def test_rehearsal_marks_begin_parts():
    mark = "<direction><direction-type><rehearsal>{}</rehearsal></direction-type></direction>"
    measures = (
        f"<measure>{_ATTRIBUTES}{mark.format('A')}{_note('A', 4)}</measure><measure>{_note('B', 4)}</measure>"
        f"<measure>{mark.format('B')}{_note('C', 4)}</measure>"
    )
    parts = read_musicxml(_score(measures)).tunes[0].parts
    assert [(part.label, len(part.bars)) for part in parts] == [("A", 2), ("B", 1)]


def test_a_timewise_score_reads_like_a_partwise_one():
    timewise = (
        '<score-timewise version="3.1"><part-list><score-part id="P1"><part-name>M</part-name></score-part></part-list>'
        f'<measure number="1"><part id="P1">{_ATTRIBUTES}{_note("A", 4)}</part></measure>'
        f'<measure number="2"><part id="P1">{_note("B", 4)}</part></measure></score-timewise>'
    )
    partwise = _score(f"<measure>{_ATTRIBUTES}{_note('A', 4)}</measure><measure>{_note('B', 4)}</measure>")
    assert read_musicxml(timewise).tunes[0].parts == read_musicxml(partwise).tunes[0].parts


@pytest.mark.parametrize(
    ("key", "text", "alters"),
    [
        ("<fifths>2</fifths><mode>major</mode>", "D", (1, 0, 0, 1, 0, 0, 0)),
        ("<fifths>2</fifths><mode>mixolydian</mode>", "Amix", (1, 0, 0, 1, 0, 0, 0)),
        ("<fifths>-3</fifths><mode>minor</mode>", "Cm", (0, 0, -1, 0, 0, -1, -1)),
        ("<fifths>7</fifths>", "C#", (1, 1, 1, 1, 1, 1, 1)),
        ("<key-step>C</key-step><key-alter>1</key-alter>", "C exp ^c", (1, 0, 0, 0, 0, 0, 0)),
    ],
)
def test_keys_take_their_abc_names(key, text, alters):
    attributes = _ATTRIBUTES.replace("<time>", f"<key>{key}</key><time>")
    found = read_musicxml(_score(f"<measure>{attributes}{_note('A', 4)}</measure>")).tunes[0].key
    assert (found.text, found.alters) == (text, alters)


def test_a_jump_is_told():
    jump = '<direction><direction-type><words>D.C.</words></direction-type><sound dacapo="yes"/></direction>'
    book = read_musicxml(_score(f"<measure>{_ATTRIBUTES}{_note('A', 4)}{jump}</measure>"))
    assert [problem.kind for problem in book.problems] == ["jump"]


# -- files ------------------------------------------------------------------------------------------------------


def _mxl(score: bytes, container: str | None = None) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr(
            "META-INF/container.xml",
            container
            or '<?xml version="1.0"?><container><rootfiles><rootfile full-path="score.xml"/></rootfiles></container>',
        )
        archive.writestr("score.xml", score)
    return buffer.getvalue()


def test_a_compressed_file_reads_like_a_plain_one():
    text = write_musicxml(_abc(_TUNE))
    plain = read_musicxml(text)
    assert read_musicxml_bytes(_mxl(text.encode("utf-8"))).tunes == plain.tunes
    assert read_musicxml_bytes(text.encode("utf-8")).tunes == plain.tunes
    assert read_musicxml_bytes(text.replace("UTF-8", "UTF-16").encode("utf-16")).tunes == plain.tunes


def test_a_latin_file_is_read_by_its_own_encoding():
    text = _score(f"<measure>{_ATTRIBUTES}{_note('A', 4)}</measure>", "<work><work-title>Òran</work-title></work>")
    data = text.replace('version="1.0"', 'version="1.0" encoding="ISO-8859-1"', 1).encode("latin-1")
    assert read_musicxml_bytes(data).tunes[0].title == "Òran"


def test_entities_are_refused():
    bomb = '<!DOCTYPE score-partwise [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;">]>'
    with pytest.raises(MusicError, match=r"bomb\.xml: the file defines entities of its own"):
        read_musicxml(_score("", before=bomb), "bomb.xml")
    with pytest.raises(MusicError, match="compressed MusicXML file is broken"):
        read_musicxml_bytes(_mxl(b"", '<!DOCTYPE c [<!ENTITY a "b">]><container/>'))


def test_a_file_that_unpacks_without_end_is_refused(monkeypatch):
    monkeypatch.setattr("graith.music.read_musicxml._LARGEST_BYTES", 2**20)
    with pytest.raises(MusicError, match="unpacks to more than 1 MiB"):
        read_musicxml_bytes(_mxl(b" " * (2**20 + 1)))


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("not xml", "this is no XML"),
        ("<score-partwise>", "this is no XML"),
        ("<html/>", "<html> is no MusicXML score"),
        (_score(""), "there is no note in this score"),
    ],
)
def test_what_is_no_score_is_refused_in_a_sentence(text, says):
    with pytest.raises(MusicError, match=says):
        read_musicxml(text, "x.musicxml")


@pytest.mark.parametrize("data", [b"PK\x03\x04broken", _mxl(b"", "<container/>"), _mxl(b"")[:-40]])
def test_a_broken_archive_is_refused(data):
    with pytest.raises(MusicError, match="compressed MusicXML file is broken"):
        read_musicxml_bytes(data)


def test_bytes_in_another_encoding_are_refused():
    with pytest.raises(MusicError, match="the text is not utf-8"):
        read_musicxml_bytes(b"\xff\xff\xff")


@given(st.integers(0, 3000), st.integers(0, 255))
@settings(deadline=None)
def test_a_damaged_file_is_read_or_refused_but_never_breaks_the_reader(index, byte):
    data = bytearray(write_musicxml(_abc(_TUNE)).encode("utf-8"))
    data[(index * 7) % len(data)] = byte
    with contextlib.suppress(MusicError):
        assert read_musicxml_bytes(bytes(data)).tunes


def test_an_empty_tune_is_written_without_bars():
    assert "<measure" not in write_musicxml(Tune(1, ("Empty",), (), None))
    single = Tune(1, (), (Part((Bar((Note((Pitch(33),), Fraction(1, 4)),), None, 1),)),), None)
    assert "<senza-misura" in write_musicxml(single)


def test_a_slur_from_a_gracenote_begins_on_the_gracenote():
    tune = _abc("X:1\nT:T\nM:none\nL:1/8\nK:HP\n({g}c2) ({gef}e2 f2)|")
    assert _read_back(tune) == _held(tune)
    assert write_musicxml(tune).index('<slur number="1" type="start"') < write_musicxml(tune).index("<duration>")


def test_slurs_that_meet_on_one_note_stay_two_slurs():
    tune = _abc("X:1\nT:T\nM:none\nL:1/8\nK:HP\n(cd(e)fg)|")
    assert _read_back(tune) == _held(tune)


@pytest.mark.parametrize("key", ["Amix", "Em", "D", "Bdor", "none"])
def test_a_change_of_key_keeps_its_mode(key):
    tune = _abc(f"X:1\nT:T\nM:none\nL:1/8\nK:G\nA2|[K:{key}]B2|")
    found = [bar.key for part in _read_back(tune).parts for bar in part.bars]
    assert found[0].text == "G"
    assert found[1].text == ("C" if key == "none" else key)


def test_two_hundred_old_airs_keep_their_notes_repeats_and_endings():
    # An open corpus of the music21 package (a development dependency); nothing of it is copied.
    package = importlib.util.find_spec("music21")
    assert package is not None
    assert package.origin is not None
    path = Path(package.origin).parent / "corpus" / "airdsAirs" / "book1.abc"
    tunes = read_book(path.read_text(encoding="utf-8", errors="replace"), path.name).tunes
    assert len(tunes) >= 190
    for tune in tunes:
        again = _read_back(tune)
        assert _our_facts(again) == _our_facts(tune)
        assert _signs(again) == _signs(tune)


def _signs(tune: Tune) -> list[tuple[object, ...]]:
    return [
        (bar.number, bar.repeat_start, bar.repeat_end, bar.ending, bar.ending_closed, bar.metre)
        for part in tune.parts
        for bar in part.bars
    ]
