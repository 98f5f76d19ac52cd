"""Takes with one known defect each, or none, for measuring the checks. Made without the product:
who plays what by home_takes.py, the sound and the codecs by home_sound.py, defects by closed
formulas here.
"""

from __future__ import annotations

import dataclasses
import subprocess
import tempfile

import numpy as np
import scipy.ndimage
import scipy.signal
import soundfile
import soxr

import home_sound
import home_takes
from home_sound import RATE

# General MIDI programme (numbers as on the wire, from 0), centre note, pattern of home_takes.
PITCHED = {
    "accordion": (21, 64, "tune"), "harmonica": (22, 67, "tune"), "recorder": (74, 76, "tune"),
    "whistle": (78, 79, "tune"), "ocarina": (79, 74, "tune"), "flute": (73, 74, "tune"),
    "clarinet": (71, 62, "tune"), "oboe": (68, 67, "tune"), "saxophone": (65, 62, "tune"),
    "trumpet": (56, 67, "tune"), "trombone": (57, 50, "bass"), "tuba": (58, 38, "bass"),
    "horn": (60, 55, "tune"), "fiddle": (40, 69, "tune"), "viola": (41, 60, "tune"),
    "cello": (42, 50, "bass"), "guitar": (24, 57, "halves"), "steel guitar": (25, 55, "strum"),
    "bass": (33, 38, "pulse"), "contrabass": (43, 38, "bass"), "piano": (0, 60, "halves"),
    "harpsichord": (6, 60, "halves"), "organ": (19, 60, "pad"), "reed organ": (20, 62, "tune"),
    "choir": (52, 62, "pad"), "voice": (53, 62, "tune"), "strings": (48, 62, "pad"),
    "pizzicato": (45, 57, "offbeats"), "harp": (46, 62, "halves"), "banjo": (105, 60, "halves"),
}
UNPITCHED = {
    "tubular bells": (14, 67, "sparse"), "tinkle bell": (112, 72, "pulse"),
    "agogo": (113, 72, "pulse"), "woodblock": (115, 60, "pulse"), "taiko": (116, 48, "pulse"),
    "tom": (117, 50, "pulse"), "synth drum": (118, 50, "pulse"), "seashore": (122, 60, "pad"),
    "kick": (None, 36, "pulse"), "snare": (None, 38, "pulse"), "claps": (None, 39, "pulse"),
    "floor tom": (None, 43, "pulse"), "hi-hat": (None, 42, "halves"),
    "tambourine": (None, 54, "pulse"), "cowbell": (None, 56, "pulse"),
    "bongo": (None, 61, "halves"), "conga": (None, 64, "pulse"), "maracas": (None, 70, "halves"),
    "ride bell": (None, 53, "pulse"), "gong-like cymbal": (None, 49, "sparse"),
}
# Struck and tuned, but with partials beside the harmonic series: told nothing of pitch or told
# truly, either is right.
BARS = {
    "glockenspiel": (9, 84, "pulse"), "vibraphone": (11, 65, "tune"),
    "marimba": (12, 57, "halves"), "xylophone": (13, 72, "pulse"),
    "music box": (10, 76, "pulse"), "kalimba": (108, 65, "halves"),
    "steel drum": (114, 65, "pulse"), "timpani": (47, 45, "bass"),
}
ALL = PITCHED | UNPITCHED | BARS
SLOW = {"choir", "strings", "voice", "organ", "seashore"}


@dataclasses.dataclass
class Manner:
    """What is odd about the playing."""

    cents: float = 0.0
    semitones: int = 0
    # A pitch class that is played a semitone off, and in which sections (all when None).
    swap: tuple | None = None
    swap_sections: tuple | None = None
    # Section whose chords are replaced by those of another.
    lost: tuple | None = None
    blunders: int = 0
    tight: bool = False


SECTIONS = [(1, 12), (13, 28), (29, 40), (41, 56), (57, 64)]


def bars_of(section):
    first, last = SECTIONS[section]
    return range(first - 1, last)


def lost_pack(pack, lost):
    """The chart as somebody lost reads it."""
    own, other = lost
    chords = list(pack.chord_of_beat)
    for i, bar in enumerate(bars_of(own)):
        source = bars_of(other)[i % len(bars_of(other))]
        for beat in range(5):
            chords[bar * 5 + beat] = pack.chord_of_beat[source * 5 + beat]
    return dataclasses.replace(pack, chord_of_beat=chords)


