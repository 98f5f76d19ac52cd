"""Takes as people send them, made without the product: sampled instruments by FluidSynth with a
free General MIDI sound bank (Debian: fluidsynth, timgm6mb-soundfont or fluid-soundfont-gm),
rooms, phones, clocks by soxr, codecs by FFmpeg's libraries (PyPI av). The truth of each take is
known from its making.
"""

from __future__ import annotations

import dataclasses
import json
import pathlib
import subprocess
import tempfile

import av
import mido
import numpy as np
import scipy.signal
import soundfile
import soxr

RATE = 48_000
TICKS_PER_SECOND = 10_000
BANKS = ("/usr/share/sounds/sf2/TimGM6mb.sf2", "/usr/share/sounds/sf2/FluidR3_GM.sf2")

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
    bar_of_beat: np.ndarray
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
    folder = pathlib.Path(folder)
    marks = json.loads((folder / "marks.json").read_text())
    guide, _ = soundfile.read(folder / "guide.wav", dtype="float64")
    count = bars * beats_in_bar
    beats = np.arange(count) * 60.0 / beats_per_minute
    return Pack(
        folder, marks, guide, beats, np.arange(count) // beats_in_bar,
        np.arange(count) % beats_in_bar,
        [chords[(i // beats_in_bar) % len(chords)] for i in range(count)],
    )


@dataclasses.dataclass
class Player:
    instrument: str = "guitar"
    lag_ms: float = 15.0
    jitter_ms: float = 12.0
    ratio_ppm: float = 0.0
    lead_in_s: float = 2.0
    opening: bool = True
    closing: bool = False
    mark_gain_db: float = 0.0
    room_rt60_s: float = 0.0
    phone: bool = False
    noise_db: float = -80.0
    bleed_db: float | None = None
    codec: str = "wav"
    file_rate: int = RATE
    bank: int = 0
    first_beat: int = 0
    last_beat: int | None = None
    transpose: int = 0
    seed: int = 1
    # Another take of the same notes by the same player.
    take: int = 0


def notes_of(pack: Pack, player: Player, rng):
    """(piece time as played, length, MIDI note, velocity), human timing included."""
    _, centre, pattern = INSTRUMENTS[player.instrument]
    drum = INSTRUMENTS[player.instrument][0] is None
    beat_s = np.diff(pack.beats_s, append=2 * pack.beats_s[-1] - pack.beats_s[-2])
    wander, notes = 0.0, []
    # What is played is drawn apart from how.
    hand = np.random.default_rng((player.seed, player.take, 77))

    def near(pitch_class):
        offset = (pitch_class - centre) % 12
        return centre + (offset if offset <= 6 else offset - 12) + player.transpose

    last = len(pack.beats_s) if player.last_beat is None else player.last_beat
    for i in range(player.first_beat, last):
        wander = 0.95 * wander + hand.normal(0, 1.5)
        chord, in_bar = pack.chord_of_beat[i], pack.beat_in_bar[i]
        strokes = []
        pick = lambda: near(chord[rng.integers(len(chord))])
        if pattern == "pulse":
            strokes = [(0.0, 0.8, [pick()])]
        elif pattern == "halves":
            strokes = [(0.0, 0.45, [pick()]), (0.5, 0.4, [pick()])]
        elif pattern == "offbeats":
            strokes = [(0.5, 0.4, [pick()])]
        elif pattern == "strum":
            strokes = [(0.0, 0.9, [near(c) for c in chord])]
        elif pattern == "bass" and in_bar in (0, 3):
            strokes = [(0.0, 1.7, [near(chord[0 if in_bar == 0 else -1])])]
        elif pattern == "pad" and in_bar == 0:
            strokes = [(0.0, 4.8, [near(c) for c in chord])]
        elif pattern == "sparse" and in_bar == 0:
            strokes = [(0.0, 3.0, [pick()])]
        elif pattern == "tune":
            draw = rng.random()
            if in_bar == 0 or draw < 0.5:
                strokes = [(0.0, 0.95, [pick()])]
            elif draw < 0.85:
                strokes = [(0.0, 0.48, [pick()]), (0.5, 0.45, [pick()])]
        for offset, length, pitches in strokes:
            off = 1e-3 * (player.lag_ms + wander + hand.normal(0, player.jitter_ms))
            at = pack.beats_s[i] + offset * beat_s[i] + off
            for k, pitch in enumerate(pitches):
                spread = 0.012 * k if pattern == "strum" else 0.0
                velocity = int(np.clip(hand.normal(88 if in_bar else 104, 8), 30, 127))
                notes.append((at + spread, length * beat_s[i], 38 if drum else pitch, velocity))
    return notes


def synthesise(notes, instrument: str, before_s: float, total_s: float, bank: int) -> np.ndarray:
    """The notes by FluidSynth, dry; time 0 of the piece lies `before_s` into the result."""
    programme = INSTRUMENTS[instrument][0]
    channel = 9 if programme is None else 0
    events = []
    for at, length, pitch, velocity in notes:
        on = round((before_s + at) * TICKS_PER_SECOND)
        off = round((before_s + at + length) * TICKS_PER_SECOND)
        events.append((on, 1, mido.Message("note_on", note=pitch, velocity=velocity, channel=channel)))
        events.append((off, 0, mido.Message("note_off", note=pitch, channel=channel)))
    events.sort(key=lambda e: (e[0], e[1]))
    midi = mido.MidiFile(ticks_per_beat=TICKS_PER_SECOND)
    track = mido.MidiTrack([mido.MetaMessage("set_tempo", tempo=1_000_000, time=0)])
    if programme is not None:
        track.append(mido.Message("program_change", program=programme, time=0))
    last = 0
    for tick, _, message in events:
        track.append(message.copy(time=tick - last))
        last = tick
    midi.tracks.append(track)
    with tempfile.TemporaryDirectory() as folder:
        score, wave = f"{folder}/a.mid", f"{folder}/a.wav"
        midi.save(score)
        subprocess.run(
            ["fluidsynth", "-ni", "-q", "-R", "0", "-C", "0", "-g", "0.7", "-r", str(RATE),
             "-O", "float", "-T", "wav", "-F", wave, BANKS[bank], score],
            check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )
        sound, _ = soundfile.read(wave, dtype="float64")
    sound = sound.mean(axis=1)
    want = int(total_s * RATE)
    return np.pad(sound, (0, max(0, want - len(sound))))[:want]


def room(sound, rt60_s, rng):
    """Direct sound, six early echoes, and an exponentially falling noise tail."""
    length = int(rt60_s * RATE)
    t = np.arange(length) / RATE
    tail = rng.normal(size=length) * 10 ** (-3 * t / rt60_s)
    tail *= 0.35 / np.sqrt(np.sum(tail**2))
    tail[: int(0.012 * RATE)] = 0
    response = tail
    response[0] = 1.0
    for _ in range(6):
        response[int(rng.uniform(0.002, 0.03) * RATE)] += rng.uniform(-0.4, 0.4)
    return scipy.signal.fftconvolve(sound, response)[: len(sound)]


def through_phone(sound):
    """A small loudspeaker and microphone: 300 Hz to 7 kHz with a resonance."""
    sos = scipy.signal.butter(2, [300, 7000], "bandpass", fs=RATE, output="sos")
    return scipy.signal.sosfilt(sos, sound)


def record(pack: Pack, player: Player, path: pathlib.Path):
    """Writes the take; returns its truth: where bar 1 beat 1 lies in the file, and the ratio."""
    rng = np.random.default_rng(player.seed)
    opening, mark_rate, origin, mark_at = pack.mark("opening")
    assert mark_rate == RATE
    before = player.lead_in_s + origin / RATE - mark_at
    last = len(pack.beats_s) - 1 if player.last_beat is None else player.last_beat - 1
    total = before + pack.beats_s[last] + (9.0 if player.closing else 3.0)
    notes = notes_of(pack, player, rng)
    sound = synthesise(notes, player.instrument, before, total, player.bank)
    sound *= 0.5 / np.max(np.abs(sound))

    def add_mark(samples, origin, at_s):
        first = round((before + at_s) * RATE - origin)
        end = min(len(sound), first + len(samples))
        gain = 10 ** (player.mark_gain_db / 20)
        sound[first:end] += gain * samples[: end - first]

    # The grid instant must fall on a sample for the mark to be added exactly.
    before = round(before * RATE) / RATE
    if player.opening:
        add_mark(opening, origin, mark_at)
    if player.closing:
        closing, _, c_origin, c_at = pack.mark("closing")
        add_mark(closing, c_origin, c_at)
    if player.bleed_db is not None:
        first = round(before * RATE) - pack.marks["bar1_beat1_sample"]
        guide = pack.guide if pack.guide.ndim == 1 else pack.guide.mean(axis=1)
        source = max(0, -first)
        into = max(0, first)
        count = min(len(sound) - into, len(guide) - source)
        sound[into : into + count] += 10 ** (player.bleed_db / 20) * guide[source : source + count]
    if player.phone:
        sound = through_phone(sound)
    if player.room_rt60_s > 0:
        sound = room(sound, player.room_rt60_s, rng)
    sound *= 0.7 / np.max(np.abs(sound))
    sound += rng.normal(size=len(sound)) * 10 ** (player.noise_db / 20)
    stretch = 1 + player.ratio_ppm * 1e-6
    if player.ratio_ppm or player.file_rate != RATE:
        sound = soxr.resample(sound, RATE, player.file_rate * stretch, quality="VHQ")
    file = encode(sound, player.file_rate, player.codec, path)
    mean_lag = 1e3 * (np.mean([n[0] for n in notes]))
    return file, {"bar1_beat1_s": before * stretch, "ratio_ppm": player.ratio_ppm,
                  "lag_ms": player.lag_ms, "notes": len(notes), "mean": mean_lag}


CODECS = {
    # ending, container, codec, bit rate
    "aac64": ("m4a", "ipod", "aac", 64_000),
    "aac128": ("m4a", "ipod", "aac", 128_000),
    "mp3_96": ("mp3", "mp3", "libmp3lame", 96_000),
    "opus64": ("ogg", "ogg", "libopus", 64_000),
    "opus24": ("ogg", "ogg", "libopus", 24_000),
    "webm": ("webm", "webm", "libopus", 64_000),
    "vorbis": ("ogg", "ogg", "libvorbis", 96_000),
}


def encode(sound, rate, codec, path) -> pathlib.Path:
    path = pathlib.Path(path)
    if codec in ("wav", "flac", "aiff"):
        file = path.with_suffix("." + codec)
        soundfile.write(file, np.clip(sound, -1, 1), rate, subtype="PCM_16")
        return file
    ending, container, name, bit_rate = CODECS[codec]
    file = path.with_suffix("." + ending)
    with av.open(str(file), "w", format=container) as out:
        stream = out.add_stream(name, rate=rate, layout="mono")
        stream.bit_rate = bit_rate
        frame_format = stream.codec_context.format.name if stream.codec_context.format else "fltp"
        resampler = av.AudioResampler(format=frame_format, layout="mono", rate=rate)
        block = 4096
        for first in range(0, len(sound), block):
            piece = sound[first : first + block].astype(np.float32)[None, :]
            frame = av.AudioFrame.from_ndarray(piece, format="fltp", layout="mono")
            frame.rate, frame.pts = rate, first
            for converted in resampler.resample(frame):
                out.mux(stream.encode(converted))
        out.mux(stream.encode(None))
    return file
