"""Takes as people send them, made without the product: who plays what, how late, how loosely, at
what tempo, and what happens to the file. The sound is made by home_sound.py. The truth of each
take is known from its making.
"""

from __future__ import annotations

import dataclasses
import json
import pathlib

import numpy as np
import soundfile
import soxr

from home_sound import RATE, encode, room, synthesise, through_phone

# General MIDI programmes (GM 1 table): number, centre note, how it is played.
INSTRUMENTS = {
    "accordion": (21, 64, "tune"),
    "recorder": (74, 79, "tune"),
    "bells": (14, 72, "sparse"),
    "glockenspiel": (9, 84, "pulse"),
    "guitar": (24, 57, "halves"),
    "strummed": (25, 55, "strum"),
    "fiddle": (40, 69, "tune"),
    "cello": (42, 50, "bass"),
    "trombone": (57, 50, "bass"),
    "tuba": (58, 38, "bass"),
    "choir": (52, 62, "pad"),
    "organ": (19, 60, "pad"),
    "piano": (0, 60, "halves"),
    "pizzicato": (45, 57, "offbeats"),
    "drum": (None, 38, "pulse"),
}


@dataclasses.dataclass
class Pack:
    """A guide pack as written by `ripieno pack`."""

    folder: pathlib.Path
    marks: dict
    guide: np.ndarray
    beats_s: np.ndarray
    beat_in_bar: np.ndarray
    chord_of_beat: list

    def mark(self, which: str):
        entry = self.marks[which]
        samples, rate = soundfile.read(self.folder / entry["file"], dtype="float64")
        if samples.ndim > 1:
            samples = samples[:, 0]
        bar1 = self.marks["bar1_beat1_sample"]
        at_s = (entry["sample"] - bar1) / self.marks["sample_rate"]
        return samples, rate, entry["origin_sample"], at_s