def notes_of(pack, player, manner, programme, rng):
    if manner.lost:
        pack = lost_pack(pack, manner.lost)
    notes = home_takes.notes_of(pack, player, rng)
    if manner.swap:
        wanted, sounding = manner.swap
        spans = [(pack.beats_s[5 * bars_of(s)[0]] - 0.1, pack.beats_s[5 * bars_of(s)[-1] + 4] + 0.4)
                 for s in (manner.swap_sections or range(5))]
        off = (sounding - wanted + 6) % 12 - 6
        notes = [(at, length, pitch + off if pitch % 12 == wanted
                  and any(a <= at < b for a, b in spans) else pitch, velocity)
                 for at, length, pitch, velocity in notes]
    moved = []
    if manner.blunders:
        starts = sorted({round(n[0], 2) for n in notes})
        inner = [s for s in starts if 10 < s < 135]
        chosen = rng.choice(inner, manner.blunders, replace=False)
        for i, (at, length, pitch, velocity) in enumerate(notes):
            if round(at, 2) in chosen:
                by = float(rng.choice([-1, 1]) * rng.uniform(0.13, 0.2))
                notes[i] = (at + by, length, pitch, velocity)
                moved.append(at + by)
    return notes, moved


def play(pack, name, seed, bank=0, manner=Manner(), take=0, **player_args):
    """(dry sound with the opening mark, file time of bar 1 beat 1, blunders' piece times)."""
    programme, centre, pattern = ALL[name]
    home_takes.INSTRUMENTS[name] = (programme, centre, pattern)
    rng = np.random.default_rng([seed, 3])
    args = dict(jitter_ms=float(rng.uniform(8, 20)), lag_ms=float(rng.uniform(0, 30)),
                lead_in_s=float(rng.uniform(1, 5)))
    args.update(player_args)
    player = home_takes.Player(instrument=name, seed=seed, take=take, transpose=manner.semitones,
                               **args)
    notes, moved = notes_of(pack, player, manner, programme, np.random.default_rng(seed))
    if manner.tight:
        grid = np.arange(0, len(pack.beats_s) * 12) * (pack.beats_s[1] / 12)
        notes = [(float(grid[np.argmin(abs(grid - at + player.lag_ms * 1e-3))])
                  + float(rng.normal(0, 3e-4)), *rest) for at, *rest in notes]
    if programme is None:
        notes = [(at, length, centre, velocity) for at, length, _, velocity in notes]
    samples, _, origin, mark_at = pack.mark("opening")
    before = round((player.lead_in_s + origin / RATE - mark_at) * RATE) / RATE
    total = before + pack.beats_s[-1] + 3.5 + (5.5 if player.closing else 0)
    sound = home_sound.synthesise(notes, programme, before, total, bank, manner.cents)
    sound *= 0.5 / np.max(np.abs(sound))

    def add(which):
        samples, _, origin, at_s = pack.mark(which)
        first = round((before + at_s) * RATE - origin)
        end = min(len(sound), first + len(samples))
        sound[first:end] += 0.5 * samples[: end - first]

    add("opening")
    if player.closing:
        add("closing")
    return sound, before, moved


