"""Findings: what was measured and is worth a player's time, as sentences, the heaviest first.

A finding is said only when its certain part (its size less its uncertainty) lies above what an ear can tell
(:mod:`graith.listen.audible`). Bars left out, clipping and the like have weights of their own.
"""

from __future__ import annotations

from dataclasses import replace

from graith.listen.about_bars import bar_findings
from graith.listen.about_drones import drone_findings
from graith.listen.about_edges import edge_findings
from graith.listen.about_figures import figure_findings
from graith.listen.about_recording import recording_findings
from graith.listen.about_tempo import tempo_findings
from graith.listen.about_together import together_findings
from graith.listen.about_tuning import tuning_findings
from graith.listen.heard import Heard
from graith.listen.model import Finding
from graith.timeline.model import Timeline

FINDING_KINDS = (
    "tuning", "tuning spread", "tuning wander", "chanters and drones", "tenors apart", "bass and tenors",
    "drones drift", "drones in", "drones after", "early chanter", "straggler", "start", "stop", "tempo", "tempo drift",
    "surge", "unsteady", "togetherness", "loose bars", "left out", "repeated", "false start", "missing notes",
    "wrong note", "not all", "figure missing", "figure crushed", "figure late", "pointing", "clipping", "soft",
    "noisy", "speed", "file",
)  # fmt: skip
"""Every word that a finding's ``kind`` may be."""

MOST_FINDINGS = 24
"""More would not be read; the rest is counted."""


def findings_of(heard: Heard, timeline: Timeline) -> tuple[Finding, ...]:
    """Return everything worth saying, the heaviest first; of an untrusted recording only what its file shows.

    Parameters
    ----------
    heard : Heard
        Its own ``findings`` are not looked at.
    timeline : Timeline
        Of the set that was listened for.
    """
    found = recording_findings(heard)
    if heard.trusted:
        found += bar_findings(heard, timeline)
        found += edge_findings(heard, timeline)
        found += drone_findings(heard, timeline)
        found += tuning_findings(heard)
        found += tempo_findings(heard, timeline)
        found += together_findings(heard, timeline)
        found += figure_findings(heard, timeline)
    return tuple(sorted(found, key=lambda finding: -finding.weight))


def with_findings(heard: Heard, timeline: Timeline) -> Heard:
    """Return what was heard with its findings, at most :data:`MOST_FINDINGS` of them, the rest counted."""
    found = findings_of(heard, timeline)
    return replace(heard, findings=found[:MOST_FINDINGS], n_more_findings=max(0, len(found) - MOST_FINDINGS))
