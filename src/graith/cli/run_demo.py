"""The demo's steps: each does one part of the job on the invented band's files and says what came of it."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

from graith.cli.show import clock, console, print_problems, say
from graith.errors import FileError
from graith.files.demo_band import copy_demo_band
from graith.files.read_files import load_books, load_planned_set, load_rulebook
from graith.sets.model import PlannedSet

GRADE, EVENT, RULEBOOK = "Grade 4", "medley", "dalmorrow-league"
ROSTER = (8, 3, 2, 1)
SET_FILES = ("quick-march-medley.toml", "march-strathspey-reel.toml", "medley.toml", "medley-too-long.toml")
LEGAL_SET = "medley.toml"
REHEARSED_SET = "march-strathspey-reel.toml"
PRACTICE = {
    "tempo_factor": 1.0,
    "end_factor": None,
    "times": 1,
    "bars": None,
    "count_in": 0,
    "drones": True,
    "drum": True,
    "chanter": True,
    "players": 1,
    "onset_spread_ms": None,
    "pitch_spread_cents": None,
    "low_a_hz": 480.0,
    "scale": "harmonic",
    "room": True,
    "stereo": False,
    "grace_ms": 45.0,
    "seed": 1,
}


def run_demo(out: Path, *, with_sound: bool) -> None:
    """Do the whole job in a folder and print where everything lies.

    Raises
    ------
    FileError
        If the folder cannot be written to.
    """
    started_s = time.monotonic()
    band = out / "band"
    _say("The invented Auchterwhin Pipe Band: its books and sets are laid out to be looked at and changed.")
    stood_there = band.exists()
    copy_demo_band(band)
    if stood_there:
        say(f"What stood in {band} already is kept as it is; move the folder away for the band as it was.")
    _check_tunes(band)
    _check_sets(band)
    _build(band, out / "built")
    _engrave(band, out / "sheets")
    _convert(band, out / "other-forms")
    if with_sound:
        _render(band, out / "sound")
        _listen(band, out / "listening")
    _list(out)
    say(f"Done in {time.monotonic() - started_s:.0f} s.")


def _say(sentence: str) -> None:
    say((f"\n{sentence}", "bold"))


def _check_tunes(band: Path) -> None:
    from graith.cli.tune_answers import print_checks
    from graith.services.check_music import check_book

    _say("1. Is the music right?")
    print_checks([check_book(book, path.name) for path, book in load_books([band / "tunes"])])
    say("And a file with mistakes made on purpose:")
    faulty = [check_book(book, path.name) for path, book in load_books([band / "faulty"])]
    print_problems([problem for check in faulty for one in check.tunes for problem in one.problems])


def _check_sets(band: Path) -> None:
    from rich.table import Table

    from graith.rules.model import RosterFacts, Verdict
    from graith.services.time_set import report_set

    _say(f"2. How long is each set, and is it legal? (roster of {', '.join(map(str, ROSTER))})")
    table = Table("Set", "Grade and event", "From the first roll", "Is it legal?")
    for name in SET_FILES:
        wanted, planned = load_planned_set(band / "sets" / name)
        rules = load_rulebook(wanted.rulebook or RULEBOOK, band / "sets")
        report = report_set(wanted, planned, rules, roster=RosterFacts(*ROSTER))
        failed = [one.measured for one in report.rulings if one.verdict is Verdict.FAILS]
        answer = f"no: {'; '.join(failed)}" if failed else "every rule holds"
        event = f"{wanted.grade}, {wanted.event}"
        table.add_row(wanted.name, event, clock(report.timing.timeline.playing_s), answer)
    console().print(table)


def _build(band: Path, out: Path) -> None:
    from graith.cli.build_sets import build_and_show

    _say(f"3. Which {EVENT} for {GRADE} would be best, about four and a half minutes long?")
    wishes: dict[str, Any] = {"target_s": 270.0, "n_tunes": (4, 6)}
    build_and_show(
        (band / "tunes",), rulebook=RULEBOOK, grade=GRADE, event=EVENT, n_best=10, time_limit_s=None, out=out,
        as_json=False, again=True, **wishes,
    )  # fmt: skip
    say("\nAnd when nothing fits: two tunes only, in a medley that asks for three.")
    build_and_show(
        (band / "tunes",), rulebook=RULEBOOK, grade=GRADE, event=EVENT, n_best=1, time_limit_s=None, out=None,
        as_json=False, n_tunes=(2, 2),
    )  # fmt: skip


def _folder(path: Path) -> Path:
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise FileError(f"{path}: the folder cannot be made ({error.strerror}). Choose another.") from None
    return path


def _engrave(band: Path, out: Path) -> None:
    from graith.cli.write_sheets import write_book_sheet, write_set_sheet, write_tune_sheet

    _say("4. Sheets for every hand.")
    a4 = {"paper": "a4"}
    folder = _folder(out)
    write_book_sheet(
        [book for _, book in load_books([band / "tunes"])],
        folder / "tune-book.pdf",
        title="The Auchterwhin book",
        subtitle="an invented band",
        layout=a4,
    )
    for name in SET_FILES[:3]:
        wanted, planned = load_planned_set(band / "sets" / name)
        write_set_sheet(wanted, planned, folder / name.replace(".toml", ".pdf"), layout=a4)
    wanted, planned = load_planned_set(band / "sets" / LEGAL_SET)
    write_set_sheet(wanted, planned, folder / "medley-pocket.pdf", layout={"paper": "pocket"})
    (_, reels), *_ = load_books([band / "tunes" / "reels.abc"])
    write_tune_sheet(reels.tunes[0], folder / "reel-letter.pdf", parts=None, layout={"paper": "letter"})
    write_tune_sheet(reels.tunes[0], folder / "reel.svg", parts=None, layout=a4)
    say(f"{len(list(folder.iterdir()))} files of engraved music.")


def _convert(band: Path, out: Path) -> None:
    from graith.cli.write_music import write_converted
    from graith.music.fit import fits, fitted

    _say("5. Other forms, and a tune that was not written for the chanter.")
    folder = _folder(out)
    (_, reels), *_ = load_books([band / "tunes" / "reels.abc"])
    write_converted([reels.tunes[0]], folder / "reel.musicxml")
    write_converted([reels.tunes[0]], folder / "reel.mid")
    for _, book in load_books([band / "general"]):
        for tune in book.tunes:
            moves = fits(tune)
            say(f"{tune.title} in {tune.key.text}: {moves[0] if moves else 'no move brings it onto the chanter'}")
            if moves:
                write_converted([fitted(tune, moves[0])], folder / f"moved-{tune.number}.abc")


def _render(band: Path, out: Path) -> None:
    from graith.cli.write_sounds import HEARING, write_sound
    from graith.services.lay_music import planned_tune_alone

    _say("6. Practice sound.")
    folder = _folder(out)
    (_, reels), *_ = load_books([band / "tunes" / "reels.abc"])
    _, medley = load_planned_set(band / "sets" / LEGAL_SET)
    reel = planned_tune_alone(reels.tunes[0])
    loop = {"bars": "1.1.1-1.1.4", "times": 6, "tempo_factor": 0.65, "end_factor": 1.0, "count_in": 4, "drum": False}
    tracks: tuple[tuple[PlannedSet, str, dict[str, Any]], ...] = (
        (medley, "medley-band-of-8.mp3", {"players": 8}),
        (medley, "medley.mid", {}),
        (reel, "reel-solo.flac", {}),
        (reel, "reel-part-1-climbing.ogg", {**loop, "drones": False}),
    )
    for planned, name, more in tracks:
        length_s = write_sound(planned, folder / name, {**PRACTICE, **more}, quiet=True)
        say(f"{name}: {clock(length_s)}")
    say(HEARING)


def _listen(band: Path, out: Path) -> None:
    from graith.cli.demo_listening import listen_in_demo

    _say("7. A rehearsal with faults put in on purpose, recorded as a phone would, and listened to.")
    _, planned = load_planned_set(band / "sets" / REHEARSED_SET)
    found = listen_in_demo(planned, _folder(out), say)
    say(f"{sum(is_found for _, is_found in found)} of {len(found)} faults found.")


def _list(out: Path) -> None:
    from rich.table import Table

    _say(f"Everything lies in {out}:")
    table = Table("Folder", "Files", "What is in it")
    for folder, says in (
        ("band", "the band's own books and sets, to change and try again"),
        ("built", "the ten best sets, as set files with their reasons"),
        ("sheets", "engraved music: PDF for A4, Letter and the pocket, SVG for the web"),
        ("other-forms", "MusicXML, MIDI, and general tunes moved onto the chanter"),
        ("sound", "practice sound: MP3, FLAC, Ogg, MIDI"),
        ("listening", "a rehearsal as M4A, and what was heard in it: JSON and pages of pictures"),
    ):
        files = [one for one in (out / folder).rglob("*") if one.is_file()]
        if files:
            table.add_row(folder, str(len(files)), says)
    console().print(table)
