"""Sound for takes made without the product: sampled instruments by FluidSynth with a free General
MIDI sound bank (Debian: fluidsynth, timgm6mb-soundfont or fluid-soundfont-gm), rooms, phones, and
codecs by FFmpeg's libraries (PyPI av).
"""

from __future__ import annotations

import pathlib
import subprocess
import tempfile

import av
import mido
import numpy as np
import scipy.signal
import soundfile

RATE = 48_000
TICKS_PER_SECOND = 10_000
# The suite plays from the first, which it brings; studies from both, where the second is there.
BANKS = ("/usr/share/sounds/sf2/TimGM6mb.sf2", "/usr/share/sounds/sf2/FluidR3_GM.sf2")


def banks_at_hand():
    return 2 if pathlib.Path(BANKS[1]).exists() else 1


def synthesise(
    notes, programme: int | None, before_s: float, total_s: float, bank: int, cents: float = 0.0
) -> np.ndarray:
    """The notes by FluidSynth, dry and so many cents sharp; time 0 of the piece lies `before_s`
    into the result. No programme means the drum kit."""
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
        # General MIDI: full bend is two semitones.
        bend = round(cents / 200 * 8192)
        track.append(mido.Message("pitchwheel", pitch=bend, time=0))
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
    return scipy.signal.oaconvolve(sound, response)[: len(sound)]


def through_phone(sound):
    """A small loudspeaker and microphone: 300 Hz to 7 kHz with a resonance."""
    sos = scipy.signal.butter(2, [300, 7000], "bandpass", fs=RATE, output="sos")
    return scipy.signal.sosfilt(sos, sound)


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
