"""What is worth saying of how together the players are, bar by bar."""

from __future__ import annotations

import numpy as np

from graith.listen._words import amount, give_or_take
from graith.listen.audible import ENSEMBLE_MS, weight
from graith.listen.heard import Heard
from graith.listen.model import Finding
from graith.listen.places import Stretch, place_of, printed_words, stretches
from graith.timeline.model import StructuredArray, Timeline

_NORMAL_90 = 1.645
_MOST_PLACES = 6


def together_findings(heard: Heard, timeline: Timeline) -> list[Finding]:
    """Return the bars in which the players are audibly less together than elsewhere, and whether all of it is loose."""
    rows = heard.togetherness
    if rows is None or heard.n_players == 1:
        return []
    rows = rows[rows["heard"]]
    if not rows.size:
        return []
    usual = float(np.median(rows["spread_ms"]))
    return [*_whole(rows, usual), *_loose_bars(rows, usual, timeline)]


def _whole(rows: StructuredArray, usual_ms: float) -> list[Finding]:
    """Return whether the bar in the middle is looser than good trios are."""
    scatter_ms = 1.4826 * float(np.median(np.abs(rows["spread_ms"] - usual_ms)))
    uncertainty = float(
        np.hypot(np.median(rows["uncertainty_ms"]), _NORMAL_90 * 1.2533 * scatter_ms / np.sqrt(rows.size))
    )
    heavy = weight(usual_ms, uncertainty, ENSEMBLE_MS)
    if heavy < 1:
        return []
    says = (
        f"The players' notes are spread by {amount(usual_ms)} ms in the usual bar{give_or_take(uncertainty)}, a "
        "standard deviation: practise in unison on practice chanters, slowly, before the pipes go up."
    )
    return [Finding("togetherness", usual_ms, "ms", uncertainty, says, heavy)]


def _loose_bars(rows: StructuredArray, usual_ms: float, timeline: Timeline) -> list[Finding]:
    """Return the printed bars that stand out: looser than good trios, and than this recording's usual bar."""
    limit_ms = max(ENSEMBLE_MS, usual_ms)
    loose = rows[rows["spread_ms"] - rows["uncertainty_ms"] > limit_ms]
    printed: dict[int, list[np.void]] = {}
    for row in loose:
        printed.setdefault(_first_time(timeline, int(row["bar"])), []).append(row)
    found = [_loose(stretch, printed, usual_ms, timeline) for stretch in stretches(timeline, printed)]
    return sorted(found, key=lambda finding: -finding.weight)[:_MOST_PLACES]


def _first_time(timeline: Timeline, bar: int) -> int:
    """Return the first playing of a bar's printed bar, so that all times through a part come together."""
    bars = timeline.bars
    row = bars[bar]
    same = (bars["tune"] == row["tune"]) & (bars["part"] == row["part"]) & (bars["bar_in_part"] == row["bar_in_part"])
    return int(np.flatnonzero(same)[0])


def _loose(stretch: Stretch, printed: dict[int, list[np.void]], usual_ms: float, timeline: Timeline) -> Finding:
    bars = [row for bar in range(stretch.first, stretch.last + 1) for row in printed[bar]]
    worst = max(bars, key=lambda row: float(row["spread_ms"] - row["uncertainty_ms"]))
    size, uncertainty = float(worst["spread_ms"]), float(worst["uncertainty_ms"])
    is_one = stretch.n_bars == 1
    says = (
        f"{printed_words(timeline, stretch)} {'is' if is_one else 'are'} loose: the players are "
        f"{'' if len(bars) == 1 else 'up to '}{amount(size)} ms apart{give_or_take(uncertainty)}, where "
        f"{amount(usual_ms)} ms is usual in this recording. Take it slowly, gracenotes together."
    )
    heavy = weight(size, uncertainty, ENSEMBLE_MS)
    return Finding("loose bars", size, "ms", uncertainty, says, heavy, **place_of(timeline, int(worst["bar"])))
