"""Scores as Markdown: one table of every measure with its target, one line for each recording, the reliability plot."""

from __future__ import annotations

import re
from collections.abc import Iterable
from pathlib import Path

import numpy as np
import numpy.typing as npt
from scipy import stats

from bench.listen.cases import MODERATE
from bench.listen.score import FAR_MS, NEAR_MS, Score, f1

Floats = npt.NDArray[np.float64]
Row = tuple[str, str, str, bool | None]
Groups = dict[str, list[Score]]

BEGIN, END = "<!-- listening accuracy -->", "<!-- /listening accuracy -->"
STATED = 0.90


def _pooled(scores: Iterable[Score], name: str) -> Floats:
    values = [np.atleast_1d(np.asarray(getattr(one, name), dtype=float)) for one in scores]
    joined = np.concatenate(values) if values else np.zeros(0)
    return joined[np.isfinite(joined)]


def _of(groups: Groups, *names: str) -> list[Score]:
    return [one for name in names for one in groups.get(name, [])]


def _quantile(values: Floats, share: float) -> float:
    return float(np.quantile(np.abs(values), share)) if values.size else float("nan")


def _row(what: str, value: float, target: float, unit: str, *, at_least: bool = False, digits: int = 1) -> Row:
    """Return a row of a measure that shall be at most its target, or at least."""
    if not np.isfinite(value):
        return what, "not measured", f"{'≥' if at_least else '≤'} {target:g} {unit}", None
    met = value >= target if at_least else value <= target
    return what, f"{value:.{digits}f} {unit}", f"{'≥' if at_least else '≤'} {target:g} {unit}", bool(met)


def _near_share(scores: list[Score]) -> float:
    n = sum(one.n_notes for one in scores)
    near = sum(int((np.abs(one.onset_ms) <= NEAR_MS).sum()) for one in scores)
    return 100.0 * near / n if n else float("nan")


def _onset_rows(label: str, scores: list[Score], wanted: tuple[float, float, float | None]) -> list[Row]:
    errors_ms = _pooled(scores, "onset_ms")
    rows = [
        _row(f"{label}: onsets, median error", _quantile(errors_ms, 0.5), wanted[0], "ms"),
        _row(f"{label}: onsets, 95th percentile", _quantile(errors_ms, 0.95), wanted[1], "ms"),
    ]
    risen = _pooled(scores, "onset_less_rise_ms")
    said = f"{_quantile(risen, 0.5):.1f} ms, {_quantile(risen, 0.95):.1f} ms"
    rows.append((f"{label}: onsets, median and 95th percentile from half of the note's amplitude", said, "", None))
    rows.append((f"{label}: the same by instrument, from the note-on", _by_instrument(scores), "", None))
    if wanted[2] is not None:
        rows.append(_row(f"{label}: onsets within 25 ms, lost ones counted", _near_share(scores), wanted[2], "%",
                         at_least=True))  # fmt: skip
    for window in (25, 50):
        values = _pooled(scores, f"onset_f{window}")
        if values.size:
            rows.append((f"{label}: onset F-measure, {window} ms (mir_eval), mean", f"{values.mean():.3f}", "", None))
    means_ms = _pooled(scores, "alignment_mean_ms")
    if means_ms.size:
        rows.append((f"{label}: alignment, mean error (mir_eval)", f"{means_ms.mean():.1f} ms", "", None))
    return rows


def _by_instrument(scores: list[Score]) -> str:
    """Return median and 95th percentile of each instrument's onset errors; it is the second word of a case's name."""
    instruments = sorted({one.name.split("-")[1] for one in scores})
    told = []
    for instrument in instruments:
        errors_ms = _pooled([one for one in scores if one.name.split("-")[1] == instrument], "onset_ms")
        told.append(f"{instrument} {_quantile(errors_ms, 0.5):.1f}, {_quantile(errors_ms, 0.95):.0f}")
    return "; ".join(told)


def _worst_rows(scores: list[Score]) -> list[Row]:
    worst = max((_quantile(one.onset_ms, 0.95) for one in scores if one.onset_ms.size), default=float("nan"))
    far = sum(int((np.abs(one.onset_ms) > FAR_MS).sum()) for one in scores)
    n = sum(one.onset_ms.size for one in scores)
    return [
        _row("moderate: worst recording's 95th percentile", worst, 35.0, "ms"),
        ("moderate: notes of played bars off by more than 150 ms", f"{far} of {n}", "0", far == 0 if n else None),
    ]


