"""Render practice sound of a planned set and write it."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from graith.cli.options import as_wrong_usage
from graith.cli.show import clock, progress
from graith.sets.model import PlannedSet

if TYPE_CHECKING:
    from graith.sound.model import Band
    from graith.sound.practice import Practice

LONGEST_S = 4 * 3600.0
HEARING = "Pipes are loud, in headphones too: keep the level low enough to talk over, and rest your ears."


def write_sound(planned: PlannedSet, out: Path, options: Mapping[str, Any], *, quiet: bool = False) -> float:
    """Write a set's practice sound, or its chanter line as MIDI; return its length in seconds.

    Raises
    ------
    click.UsageError
        If an option is out of its range, or nothing would sound, or it would last longer than four hours.
    FileError
        If the ending is no sound format, or the file cannot be written.
    """
    from graith.files.audio import audio_format, usual_rate_hz, write_audio
    from graith.sound.master import mastered_blocks
    from graith.sound.perform import performance
    from graith.sound.practice import practice_band
    from graith.sound.practice_timeline import practice_timeline
    from graith.sound.render import sound_samples
    from graith.timeline.graces import GraceModel
    from graith.timeline.make_timeline import timeline_of

    with as_wrong_usage():
        graces = GraceModel(grace_s=options["grace_ms"] / 1000.0)
        practice = practice_of(options)
        band = band_wanted(options)
    timeline = practice_timeline(timeline_of(planned, graces=graces), practice, graces=graces)
    if timeline.playing_s > LONGEST_S:
        raise click.UsageError(f"That would last {clock(timeline.playing_s)}. Take fewer bars, parts or times.")
    if out.suffix.lower() in (".mid", ".midi"):
        from graith.files.write import write_bytes
        from graith.services.set_midi import set_midi
        from graith.sound.scale import scale_named

        write_bytes(out, set_midi(timeline, low_a_hz=options["low_a_hz"], scale=scale_named(options["scale"])))
        length_s = timeline.playing_s
    else:
        form = audio_format(out)
        rate_hz = usual_rate_hz(form)
        played = performance(timeline, practice_band(band, practice))
        channels = 2 if options["stereo"] else 1
        with progress(f"Rendering {planned.name}", quiet=quiet) as on_step:
            blocks = mastered_blocks(
                played,
                rate_hz=rate_hz,
                channels=channels,
                progress=lambda share: on_step(round(share * 1000), 1000),
            )
            write_audio(out, blocks, rate_hz, form=form, title=planned.name)
        length_s = sound_samples(played, rate_hz) / rate_hz
    if not quiet:
        click.echo(f"Wrote {out} ({clock(length_s)})")
        click.echo(HEARING)
    return length_s


def practice_of(options: Mapping[str, Any]) -> Practice:
    """Return how it shall be practised, as the options say."""
    from graith.sound.practice import Practice, loop_named

    if options["end_factor"] is not None and options["times"] == 1:
        raise click.UsageError("--end-factor climbs from one time through to the last. Give --times, such as 6.")
    if not (options["chanter"] or options["drones"] or options["drum"]):
        raise click.UsageError("Without chanter, drones and drum nothing sounds. Leave one of them in.")
    first, last = (None, None) if options["bars"] is None else loop_named(options["bars"])
    return Practice(
        tempo_factor=options["tempo_factor"],
        end_factor=options["end_factor"],
        times=options["times"],
        first=first,
        last=last,
        count_in_beats=options["count_in"],
        drones=options["drones"],
        drum_pulse=options["drum"],
        chanter=options["chanter"],
    )


def band_wanted(options: Mapping[str, Any]) -> Band:
    """Return who plays and how it sounds, as the options say."""
    from dataclasses import replace

    from graith.sound.model import Band, Room, band_of
    from graith.sound.scale import scale_named

    players = band_of(options["players"], options["seed"])
    if options["onset_spread_ms"] is not None:
        players = replace(players, onset_spread_ms=options["onset_spread_ms"])
    if options["pitch_spread_cents"] is not None:
        players = replace(players, pitch_spread_cents=options["pitch_spread_cents"])
    return Band(
        players=players,
        scale=scale_named(options["scale"]),
        low_a_hz=options["low_a_hz"],
        room=Room(seed=options["seed"]) if options["room"] else None,
    )
