"""A performance played by the reeds of a General MIDI sound font, through FluidSynth.

Each player is one rendering: every chanter note has a MIDI channel of its own, bent once and for all to its exact
pitch, so that a note's dying away keeps its own pitch under the next one. A note ends where the next begins.

FluidSynth bends by whole cents, so what sounds is the nearest cent to what was asked for; the truth says what sounds.
The sampled notes are themselves off by some cents, and not steadily; so each key that is used is first recorded alone,
and its pitch measured over time since the note-on. The truth of a recording takes that in.
"""

from __future__ import annotations

import json
import os
import subprocess
import tempfile
from functools import cache
from pathlib import Path

import mido
import numpy as np
import numpy.typing as npt
import soundfile
from scipy import signal

from bench.listen.cases import DRONE_PROGRAMS, PROGRAMS
from graith.sound.model import BASS_DRUM, Performance
from graith.sound.wander import Wandering
from graith.timeline.model import StructuredArray

Floats = npt.NDArray[np.float64]

SOUND_FONT = Path(os.environ.get("GRAITH_SOUND_FONT", "/usr/share/sounds/sf2/FluidR3_GM.sf2"))
_TICKS_PER_S = 20_000
_VELOCITY = 100
_BEND_SEMITONES = 2.0
_CHANNELS = (*range(9), *range(10, 16))  # channel 9 is the drums'
WANDER_STEP_S = 0.05
_CHANTER_RMS, _DRUM_PEAK = 0.1, 0.35
STEP_S = 0.01
_ALONE_S, _ATTACK_S, _WINDOW_S = 4.5, 0.03, 0.03
_CENTS_PER_SHARE = 1200.0 / np.log(2.0)
_SNARE_KEY, _BASS_KEY = 38, 36

Event = tuple[float, int, mido.Message]  # seconds, rank within the same moment, what