def _edit_rows(scores: list[Score]) -> list[Row]:
    if not scores:
        return []
    lost = max(one.bars_lost for one in scores)
    invented = sum(one.n_not_played for one in scores)
    return [
        ("bars left out or played again: longest run of bars lost", f"{lost}", "≤ 2", lost <= 2),
        ("bars left out: notes said to be played that were not", f"{invented}", "", None),
    ]


def _pitch_rows(label: str, scores: list[Score]) -> list[Row]:
    errors, against = _pooled(scores, "note_cents"), _pooled(scores, "note_against_drones_cents")
    ratio = _pooled(scores, "spread_ratio")
    rows = [
        _row(f"{label}: note pitch, median error", _quantile(errors, 0.5), 0.4, "cents", digits=2),
        _row(f"{label}: note pitch, 95th percentile", _quantile(errors, 0.95), 1.5, "cents", digits=2),
        _row(f"{label}: note pitch, worst", _quantile(errors, 1.0), 2.5, "cents", digits=2),
        _row(f"{label}: note against the drones, worst", _quantile(against, 1.0), 3.0, "cents", digits=2),
        _row(f"{label}: low A, worst", _quantile(_pooled(scores, "low_a_cents"), 1.0), 0.5, "cents", digits=2),
    ]
    if ratio.size:
        within = 100.0 * float(np.mean(np.abs(ratio - 1.0) <= 0.2))
        typical = f"{np.median(ratio):.2f} of the truth, half from {np.quantile(ratio, 0.25):.2f} to "
        rows.append((f"{label}: spread of pitch, median", typical + f"{np.quantile(ratio, 0.75):.2f}", "0.8 to 1.2",
                     bool(0.8 <= np.median(ratio) <= 1.2)))  # fmt: skip
        rows.append((f"{label}: spreads within 20 % of the truth", f"{within:.0f} %", "", None))
    return rows


def _drone_rows(label: str, scores: list[Score], wanted: float) -> list[Row]:
    return [
        _row(f"{label}: {name}, worst", _quantile(_pooled(scores, f"{kind}_cents"), 1.0), wanted, "cents", digits=2)
        for kind, name in (("tenor", "tenor drones"), ("bass", "bass drones"))
    ]


def _edge_rows(scores: list[Score]) -> list[Row]:
    rows = []
    for edge in ("start", "stop"):
        errors_ms = _pooled(scores, f"{edge}_ms")
        rows.append(_row(f"moderate: {edge}, median error", _quantile(errors_ms, 0.5), 15.0, "ms"))
        rows.append(_row(f"moderate: {edge}, worst", _quantile(errors_ms, 1.0), 60.0, "ms"))
        pairs = np.array([getattr(one, f"{edge}_spread_ms") for one in scores]).reshape(-1, 2)
        pairs = pairs[np.isfinite(pairs).all(axis=1)]
        if pairs.size:
            allowed_ms = np.maximum(20.0, 0.2 * pairs[:, 1])
            within = int((np.abs(pairs[:, 0] - pairs[:, 1]) <= allowed_ms).sum())
            rows.append((f"moderate: {edge}'s spread within 20 ms or 20 %", f"{within} of {len(pairs)}", "all",
                         within == len(pairs)))  # fmt: skip
    for edge in ("in", "out"):
        errors_ms = _pooled(scores, f"drones_{edge}_ms")
        if errors_ms.size:
            said = f"{_quantile(errors_ms, 0.5):.0f} ms, worst {_quantile(errors_ms, 1.0):.0f} ms"
            rows.append((f"moderate: drones {edge}, median error", said, "", None))
    return rows


def _loner_rows(groups: Groups) -> list[Row]:
    scores = _of(groups, *MODERATE)
    found = sum(one.loners_found for one in scores)
    missed = sum(one.loners_missed for one in scores)
    invented = sum(one.loners_invented for one in scores)
    in_clean = sum(one.loners_invented for one in _of(groups, "clean"))
    rows: list[Row] = []
    if found + missed:
        said = f"{found} of {found + missed}"
        rows.append(("lone players of 120 ms or more found (recall)", said, "all", not missed))
        said = f"{found} of {found + invented}"
        rows.append(("lone players heard that were there (precision)", said, "", None))
    if groups.get("clean"):
        rows.append(("lone players invented in clean recordings", f"{in_clean}", "0", in_clean == 0))
    return rows