def read_pack(folder, beats_per_minute, beats_in_bar, bars, chords) -> Pack:
    count = bars * beats_in_bar
    return with_beats(
        folder, np.arange(count) * 60.0 / beats_per_minute, np.arange(count) % beats_in_bar,
        [chords[(i // beats_in_bar) % len(chords)] for i in range(count)],
    )


def with_beats(folder, beats_s, beat_in_bar, chord_of_beat) -> Pack:
    """A pack whose beats were counted already."""
    folder = pathlib.Path(folder)
    marks = json.loads((folder / "marks.json").read_text())
    guide, _ = soundfile.read(folder / "guide.wav", dtype="float64")
    return Pack(folder, marks, guide, beats_s, beat_in_bar, chord_of_beat)


@dataclasses.dataclass
class Player:
    instrument: str = "guitar"
    pattern: str | None = None
    accents: bool = True
    lag_ms: float = 15.0
    jitter_ms: float = 12.0
    # A slow to and fro of the tempo, as a sine of this amplitude and period.
    wander_ms: float = 0.0
    wander_period_s: float = 30.0
    # So many beats at the beginning are played freely.
    free_beats: int = 0
    ratio_ppm: float = 0.0
    lead_in_s: float = 2.0
    talk: bool = False
    opening: bool = True
    closing: bool = False
    mark_gain_db: float = 0.0
    room_rt60_s: float = 0.0
    phone: bool = False
    noise_db: float = -80.0
    bleed_db: float | None = None
    codec: str = "wav"
    file_rate: int = RATE
    # Recorded at 44.1 kHz and labelled 48.
    mislabelled: bool = False
    bank: int = 0
    first_beat: int = 0
    last_beat: int | None = None
    # From this beat on everything comes later by so much: an edit that slipped.
    slip_beat: int | None = None
    slip_ms: float = 0.0
    # From this beat on that is undone.
    slip_back_beat: int | None = None
    # So many times nothing is heard for a moment, and nothing is moved.
    dropouts: int = 0
    # To the middle of the piece the clock runs so much faster than the ratio says, then slower.
    bend_ppm: float = 0.0
    transpose: int = 0
    seed: int = 1
    # Another take of the same notes by the same player.
    take: int = 0


def strokes_of(pattern: str, in_bar: int, rng):
    """(offset and length in beats, how many notes of the chord) of the strokes of one beat."""
    if pattern == "pulse":
        return [(0.0, 0.8, 1)]
    if pattern == "halves":
        return [(0.0, 0.45, 1), (0.5, 0.4, 1)]
    if pattern == "offbeats":
        return [(0.5, 0.4, 1)]
    if pattern == "triplets":
        return [(0.0, 0.3, 1), (1 / 3, 0.3, 1), (2 / 3, 0.3, 1)]
    if pattern == "swing":
        return [(0.0, 0.6, 1)] + ([(2 / 3, 0.3, 1)] if rng.random() < 0.6 else [])
    if pattern == "quarters":
        return [(k / 4, 0.22, 1) for k in range(4) if k == 0 or rng.random() < 0.7]
    if pattern == "strum":
        return [(0.0, 0.9, 9)]
    if pattern == "bass":
        return [(0.0, 1.7, 1)] if in_bar in (0, 3) else []
    if pattern == "pad":
        return [(0.0, 4.8, 9)] if in_bar == 0 else []
    if pattern == "sparse":
        return [(0.0, 3.0, 1)] if in_bar == 0 else []
    assert pattern == "tune", pattern
    draw = rng.random()
    if in_bar == 0 or draw < 0.5:
        return [(0.0, 0.95, 1)]
    return [(0.0, 0.48, 1), (0.5, 0.45, 1)] if draw < 0.85 else []


def notes_of(pack: Pack, player: Player, rng):
    """(piece time as played, length, MIDI note, velocity), human timing included."""
    programme, centre, pattern = INSTRUMENTS[player.instrument]
    pattern = player.pattern or pattern
    beat_s = np.diff(pack.beats_s, append=2 * pack.beats_s[-1] - pack.beats_s[-2])
    drift, free, notes = 0.0, 0.0, []
    # What is played is drawn apart from how.
    hand = np.random.default_rng((player.seed, player.take, 77))
    turn = hand.uniform(0, 2 * np.pi)

    def near(pitch_class):
        offset = (pitch_class - centre) % 12
        return centre + (offset if offset <= 6 else offset - 12) + player.transpose

    last = len(pack.beats_s) if player.last_beat is None else player.last_beat
    for i in range(player.first_beat, last):
        drift = 0.95 * drift + hand.normal(0, 1.5)
        free = free + hand.normal(0, 60) if i < player.first_beat + player.free_beats else 0.0
        slow = player.wander_ms * np.sin(turn + 2 * np.pi * pack.beats_s[i] / player.wander_period_s)
        in_bar, chord = pack.beat_in_bar[i], pack.chord_of_beat[i]
        for offset, length, count in strokes_of(pattern, in_bar, rng):
            off = 1e-3 * (player.lag_ms + drift + free + slow + hand.normal(0, player.jitter_ms))
            at = pack.beats_s[i] + offset * beat_s[i] + off
            pitches = [near(c) for c in chord] if count > 1 else [near(chord[rng.integers(len(chord))])]
            for k, pitch in enumerate(pitches):
                spread = 0.012 * k if pattern == "strum" else 0.0
                loud = 104 if player.accents and in_bar == 0 and offset == 0 else 88
                velocity = int(np.clip(hand.normal(loud, 8), 30, 127))
                pitch = 38 if programme is None else pitch
                notes.append((at + spread, length * beat_s[i], pitch, velocity))
    return notes


def talk(rng, seconds):
    """Something like speech: a buzz of changing pitch in syllables, through two formants."""
    import scipy.signal

    t = np.arange(int(seconds * RATE)) / RATE
    pitch = 120 + 25 * np.interp(t, np.arange(0, seconds + 1, 0.3), rng.normal(size=int(seconds / 0.3) + 5)[: len(np.arange(0, seconds + 1, 0.3))])
    buzz = np.sign(np.sin(2 * np.pi * np.cumsum(pitch) / RATE)) + 0.3 * rng.normal(size=len(t))
    syllables = np.interp(t, np.arange(0, seconds + 1, 0.11), rng.random(int(seconds / 0.11) + 15)[: len(np.arange(0, seconds + 1, 0.11))] ** 2)
    sound = np.zeros(len(t))
    for low, high in ((300, 900), (1100, 2400)):
        sos = scipy.signal.butter(2, [low, high], "bandpass", fs=RATE, output="sos")
        sound += scipy.signal.sosfilt(sos, buzz)
    return 0.3 * sound * syllables / np.max(np.abs(sound))


def record(pack: Pack, player: Player, path: pathlib.Path):
    """Writes the take; returns its file and its truth: where bar 1 beat 1 lies in the file, the
    ratio, and the mean lag of the notes as they were played."""
    rng = np.random.default_rng(player.seed)
    opening, mark_rate, origin, mark_at = pack.mark("opening")
    assert mark_rate == RATE
    # The grid instant must fall on a sample for the mark to be added exactly.
    before = round((player.lead_in_s + origin / RATE - mark_at) * RATE) / RATE
    last = len(pack.beats_s) - 1 if player.last_beat is None else player.last_beat - 1
    total = before + (pack.beats_s[-1] + 9.0 if player.closing else pack.beats_s[last] + 3.0)
    notes = notes_of(pack, player, rng)
    sound = synthesise(notes, INSTRUMENTS[player.instrument][0], before, total, player.bank)
    sound *= 0.5 / np.max(np.abs(sound))
    if player.talk:
        said = talk(rng, max(1.0, player.lead_in_s - 0.5))
        sound[: len(said)] += said

    def add_mark(which, gain_db):
        samples, _, its_origin, at_s = pack.mark(which)
        first = round((before + at_s) * RATE - its_origin)
        end = min(len(sound), first + len(samples))
        sound[first:end] += 10 ** (gain_db / 20) * samples[: end - first]

    if player.opening:
        add_mark("opening", player.mark_gain_db)
    if player.closing:
        add_mark("closing", player.mark_gain_db)
    if player.bleed_db is not None:
        add_guide(pack, sound, before, player.bleed_db)
    if player.phone:
        sound = through_phone(sound)
    if player.room_rt60_s > 0:
        sound = room(sound, player.room_rt60_s, rng)
    sound *= 0.7 / np.max(np.abs(sound))
    if player.slip_beat is not None:
        at_s = before + pack.beats_s[player.slip_beat] - 0.1
        sound = slipped(sound, at_s, player.slip_ms)
    if player.slip_back_beat is not None:
        back_s = before + pack.beats_s[player.slip_back_beat] - 0.1 + player.slip_ms * 1e-3
        sound = slipped(sound, back_s, -player.slip_ms)
    sound += rng.normal(size=len(sound)) * 10 ** (player.noise_db / 20)
    for _ in range(player.dropouts):
        at = int((before + rng.uniform(5, pack.beats_s[-1] - 5)) * RATE)
        sound[at : at + int(rng.uniform(0.05, 0.4) * RATE)] = 0
    stretch = 1 + player.ratio_ppm * 1e-6
    true_rate = 44_100 if player.mislabelled else player.file_rate
    middle_s = pack.beats_s[len(pack.beats_s) // 2]
    if player.bend_ppm:
        middle = round((before + middle_s) * RATE)
        halves = (sound[:middle], -player.bend_ppm), (sound[middle:], player.bend_ppm)
        sound = np.concatenate([
            soxr.resample(half, RATE, true_rate * stretch * (1 + ppm * 1e-6), quality="VHQ")
            for half, ppm in halves])
    elif player.ratio_ppm or true_rate != RATE:
        sound = soxr.resample(sound, RATE, true_rate * stretch, quality="VHQ")
    said_rate = 48_000 if player.mislabelled else player.file_rate
    stretch *= true_rate / said_rate
    file = encode(sound, said_rate, player.codec, path)

    def file_s(piece_s):
        """Where an instant of the piece lies in the file, but for slips."""
        bend = player.bend_ppm * 1e-6
        sooner, later = min(piece_s, middle_s), max(piece_s - middle_s, 0.0)
        return stretch * ((before + sooner) * (1 - bend) + later * (1 + bend))

    return file, {"bar1_beat1_s": file_s(0.0), "middle_s": (middle_s, file_s(middle_s)),
                  "end_s": (pack.beats_s[-1], file_s(pack.beats_s[-1])),
                  "ratio_ppm": (stretch - 1) * 1e6, "lag_ms": player.lag_ms, "notes": len(notes)}


def add_guide(pack: Pack, sound, before_s, gain_db):
    first = round(before_s * RATE) - pack.marks["bar1_beat1_sample"]
    guide = pack.guide if pack.guide.ndim == 1 else pack.guide.mean(axis=1)
    source, into = max(0, -first), max(0, first)
    count = min(len(sound) - into, len(guide) - source)
    sound[into : into + count] += 10 ** (gain_db / 20) * guide[source : source + count]


def slipped(sound, at_s, by_ms):
    """The sound with a piece cut out (negative) or silence put in from `at_s` on."""
    at, by = int(at_s * RATE), int(abs(by_ms) * 1e-3 * RATE)
    if by_ms > 0:
        return np.concatenate([sound[:at], np.zeros(by), sound[at:]])
    return np.concatenate([sound[:at], sound[at + by :]])
