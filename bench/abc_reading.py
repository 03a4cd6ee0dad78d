"""Reading ABC: beside music21, beside a bare regular-expression pass, and from ten tunes to ten thousand.

The texts are the three open collections in the music21 package (a development dependency), each read as one book.
Times are processor time of this process, the best of several runs; Python's collector of cycles has nothing left to do
when each begins and then runs as it always does, and what a run made is let go outside the clock, for ours and for
every peer alike.
"""

from __future__ import annotations

import gc
import re
import sys
import time
import warnings
from collections.abc import Callable, Iterator
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from graith.music.read_abc import Book, read_book

CORPORA = ("airdsAirs", "ryansMammoth", "oneills1850")
WANTED_TIMES_MUSIC21 = 50.0
WANTED_TIMES_BARE_PASS = 5.0
WANTED_STRAIGHTNESS = 1.5

TOKEN = re.compile(
    r"""(?P<field>^[A-Za-z+]:.*$)|(?P<comment>%.*$)|(?P<note>[_^=]*[A-Ga-g][,']*\d*/*\d*)|(?P<bar>:*\[?\|+\]?:*|::+)"""
    r"""|(?P<space>[ \t]+)|(?P<grace>\{[^}\n]*\})|(?P<broken>[<>]+)|(?P<tuplet>\(\d(?::\d*){0,2})|(?P<slur>[()])"""
    r"""|(?P<rest>[zxZX]\d*/*\d*)|(?P<chord>\[[^\]\n]*\]\d*/*\d*)|(?P<text>"[^"\n]*")|(?P<mark>![^!\n]*!|[~.H-Wh-w])"""
    r"""|(?P<line>\n)|(?P<other>.)""",
    re.MULTILINE,
)
"""What the bare pass does: every token of the text with the name of its kind, and nothing more."""


def bare_pass(text: str) -> Iterator[tuple[str | None, str]]:
    """Yield each token's kind and text."""
    for found in TOKEN.finditer(text):
        yield found.lastgroup, found[0]


def corpus_text(corpus: str) -> str:
    """Return a collection as one book."""
    spec = find_spec("music21")
    if spec is None or spec.origin is None:
        raise SystemExit("This benchmark needs music21: install the development requirements.")
    paths = sorted((Path(spec.origin).parent / "corpus" / corpus).glob("*.abc"))
    return "\n\n".join(path.read_text(encoding="utf-8", errors="replace") for path in paths)


def best_s(work: Callable[[], Any], times: int) -> float:
    """Return the best processor time of some work, in seconds."""
    best = float("inf")
    for _ in range(times):
        gc.collect()
        start = time.process_time()
        made = work()
        best = min(best, time.process_time() - start)
        del made
    return best


def n_notes(book: Book) -> int:
    """Return how many notes and rests a book holds."""
    return sum(len(bar.notes) for tune in book.tunes for part in tune.parts for bar in part.bars)


def music21_notes(text: str) -> int:
    """Read a book with music21, tune by tune, and return how many notes and rests it found."""
    from music21 import abcFormat

    total = 0
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for piece in re.split(r"(?m)^(?=X:)", text):
            if piece.startswith("X:"):
                handler = abcFormat.ABCHandler()
                handler.process(piece)
                total += len(abcFormat.translate.abcToStreamScore(handler).recurse().notesAndRests)
    return total


def first_tunes(text: str, count: int) -> str:
    """Return a book's first tunes."""
    pieces = [piece for piece in re.split(r"(?m)^(?=X:)", text) if piece.startswith("X:")]
    return "".join(pieces[:count])


def other_tunes(text: str, count: int) -> str:
    """Return so many tunes, none like another: where the book ends it begins again with its notes' letters moved on.

    Books that repeated themselves would flatter a reader that remembers what it met.
    """
    pieces = [piece for piece in re.split(r"(?m)^(?=X:)", text) if piece.startswith("X:")]
    found: list[str] = []
    for turn in range(7):
        for piece in pieces:
            if len(found) == count:
                return "".join(found)
            found.append(_moved(piece, turn))
    return "".join(found)