def _figure_rows(label: str, scores: list[Score], wanted: float) -> list[Row]:
    total: dict[str, int] = {}
    for one in scores:
        for name, count in one.figures.items():
            total[name] = total.get(name, 0) + count
    if not total:
        return [_row(f"{label}: figures, F1", float("nan"), wanted, "", at_least=True)]
    found = f1(total["there_found"], total["there_lost"], total["missing_lost"])
    missing = f1(total["missing_found"], total["missing_lost"], total["there_lost"])
    crushed = f1(total["crushed_found"], total["crushed_lost"], total["crushed_invented"])
    n_missing = total["missing_found"] + total["missing_lost"]
    return [
        _row(f"{label}: figures found, F1", found, wanted, "", at_least=True, digits=3),
        _row(f"{label}: figures missing ({n_missing} planted), F1", missing, wanted, "", at_least=True, digits=3),
        (f"{label}: figures crushed, F1", f"{crushed:.3f}", "", None),
        (f"{label}: figures it would not judge", f"{total['not_told']}", "", None),
    ]


def _together_rows(scores: list[Score]) -> list[Row]:
    each = _pooled(scores, "togetherness")
    if not each.size:
        return [_row("loose bars: togetherness, rank correlation, mean", float("nan"), 0.6, "", at_least=True)]
    return [
        _row("loose bars: togetherness, rank correlation, mean", float(each.mean()), 0.6, "", at_least=True, digits=2),
        ("loose bars: togetherness, lowest and highest", f"{each.min():.2f}, {each.max():.2f}", "", None),
    ]


def _held_rows(scores: list[Score]) -> list[Row]:
    rows: list[Row] = []
    for kind, shares in errors_by_kind(scores).items():
        share = 100.0 * float(np.mean(shares <= 1.0))
        said = f"{share:.0f} % of {shares.size}"
        rows.append((f"90 % intervals that hold the truth: {kind}", said, "85 to 95 %", bool(85.0 <= share <= 95.0)))
    return rows


def errors_by_kind(scores: Iterable[Score]) -> dict[str, Floats]:
    """Return for each kind of measure the errors as shares of the uncertainty stated with them."""
    kinds: dict[str, list[float]] = {}
    for one in scores:
        for kind, shares in one.held.items():
            kinds.setdefault(kind, []).extend(shares)
    return {kind: np.array(shares) for kind, shares in kinds.items()}


def measures_table(groups: Groups) -> str:
    """Return the table of every measure over the groups of cases that were run, with its target."""
    solo, six, hard = _of(groups, "solo"), _of(groups, "six", "loose", "edges", "sets"), _of(groups, "hard")
    every, moderate = _of(groups, *groups), _of(groups, *MODERATE)
    refused = [one for one in every if not one.trusted]
    rows: list[Row] = [("recordings refused", f"{len(refused)} of {len(every)}", "0", not refused)]
    if groups.get("clean"):
        rows += _onset_rows("clean, one player", groups["clean"], (2.5, 12.0, 99.0))
        rows += _pitch_rows("clean, one player", groups["clean"])
        rows += _drone_rows("clean, one player", groups["clean"], 0.3)
    if solo:
        rows += _onset_rows("one player", solo, (2.5, 12.0, 99.0))
    if six:
        rows += _onset_rows("six players", six, (6.0, 22.0, 96.0))
    if moderate:
        rows += _worst_rows(moderate) + _pitch_rows("moderate", moderate) + _drone_rows("moderate", moderate, 1.0)
        rows += _edge_rows(moderate)
    if hard:
        rows += _onset_rows("fifteen players, 15 dB", hard, (12.0, 50.0, None))
        rows += _pitch_rows("fifteen players, 15 dB", hard)
    rows += _edit_rows(_of(groups, "edits"))
    rows += _loner_rows(groups)
    if moderate:
        rows.append(_row("moderate: tempo of a bar, 90th percentile of errors",
                         100.0 * _quantile(_pooled(moderate, "tempo_share"), 0.9), 0.6, "%", digits=2))  # fmt: skip
        rows.append(("moderate: tempo of a bar, median error",
                     f"{100.0 * _quantile(_pooled(moderate, 'tempo_share'), 0.5):.2f} %", "", None))  # fmt: skip
    if groups.get("loose"):
        rows += _together_rows(groups["loose"])
    figures = groups.get("figures", [])
    if figures:
        drones = [one for one in figures if np.isfinite(one.tenor_cents)]
        rows += _figure_rows("one player without drones", [one for one in figures if one not in drones], 0.95)
        rows += _figure_rows("one player with drones", drones, 0.85)
    rows += _held_rows(every)
    lines = ["| measure | reached | wanted | |", "|---|---|---|---|"]
    words = {True: "met", False: "**missed**", None: ""}
    return "\n".join(lines + [f"| {what} | {value} | {wanted} | {words[met]} |" for what, value, wanted, met in rows])