def rendered(events: list[Event], rate_hz: int) -> Floats:
    """Return the mono sound of MIDI events; nothing but the sound font's own envelopes."""
    track = mido.MidiTrack()
    last = 0
    for at_s, _, message in sorted(events, key=lambda event: (event[0], event[1])):
        tick = round(at_s * _TICKS_PER_S)
        track.append(message.copy(time=tick - last))
        last = tick
    midi = mido.MidiFile(ticks_per_beat=_TICKS_PER_S // 2)  # 120 crotchets a minute, which is what a file starts with
    midi.tracks.append(track)
    with tempfile.TemporaryDirectory() as folder:
        score, sound = Path(folder) / "score.mid", Path(folder) / "sound.wav"
        midi.save(score)
        command = ["fluidsynth", "-ni", "-q", "-R", "0", "-C", "0", "-g", "0.5", "-r", str(rate_hz), "-z", "64"]
        command += ["-o", "synth.cpu-cores=1", "-o", "synth.dynamic-sample-loading=1"]
        command += ["-F", str(sound), "-T", "wav", "-O", "float"]
        subprocess.run([*command, str(SOUND_FONT), str(score)], check=True, capture_output=True)
        samples: Floats = soundfile.read(sound, always_2d=True)[0].mean(axis=1)
    return samples


def key_and_cents(pitch_hz: float, key: int | None = None) -> tuple[int, float]:
    """Return the MIDI key nearest to a pitch, or that key, and how many cents the pitch lies above it."""
    exact = 69.0 + 12.0 * float(np.log2(pitch_hz / 440.0))
    key = round(exact) if key is None else key
    return key, 100.0 * (exact - key)


def sounding_cents(cents: float | Floats) -> Floats:
    """Return the cents that sound when these are asked for: FluidSynth knows whole cents only, as its pitches show."""
    whole: Floats = np.floor(np.asarray(cents) + 0.5)
    return whole


def wheel(cents: float) -> int:
    """Return the pitch wheel for these cents: half a cent above the whole one, since FluidSynth takes what is below."""
    return int(np.clip(round((float(sounding_cents(cents)) + 0.5) / (100.0 * _BEND_SEMITONES) * 8192), -8192, 8191))


def _set_up(channel: int, program: int, bend: int) -> list[Event]:
    wheel = [("control_change", {"control": c, "value": v}) for c, v in ((101, 0), (100, 0), (6, 2), (38, 0))]
    kinds = [("program_change", {"program": program}), *wheel, ("pitchwheel", {"pitch": bend})]
    return [(0.0, rank, mido.Message(kind, channel=channel, **values)) for rank, (kind, values) in enumerate(kinds)]


def player_sound(
    played: StructuredArray, notes_hz: Floats, program: int, wandering: Wandering | None, rate_hz: int
) -> Floats:
    """Return one player's chanter."""
    events: list[Event] = []
    keys, cents = {}, {}
    for note in np.unique(played["chanter_note"]).tolist():
        own_hz = float(played["hz"][played["chanter_note"] == note][0])
        keys[note], cents[note] = key_and_cents(own_hz, key_and_cents(float(notes_hz[note]))[0])
        events += _set_up(note, program, wheel(cents[note]))
    for row in played:
        channel = int(row["chanter_note"])
        start_s, stop_s = float(row["onset_s"]), float(row["stop_s"])
        on = mido.Message("note_on", channel=channel, note=keys[channel], velocity=_VELOCITY)
        events.append((start_s, 20, on))
        events.append((stop_s, 10, mido.Message("note_off", channel=channel, note=keys[channel])))
    if wandering is not None:
        times_s = np.arange(WANDER_STEP_S, float(played["stop_s"][-1]), WANDER_STEP_S)
        for at_s, moved in zip(times_s.tolist(), wandering.cents(times_s).tolist(), strict=True):
            for channel, own in cents.items():
                bent = mido.Message("pitchwheel", channel=channel, pitch=wheel(own + moved))
                events.append((at_s, 5, bent))
    return rendered(events, rate_hz)


def drones_sound(drones: StructuredArray, program: int, swell_s: float, tail_s: float, rate_hz: int) -> Floats:
    """Return up to fifteen drones, held from their swell until they have sunk away."""
    events: list[Event] = []
    for channel, drone in zip(_CHANNELS, drones, strict=False):
        key, cents = key_and_cents(float(drone["hz"]))
        in_s, out_s = float(drone["in_s"]), float(drone["out_s"])
        events += _set_up(channel, program, wheel(cents))
        events.append((in_s, 20, mido.Message("note_on", channel=channel, note=key, velocity=_VELOCITY)))
        events.append((out_s + tail_s, 10, mido.Message("note_off", channel=channel, note=key)))
        for step in range(21):
            share = 0.5 - 0.5 * np.cos(np.pi * step / 20)
            rise = mido.Message("control_change", channel=channel, control=11, value=round(127 * share**0.5))
            fall = mido.Message("control_change", channel=channel, control=11, value=round(127 * (1 - share) ** 0.5))
            events.append((in_s + swell_s * step / 20, 15, rise))
            events.append((out_s + tail_s * step / 20, 9, fall))
    return rendered(events, rate_hz)


def drums_sound(strokes: StructuredArray, rate_hz: int) -> Floats:
    """Return the strokes on a sampled snare and bass drum; peak of a stroke of 0 dB about 1."""
    events: list[Event] = []
    for stroke in strokes:
        key = _BASS_KEY if stroke["drum"] == BASS_DRUM else _SNARE_KEY
        velocity = int(np.clip(round(110 * 10 ** (float(stroke["level_db"]) / 40)), 5, 127))
        at_s = float(stroke["time_s"])
        events.append((at_s, 20, mido.Message("note_on", channel=9, note=key, velocity=velocity)))
        events.append((at_s + 0.05, 10, mido.Message("note_off", channel=9, note=key)))
    if not events:
        return np.zeros(0)
    return rendered(events, rate_hz) / max(_hit_peak(), 1e-9)


@cache
def _hit_peak() -> float:
    hit = mido.Message("note_on", channel=9, note=_SNARE_KEY, velocity=110)
    return float(np.abs(rendered([(0.1, 0, hit), (0.5, 1, hit.copy(velocity=0))], 44_100)).max())


def sampled_sound(performance: Performance, source: str, drone_program: str, rate_hz: int) -> Floats:
    """Return the performance by sampled instruments, at the level of our own: one chanter's root mean square 0.1."""
    band = performance.band
    notes_hz = band.scale.note_hz(band.low_a_hz)
    total = np.zeros(round((performance.stop_s + 1.0) * rate_hz))
    gain = _CHANTER_RMS / level_of(PROGRAMS[source], 76)
    for index, part in enumerate(performance.players):
        wandering = Wandering(band.wander.chanter_cents, band.wander, index, rate_hz) if band.wander else None
        sound = player_sound(part.played, notes_hz, PROGRAMS[source], wandering, rate_hz)
        _add(total, sound, gain * 10.0 ** (part.level_db / 20.0))
    if band.drones is not None and performance.drones.size:
        program = DRONE_PROGRAMS[drone_program]
        level = _CHANTER_RMS * 10.0 ** (band.drones.level_db / 20.0) / level_of(program, 58)
        for begin in range(0, performance.drones.size, len(_CHANNELS)):
            some = performance.drones[begin : begin + len(_CHANNELS)]
            _add(total, drones_sound(some, program, band.drones.swell_s, band.drones.tail_s, rate_hz), level)
    if performance.strokes.size:
        _add(total, drums_sound(performance.strokes, rate_hz), _DRUM_PEAK * float(np.sqrt(len(performance.players))))
    return total


def _add(total: Floats, sound: Floats, gain: float) -> None:
    n = min(total.size, sound.size)
    total[:n] += gain * sound[:n]


# The instruments measured alone


@cache
def measured(program: int, key: int) -> dict[str, list[float]]:
    """Return a key's level, its attack, and its pitch over time since the note-on; kept on disk beside the recordings.

    ``attack_ms`` is when 10, 50 and 90 % of the steady amplitude are reached. ``power`` and ``turned`` are sums from
    the note-on in steps of ``STEP_S``: of power, and of power times cents, each partial weighted by its number squared,
    as the precision goes with which it tells the pitch.
    """
    from bench.listen.render import bench_folder

    kept = bench_folder() / "instruments" / f"{program}-{key}-2.json"
    if kept.exists():
        found: dict[str, list[float]] = json.loads(kept.read_text())
        return found
    found = _measure(program, key)
    kept.parent.mkdir(parents=True, exist_ok=True)
    fresh = kept.with_suffix(f".{os.getpid()}")
    fresh.write_text(json.dumps(found))
    fresh.replace(kept)
    return found


def _measure(program: int, key: int) -> dict[str, list[float]]:
    rate_hz, on_s = 44_100, 0.5 + 64 / 44_100
    messages = _set_up(0, program, 0)
    messages.append((on_s, 20, mido.Message("note_on", note=key, velocity=_VELOCITY)))
    messages.append((on_s + _ALONE_S + 0.3, 10, mido.Message("note_off", note=key)))
    sound = rendered(messages, rate_hz)[round(on_s * rate_hz) :]
    width = round(0.004 * rate_hz)
    envelope = np.sqrt(np.convolve(sound**2, np.ones(width) / width, "same"))
    steady = float(np.median(envelope[round(0.3 * rate_hz) : round(2.5 * rate_hz)]))
    attack = [float(np.argmax(envelope > share * steady) / rate_hz * 1e3) for share in (0.1, 0.5, 0.9)]
    first_ms = float(np.argmax(np.abs(sound) > 1e-3 * np.abs(sound).max()) / rate_hz * 1e3)
    power, turned = _turning(sound, 440.0 * 2.0 ** ((key - 69) / 12), rate_hz)
    return {"level": [steady], "attack_ms": attack, "first_ms": [first_ms], "power": power, "turned": turned}


def _turning(sound: Floats, nominal_hz: float, rate_hz: int) -> tuple[list[float], list[float]]:
    """Return the sums of power, and of power times cents, over time: each partial turned back by its nominal pitch."""
    time_s = np.arange(sound.size) / rate_hz
    window = np.hanning(round(_WINDOW_S * rate_hz))
    step = round(STEP_S * rate_hz)
    power = np.zeros(round(_ALONE_S / STEP_S))
    turned = np.zeros(power.size)
    for partial in range(1, 9):
        still = sound * np.exp(-2j * np.pi * nominal_hz * partial * time_s)
        still = signal.oaconvolve(still, window / window.sum(), "same")
        turn = np.conj(still[:-1]) * still[1:]
        of_steps = turn[: power.size * step].reshape(-1, step).sum(axis=1)
        weight = partial**2 * np.abs(of_steps)
        power += weight
        turned += weight * np.angle(of_steps) * rate_hz / (2 * np.pi * nominal_hz * partial) * _CENTS_PER_SHARE
    return np.cumsum(power).tolist(), np.cumsum(turned).tolist()


def level_of(program: int, key: int) -> float:
    """Return the root mean square of a key's steady sound at the gain that everything here is rendered with."""
    return measured(program, key)["level"][0]


def mean_cents(program: int, key: int, lengths_s: Floats) -> float:
    """Return by how much notes of that key, sounding so long, are off, weighted by power from 30 ms on."""
    alone = measured(program, key)
    first = round(_ATTACK_S / STEP_S)
    last = np.clip(np.rint(np.atleast_1d(lengths_s) / STEP_S).astype(int), first + 1, len(alone["power"])) - 1
    power, turned = np.array(alone["power"]), np.array(alone["turned"])
    return float((turned[last] - turned[first - 1]).sum() / (power[last] - power[first - 1]).sum())


def steady_cents(program: int, key: int) -> float:
    """Return by how much a key held for long is off."""
    alone = measured(program, key)
    power, turned = np.array(alone["power"]), np.array(alone["turned"])
    held = round(1.0 / STEP_S)
    return float((turned[-1] - turned[held]) / (power[-1] - power[held]))
