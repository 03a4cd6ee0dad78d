"""What is around the music: the room, talk, noise, and the coding."""

from __future__ import annotations

import subprocess
from pathlib import Path

import numpy as np
import numpy.typing as npt
import soundfile
from scipy import signal

from graith.sound.model import Room
from graith.sound.room import impulse_response

Floats = npt.NDArray[np.float64]

SPEED_M_S = 343.0

_ROOMS = {"small": Room(0.35, -7.0, 3.0), "hall": Room(1.2, -8.0, 12.0)}
_BOXES = {
    # metres (length, width, height), who plays, who records, reflection of the walls below and above 2 kHz
    "hard": ((14.0, 9.0, 4.5), (4.0, 4.2, 1.4), (8.5, 5.1, 1.3), 0.88, 0.76),
    "open": ((40.0, 60.0, 90.0), (15.0, 20.0, 1.4), (21.0, 22.0, 1.2), 0.45, 0.30),
}


def in_room(dry: Floats, room: str, rate_hz: int, seed: int) -> Floats:
    """Return the sound in a room; the direct sound keeps its level and its time."""
    if room == "dry":
        return dry
    if room in _ROOMS:
        made = _ROOMS[room]
        response = impulse_response(Room(made.decay_s, made.level_db, made.first_ms, seed), rate_hz)
    else:
        response = box_response(room, rate_hz)
    return dry + signal.oaconvolve(dry, response)[: dry.size]


def box_response(room: str, rate_hz: int) -> Floats:
    """Return a shoebox room's reflections for a direct sound of 1 at time 0, by image sources.

    References
    ----------
    J. B. Allen and D. A. Berkley, "Image method for efficiently simulating small-room acoustics", JASA 65 (1979)
    943-950.
    """
    size, player, phone, low, high = _BOXES[room]
    orders = np.arange(-14, 15)
    distances, bounces = [], []
    for length, source, place in zip(size, player, phone, strict=True):
        mirrored = np.concatenate([2 * orders * length + source, 2 * orders * length - source])
        distances.append(mirrored - place)
        bounces.append(np.concatenate([np.abs(2 * orders), np.abs(2 * orders - 1)]))
    path_m = np.sqrt(
        distances[0][:, None, None] ** 2 + distances[1][None, :, None] ** 2 + distances[2][None, None, :] ** 2
    ).ravel()
    hits = (bounces[0][:, None, None] + bounces[1][None, :, None] + bounces[2][None, None, :]).ravel()
    direct_m = float(path_m.min())
    delay = (path_m - direct_m) / SPEED_M_S * rate_hz
    kept = (hits > 0) & (delay < 1.5 * rate_hz)
    delay, hits, gain = delay[kept], hits[kept], direct_m / path_m[kept]
    n = int(delay.max()) + 2
    responses = []
    for reflection in (low, high):
        response = np.zeros(n)
        strength = gain * reflection**hits
        whole = delay.astype(int)
        np.add.at(response, whole, strength * (1.0 - (delay - whole)))
        np.add.at(response, whole + 1, strength * (delay - whole))
        responses.append(response)
    share = 1.0 / (1.0 + (np.fft.rfftfreq(n, 1.0 / rate_hz) / 2000.0) ** 2)
    spectra = [np.fft.rfft(response) for response in responses]
    return np.fft.irfft(spectra[0] * share + spectra[1] * (1.0 - share), n=n)


def talk(length_s: float, rate_hz: int, draws: np.random.Generator) -> Floats:
    """Return the sound of people talking that says nothing: a buzz and breath through moving formants.

    Formants of five vowels from memory (about 300 to 800, 900 to 2300 and 2500 Hz).
    """
    n = round(length_s * rate_hz)
    out = np.zeros(n)
    vowels = ((730, 1090, 2440), (270, 2290, 3010), (300, 870, 2240), (530, 1840, 2480), (570, 840, 2410))
    pitch_hz = draws.uniform(95, 210)
    at_s = draws.uniform(0.0, 0.4)
    while at_s < length_s - 0.4:
        syllable_s = draws.uniform(0.09, 0.28)
        m = round(syllable_s * rate_hz)
        bend = pitch_hz * (1.0 + 0.12 * draws.normal()) * np.linspace(1.05, 0.93, m)
        buzz = 2.0 * np.mod(np.cumsum(bend) / rate_hz, 1.0) - 1.0
        voiced = draws.random() < 0.75
        sound = 0.7 * buzz + 0.1 * draws.normal(size=m) if voiced else 0.35 * draws.normal(size=m)
        total = np.zeros(m)
        for formant_hz in vowels[int(draws.integers(len(vowels)))]:
            centre = formant_hz * (1.0 if voiced else 1.8)
            b, a = signal.iirpeak(centre, centre / 110.0, fs=rate_hz)
            total += signal.lfilter(b, a, sound)
        start = round(at_s * rate_hz)
        out[start : start + m] += (total * np.hanning(m))[: n - start]
        at_s += syllable_s + (draws.uniform(0.0, 0.06) if draws.random() < 0.8 else draws.uniform(0.3, 1.0))
    return out / max(float(np.sqrt(np.mean(out**2))), 1e-12)


def noise(n: int, rate_hz: int, draws: np.random.Generator) -> Floats:
    """Return noise of root mean square 1: half its power as in a quiet hall (falling 3 dB an octave), half even."""
    spectrum = np.fft.rfft(draws.normal(size=n))
    frequency_hz = np.maximum(np.fft.rfftfreq(n, 1.0 / rate_hz), 30.0)
    pink = np.fft.irfft(spectrum / np.sqrt(frequency_hz), n=n)
    white = draws.normal(size=n)
    both = pink / np.sqrt(np.mean(pink**2)) + white
    level: Floats = both / np.sqrt(np.mean(both**2))
    return level


def handled(n: int, rate_hz: int, draws: np.random.Generator) -> Floats:
    """Return a few dull bumps, as when a phone is put down."""
    out = np.zeros(n)
    m = round(0.12 * rate_hz)
    for _ in range(3):
        bump = draws.normal(size=m) * np.exp(-np.arange(m) / (0.02 * rate_hz))
        bump = signal.lfilter(*signal.butter(2, 300, fs=rate_hz), bump)
        start = int(draws.integers(0, max(1, n - m)))
        out[start : start + m] += bump[: n - start] / np.abs(bump).max()
    return out


def write_coded(path: Path, samples: Floats, rate_hz: int, coding: str, kbits: int) -> None:
    """Write samples to a file of that coding; lossy ones by ffmpeg, from 16 bits as a phone has them."""
    if coding in ("wav", "flac"):
        soundfile.write(path, samples, rate_hz, subtype="PCM_16")
        return
    plain = path.with_suffix(".plain.wav")
    soundfile.write(plain, samples, rate_hz, subtype="PCM_16")
    coder = {"mp3": "libmp3lame", "m4a": "aac", "ogg": "libvorbis", "opus": "libopus", "webm": "libopus"}[coding]
    command = ["ffmpeg", "-nostdin", "-v", "error", "-y", "-threads", "1", "-i", str(plain), "-c:a", coder]
    command += ["-b:a", f"{kbits}k", "-flags:a", "+bitexact", "-fflags", "+bitexact", str(path)]
    try:
        subprocess.run(command, check=True)
    finally:
        plain.unlink()