def case_table(groups: Groups) -> str:
    """Return one line for each recording."""
    head = ("recording", "onsets: mean", "median", "95 %", "worst ms", "lost", "notes: median", "worst cents", "tenor",
            "bass", "low A", "start", "stop ms", "tempo %", "togetherness")  # fmt: skip
    lines = ["| " + " | ".join(head) + " |", "|---|" + "---:|" * (len(head) - 1)]
    for one in (one for scores in groups.values() for one in scores):
        cells = [float(one.onset_ms.mean()) if one.onset_ms.size else float("nan")]
        cells += [_quantile(one.onset_ms, share) for share in (0.5, 0.95, 1.0)] + [float(one.n_not_heard)]
        cells += [_quantile(one.note_cents, 0.5), _quantile(one.note_cents, 1.0), one.tenor_cents, one.bass_cents]
        cells += [one.low_a_cents, one.start_ms, one.stop_ms, 100.0 * _quantile(one.tempo_share, 0.5), one.togetherness]
        digits = (1, 1, 1, 0, 0, 2, 2, 2, 2, 2, 0, 0, 2, 2)
        said = [f"{cell:.{n}f}" if np.isfinite(cell) else "" for cell, n in zip(cells, digits, strict=True)]
        name = one.name if one.trusted else f"{one.name} (refused)"
        lines.append("| " + " | ".join([name, *said]) + " |")
    return "\n".join(lines)


def draw_reliability(path: Path, scores: Iterable[Score]) -> None:
    """Draw how often intervals of each width hold the truth, if errors were as normal as the uncertainties say."""
    import matplotlib as mpl

    mpl.use("svg")
    mpl.rcParams.update({"svg.hashsalt": "graith", "font.size": 9})
    import matplotlib.pyplot as plt

    levels = np.linspace(0.05, 0.98, 60)
    widths = stats.norm.ppf(0.5 + levels / 2.0) / stats.norm.ppf(0.5 + STATED / 2.0)
    figure, axes = plt.subplots(figsize=(7.4, 4.8))
    axes.fill_between([0, 1], [-0.05, 0.95], [0.05, 1.05], color="0.92", linewidth=0)
    axes.plot([0, 1], [0, 1], color="0.6", linewidth=0.8)
    for kind, shares in errors_by_kind(scores).items():
        held = [float(np.mean(shares <= width)) for width in widths]
        axes.plot(levels, held, label=f"{kind} ({shares.size})", linewidth=1.4)
    axes.axvline(STATED, color="0.6", linewidth=0.8, linestyle=":")
    axes.set(xlim=(0, 1), ylim=(0, 1), xlabel="share of errors the interval should hold", ylabel="share it holds")
    axes.legend(frameon=False, fontsize=8, loc="center left", bbox_to_anchor=(1.02, 0.5))
    figure.tight_layout()
    path.parent.mkdir(parents=True, exist_ok=True)
    figure.savefig(path, metadata={"Date": None})
    plt.close(figure)


def write_page(path: Path, measured: str, each: str, speed: str, groups: Groups) -> None:
    """Write the tables between their marks, and the reliability plot beside the page."""
    draw_reliability(path.parent / "img" / "listening-reliability.svg", _of(groups, *groups))
    text = path.read_text("utf-8") if path.exists() else f"# How well Graith listens\n\n{BEGIN}\n{END}\n"
    plot = "![How often each stated interval holds the truth](img/listening-reliability.svg)"
    said = f"{BEGIN}\n{measured}\n\n{plot}\n\n### Each recording\n\n{each}\n\n{speed}\n{END}"
    pattern = re.compile(re.escape(BEGIN) + ".*?" + re.escape(END), re.DOTALL)
    path.write_text(pattern.sub(lambda _: said, text, count=1), "utf-8")