def loud_level(x):
    blocks = x[: len(x) // 2400 * 2400].reshape(-1, 2400)
    return np.sqrt(np.quantile(np.mean(blocks**2, axis=1), 0.95))


def usual(x, rng):
    """What every home recording has: a small room, some noise, a level."""
    rt60 = float(rng.choice([0.0, 0.25, 0.4, 0.5]))
    if rt60:
        x = home_sound.room(x, rt60, rng)
    x = x * rng.uniform(0.4, 0.9) / np.max(np.abs(x))
    return x + rng.normal(size=len(x)) * 10 ** (rng.uniform(-82, -66) / 20)


def clipped(x, rng):
    """Overdriven by 4 to 12 dB, hard or as a rounded knee."""
    drive = 10 ** (rng.uniform(4, 12) / 20) / np.quantile(np.abs(x), 0.9998)
    y = x * drive
    if rng.random() < 0.3:
        y = np.sign(y) * np.minimum(np.abs(y), 1) if rng.random() < 0.5 else np.tanh(1.5 * y)
    y = np.clip(y, -1, 1)
    return y * rng.uniform(0.6, 0.98)


def squashed(x, rng):
    """A limiter driven far too hard: 3 ms look-ahead, 60 to 200 ms release."""
    y = x * 10 ** (rng.uniform(12, 18) / 20) / np.quantile(np.abs(x), 0.999)
    peak = scipy.ndimage.maximum_filter1d(np.abs(y), 288)
    gain_db = -20 * np.log10(np.maximum(peak, 1.0))
    keep = np.exp(-1 / (rng.uniform(0.06, 0.2) * RATE))
    held = np.empty(len(gain_db) // 48)
    g, keep48 = 0.0, keep**48
    steps = gain_db[: len(held) * 48].reshape(-1, 48).min(axis=1)
    for i, s in enumerate(steps):
        g = min(s, g * keep48)
        held[i] = g
    full = np.interp(np.arange(len(y)), 48 * np.arange(len(held)) + 24, held)
    return 0.9 * np.clip(y * 10 ** (full / 20), -1, 1)


def wet(x, rng, rt60=None):
    """A church or an effect: diffuse tail, bass longer than treble, as loud as the direct sound."""
    rt60 = rt60 or rng.uniform(1.5, 3.5)
    t = np.arange(int(1.1 * rt60 * RATE)) / RATE
    tail = np.zeros(len(t))
    for low, high, share in ((60, 300, 1.15), (300, 1200, 1.05), (1200, 4000, 0.95),
                             (4000, 12000, 0.6)):
        sos = scipy.signal.butter(2, [low, high], "bandpass", fs=RATE, output="sos")
        tail += scipy.signal.sosfilt(sos, rng.normal(size=len(t))) * 10 ** (-3 * t / rt60 / share)
    tail[: int(rng.uniform(0.01, 0.04) * RATE)] = 0
    tail *= 10 ** (rng.uniform(-3, 5) / 20) / np.sqrt(np.sum(tail**2))
    tail[0] = 1.0
    y = scipy.signal.fftconvolve(x, tail)[: len(x)]
    return y * 0.7 / np.max(np.abs(y))


def hum(x, rng):
    mains = rng.choice([50.0, 60.0]) * (1 + rng.normal(0, 3e-4))
    t = np.arange(len(x)) / RATE
    wave = sum(rng.uniform(0.2, 1) / k * np.sin(2 * np.pi * (mains * k * t + rng.random()))
               for k in range(1, 9))
    return x + wave * loud_level(x) * 10 ** (rng.uniform(-45, -25) / 20) / np.std(wave)


def noisy(x, rng):
    white = rng.normal(size=len(x))
    noise = white if rng.random() < 0.5 else scipy.signal.lfilter([1], [1, -0.95], white)
    return x + noise / np.std(noise) * loud_level(x) * 10 ** (rng.uniform(-25, -12) / 20)


SENTENCES = {
    "en": "Sorry, I lost my place, let me just find it again, I think it was bar twenty something.",
    "en+f3": "I am recording, can you please close the door, thank you, yes, in ten minutes.",
    "de": "Entschuldigung, ich habe mich verspielt, ich fange an dieser Stelle noch einmal an.",
    "en-us+m4": "Okay that was not so good, let me try this section once more from the top.",
}


def words(rng):
    """Some sentence by espeak-ng, a formant synthesiser (Debian has it as espeak-ng)."""
    voice = str(rng.choice(list(SENTENCES)))
    with tempfile.NamedTemporaryFile(suffix=".wav") as file:
        subprocess.run(["espeak-ng", "-v", voice, "-s", str(rng.integers(140, 190)), "-w", file.name,
                        SENTENCES[voice]], check=True)
        sound, rate = soundfile.read(file.name)
    return soxr.resample(sound, rate, RATE)


def spoken(x, rng, words, bar1_s):
    """The player stops and talks."""
    at = int((bar1_s + rng.uniform(20, 120)) * RATE)
    y = x.copy()
    count = min(len(words), len(y) - at)
    y[at : at + count] *= 0.03
    gain = rng.uniform(0.7, 2) * loud_level(x) / loud_level(words)
    y[at : at + count] += gain * words[:count]
    return y * 0.8 / np.max(np.abs(y))


# Defects, and by which of the instruments they can be played.
DEFECTS = {
    "clean": ALL, "tuning": PITCHED, "transposed": PITCHED, "wrong_mode": PITCHED,
    "wrong_section": PITCHED, "clipped": ALL, "squashed": ALL, "wet": ALL,
    "too_quiet": ALL, "unnormalised": ALL, "dc_offset": ALL, "hum": ALL, "noisy": ALL,
    "silent": ALL, "cut_short": ALL, "closing_mark": ALL, "speech": ALL, "dead_channel": ALL,
    "antiphase": ALL, "blunders": set(ALL) - SLOW, "too_loose": set(ALL) - SLOW,
    "too_tight": ["guitar", "piano", "woodblock", "snare", "marimba", "banjo", "conga"],
}


def manner_of(defect, rng):
    """How somebody plays who does that wrong."""
    section = [(1, 2), (2, 3), (2, 0), (3, 2), (2, 1)][int(rng.integers(5))]
    return {
        "tuning": Manner(cents=float(rng.choice([-1, 1]) * rng.uniform(25, 45))),
        "transposed": Manner(semitones=int(rng.choice([-5, -3, -2, -1, 1, 2, 3, 5]))),
        "wrong_mode": Manner(swap=[(5, 6), (4, 3), (11, 10)][int(rng.integers(3))]),
        "wrong_section": Manner(lost=section),
        "too_tight": Manner(tight=True),
        "blunders": Manner(blunders=int(rng.integers(2, 5))),
    }.get(defect, Manner())


def damaged(defect, x, bar1_s, end_s, rng):
    """The sound as recorded with the defect, mono or two columns."""
    if defect == "wet":
        return wet(x, rng) + rng.normal(size=len(x)) * 10 ** (rng.uniform(-82, -66) / 20)
    x = usual(x, rng)
    if defect in ("clipped", "squashed", "hum", "noisy"):
        return {"clipped": clipped, "squashed": squashed, "hum": hum, "noisy": noisy}[defect](x, rng)
    if defect == "too_quiet":
        return x / np.max(np.abs(x)) * rng.uniform(0.0015, 0.004)
    if defect == "unnormalised":
        return x / np.max(np.abs(x)) * rng.uniform(0.04, 0.2)
    if defect == "dc_offset":
        return 0.9 * x + rng.choice([-1, 1]) * rng.uniform(0.01, 0.06)
    if defect == "silent":
        return rng.normal(size=len(x)) * 10 ** (rng.uniform(-92, -76) / 20)
    if defect == "cut_short":
        return x[: int((end_s - rng.uniform(3, 60)) * RATE)]
    if defect == "speech":
        return spoken(x, rng, words(rng), bar1_s)
    if defect == "dead_channel":
        return np.stack([x, rng.normal(size=len(x)) * 1e-4], 1)[:, :: int(rng.choice([-1, 1]))]
    if defect == "antiphase":
        return np.stack([x, -x * rng.uniform(0.7, 1)], 1) + rng.normal(size=(len(x), 2)) * 1e-4
    return x


def record(pack, defect, seed, path, banks=1):
    """Writes the take `seed` with a defect, played from so many banks in turn; gives its file and
    who played."""
    rng = np.random.default_rng([seed, sum(map(ord, defect))])
    names = sorted(DEFECTS[defect])
    name = names[seed % len(names)]
    args = {"closing_mark": dict(closing=True),
            "too_loose": dict(jitter_ms=float(rng.uniform(55, 85)))}.get(defect, {})
    bank = seed // len(names) % banks
    x, bar1_s, _ = play(pack, name, seed, bank, manner_of(defect, rng), **args)
    x = damaged(defect, x, bar1_s, bar1_s + pack.beats_s[-1] + 0.45, rng)
    x = x * min(1, 0.99 / np.max(np.abs(x)))
    codecs = ["flac", "flac", "aac64", "aac128", "opus64", "mp3_96"]
    if x.ndim > 1 or defect in ("silent", "too_quiet"):
        codecs = ["flac"]
    return home_sound.encode(x, RATE, str(rng.choice(codecs)), path), name