def _moved(piece: str, steps: int) -> str:
    """Return a tune with every note letter of its music moved by so many steps of the scale."""
    if not steps:
        return piece
    letters = "CDEFGAB"
    table = {ord(letter): letters[(at + steps) % 7] for at, letter in enumerate(letters)}
    table |= {ord(letter.lower()): table[ord(letter)].lower() for letter in letters}
    lines = piece.split("\n")
    return "\n".join(line if line[1:2] == ":" or line[:1] == "%" else line.translate(table) for line in lines)


def beside_music21(texts: dict[str, str], quick: bool) -> dict[str, Any]:
    """Return the row beside music21, on the same tunes."""
    sample = "\n\n".join(first_tunes(text, 12 if quick else 60) for text in texts.values())
    music21_notes(first_tunes(sample, 2))
    theirs_s = best_s(lambda: music21_notes(sample), 1 if quick else 2)
    ours_s = best_s(lambda: read_book(sample), 3 if quick else 9)
    ours, theirs = n_notes(read_book(sample)) / ours_s, music21_notes(sample) / theirs_s
    return {
        "what": f"reading ABC: {len(read_book(sample).tunes)} tunes of three open collections",
        "ours": f"{ours:,.0f} notes/s",
        "peer": f"music21: {theirs:,.0f} notes/s",
        "ratio": ours / theirs,
        "wanted": f"at least {WANTED_TIMES_MUSIC21:.0f} times",
        "met": ours / theirs >= WANTED_TIMES_MUSIC21,
    }


def beside_bare_pass(texts: dict[str, str], quick: bool) -> dict[str, Any]:
    """Return the row beside a bare regular-expression pass over the same text."""
    times = 3 if quick else 7
    ours_s = bare_s = 0.0
    n_tunes = 0
    for text in texts.values():
        bare_s += best_s(lambda text=text: sum(1 for _ in bare_pass(text)), times)
        ours_s += best_s(lambda text=text: read_book(text), times)
        n_tunes += len(read_book(text).tunes)
    return {
        "what": f"reading ABC: all {n_tunes:,} tunes of the three collections, each one book",
        "ours": f"{ours_s:.2f} s",
        "peer": f"a bare regular-expression pass: {bare_s:.2f} s",
        "ratio": bare_s / ours_s,
        "wanted": f"at most {WANTED_TIMES_BARE_PASS:.0f} times as long",
        "met": ours_s <= WANTED_TIMES_BARE_PASS * bare_s,
    }


def straightness(texts: dict[str, str], quick: bool) -> dict[str, Any]:
    """Return the row that says whether time grows in step with the number of tunes."""
    text = "\n\n".join(texts.values())
    counts = (10, 100, 1000) if quick else (10, 100, 1000, 10_000)
    per_tune_ms = {}
    for count in counts:
        book = other_tunes(text, count)
        per_tune_ms[count] = best_s(lambda book=book: read_book(book), 3) / count * 1000.0
    growth = per_tune_ms[counts[-1]] / per_tune_ms[counts[0]]
    return {
        "what": f"reading ABC: from {counts[0]} to {counts[-1]:,} different tunes",
        "ours": ", ".join(f"{count:,}: {ms:.2f} ms a tune" for count, ms in per_tune_ms.items()),
        "peer": "itself: the time for one tune must not grow with the book",
        "ratio": growth,
        "wanted": f"at most {WANTED_STRAIGHTNESS}",
        "met": growth <= WANTED_STRAIGHTNESS,
    }


def run(quick: bool = False) -> list[dict[str, Any]]:
    """Return one row beside music21, one beside a bare regular-expression pass, one on the growth of time."""
    texts = {corpus: corpus_text(corpus) for corpus in CORPORA}
    if quick:
        texts = {corpus: first_tunes(text, 200) for corpus, text in texts.items()}
    return [beside_music21(texts, quick), beside_bare_pass(texts, quick), straightness(texts, quick)]


def main() -> None:
    """Print the rows."""
    for row in run(quick="--quick" in sys.argv):
        print(f"{row['what']}: {row['ours']} | {row['peer']} | {row['ratio']:.2f} (wanted {row['wanted']})", row["met"])


if __name__ == "__main__":
    main()
