"""Compare our ABC reader with lytk, abcnotes and music21 on three open corpora and write docs/checks-abc.md.

``python -m bench.abc_oracles``: 4,248 tunes, about fifteen minutes on one core, nearly all of it music21.
"""

from __future__ import annotations

import sys
from collections import Counter
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[1]
sys.path.insert(0, str(ROOT / "tests"))

from oracles.abc_bars import bar_lengths_by_us, bars_by_abcnotes  # noqa: E402
from oracles.abc_differences import Verdict, explanations, named_of, verdict  # noqa: E402
from oracles.abc_readers import CORPORA, READERS, corpus_tunes  # noqa: E402

DOCS = ROOT / "docs" / "checks-abc.md"
BEGIN, END = "<!-- {} -->", "<!-- /{} -->"


def compared(reader: str) -> dict[str, list[Verdict]]:
    """Return a reader's verdicts by corpus."""
    found: dict[str, list[Verdict]] = {}
    for corpus in CORPORA:
        print(f"… {reader} {corpus}", file=sys.stderr, flush=True)
        found[corpus] = [verdict(reader, tune) for tune in corpus_tunes(corpus)]
    return found


def notes_table(all_found: dict[str, dict[str, list[Verdict]]]) -> str:
    """Return how many tunes agree, by reader and corpus."""
    lines = [
        "| reader | corpus | tunes | same as they are | by rule | by name | unexplained | repeats compared too |",
        "|---|---|---:|---:|---:|---:|---:|---:|",
    ]
    for reader, by_corpus in all_found.items():
        for corpus, found in by_corpus.items():
            kinds = Counter(one.kind for one in found)
            counts = [len(found), kinds["same"], kinds["by rule"], kinds["by name"], kinds["unexplained"]]
            played = sum(one.compared_played for one in found)
            lines.append(f"| {reader} | {corpus} | " + " | ".join(f"{n:,}" for n in [*counts, played]) + " |")
    return "\n".join(lines)


def rules_table(all_found: dict[str, dict[str, list[Verdict]]]) -> str:
    """Return each rule with the number of tunes in which it has a part."""
    lines = ["| reader | written otherwise | why | " + " | ".join(CORPORA) + " |", "|---|---|---|---:|---:|---:|"]
    for rule in explanations()["rule"]:
        by_corpus = all_found[rule["reader"]]
        counts = [sum(rule["rewrite"] in one.rules for one in by_corpus[corpus]) for corpus in CORPORA]
        lines.append(
            f"| {rule['reader']} | {rule['rewrite']} | {_cell(rule['why'])} | " + " | ".join(map(str, counts)) + " |"
        )
    return "\n".join(lines)


def names_table() -> str:
    """Return the tunes that are explained one by one."""
    lines = ["| reader | tunes | why |", "|---|---|---|"]
    for one in explanations()["tunes"]:
        lines.append(f"| {one['reader']} | {', '.join(one['names'])} | {_cell(one['why'])} |")
    return "\n".join(lines)


def problems_table() -> str:
    """Return what our reader tells of the corpora, by kind."""
    said: dict[str, Any] = explanations()["corpora"]
    kinds = sorted({kind for corpus in CORPORA for kind in said[corpus]["problems"]})
    lines = ["| kind | " + " | ".join(CORPORA) + " |", "|---|---:|---:|---:|"]
    for kind in kinds:
        lines.append(
            f"| {kind} | " + " | ".join(str(said[corpus]["problems"].get(kind, 0)) for corpus in CORPORA) + " |"
        )
    return "\n".join(lines)


def bars_table() -> str:
    """Return the counts of wrong bars, ours and those added up from abcnotes' lengths."""
    bars = explanations()["bars"]
    rows: dict[str, list[int]] = {}
    for corpus in CORPORA:
        n_bars = too_long = short = 0
        for tune in corpus_tunes(corpus):
            n_bars += len(bar_lengths_by_us(tune.ours))
            try:
                counted = bars_by_abcnotes(tune.text)
            except ValueError:
                continue
            too_long += sum(bar.is_too_long for bar in counted)
            short += sum(bar.is_short_inside for bar in counted)
        ours = bars[corpus]
        columns = {
            "bars in all": n_bars,
            "too long, ours": ours["too_long"],
            "too long, second count": too_long,
            "too short, ours": ours["too_short"],
            "of these between plain bar lines, second count": short,
            "of these where a section begins or ends and no pick-up fits": ours["too_short"] - short,
            "pick-ups that no bar leaves room for (warnings), ours": ours["pick_ups"],
        }
        for name, count in columns.items():
            rows.setdefault(name, []).append(count)
    lines = ["| | " + " | ".join(CORPORA) + " |", "|---|---:|---:|---:|"]
    lines += [f"| {name} | " + " | ".join(f"{count:,}" for count in counts) + " |" for name, counts in rows.items()]
    return "\n".join(lines)


def _cell(text: str) -> str:
    return text.replace("|", "\\|")


def write_tables(tables: dict[str, str]) -> None:
    """Put each table between its marks in the document."""
    text = DOCS.read_text(encoding="utf-8")
    for name, table in tables.items():
        head, rest = text.split(BEGIN.format(name))
        text = head + BEGIN.format(name) + "\n" + table + "\n" + END.format(name) + rest.split(END.format(name))[1]
    DOCS.write_text(text, encoding="utf-8")


def main() -> int:
    """Compare in full, write the tables; return 1 if a difference is not explained or an explanation is stale."""
    all_found = {reader: compared(reader) for reader in READERS}
    write_tables({
        "notes": notes_table(all_found),
        "rules": rules_table(all_found),
        "names": names_table(),
        "problems": problems_table(),
        "bars": bars_table(),
    })  # fmt: skip
    wrong = 0
    for reader, by_corpus in all_found.items():
        found = [one for verdicts in by_corpus.values() for one in verdicts]
        by_name = {one.tune for one in found if one.kind == "by name"}
        for one in found:
            if one.kind == "unexplained":
                print(f"unexplained: {reader}, {one.tune}: {one.says}")
                wrong += 1
        for name in sorted(set(named_of(reader)) - by_name):
            print(f"no longer needed: {reader}, {name}")
            wrong += 1
    return 1 if wrong else 0


if __name__ == "__main__":
    raise SystemExit(main())
