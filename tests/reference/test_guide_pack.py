"""The guide pack as somebody else's programs see it: libsndfile reads the sounds, mido the MIDI
file, an XML parser the chart.

Where things must lie is worked out here from the piece's document, in exact fractions: bar 1 beat
1 is sample 0 of the grid, a bar of 5/4 at 132 a minute lasts 5 * 60 / 132 s. The pitch classes of
the chords are the textbook spellings, typed here by hand; partials of a tone are whole multiples
of its fundamental, equal temperament is 440 Hz * 2^(n/12) (ISO 16:1975 for A4 = 440 Hz).
"""

import json
import os
import pathlib
import re
import subprocess
import xml.etree.ElementTree as ET
from fractions import Fraction

import mido
import numpy as np
import pytest
import soundfile

ROOT = pathlib.Path(__file__).resolve().parents[2]
PROGRAM = pathlib.Path(os.environ.get("RIPIENO", ROOT / "target/debug/ripieno"))
PIECE = ROOT / "worker/score/demo/piece.toml"

RATE, BPM, BEATS, BARS = 48_000, 132, 5, 64
OPENING_BAR, CLOSING_BAR = -1, 66

SPELLED = {
    "G": {7, 11, 2},
    "F": {5, 9, 0},
    "F/G": {7, 5, 9, 0},
    "C": {0, 4, 7},
    "Dm": {2, 5, 9},
    "Dm7": {2, 5, 9, 0},
    "Am7": {9, 0, 4, 7},
    "Gsus4": {7, 0, 2},
    "G5": {7, 2},
}


def at_sample(bar, beat=1):
    """The grid's sample nearest to a beat."""
    beats = (bar - 1) * BEATS + beat - 1
    return round(Fraction(beats * 60 * RATE, BPM))


@pytest.fixture(scope="module")
def pack(tmp_path_factory):
    folder = tmp_path_factory.mktemp("pack")
    command = [PROGRAM, "pack", "--piece", PIECE, "--out", folder]
    subprocess.run(command, check=True, capture_output=True)
    return folder


@pytest.fixture(scope="module")
def account(pack):
    return json.loads((pack / "marks.json").read_text())


def sound(pack, name):
    samples, rate = soundfile.read(pack / name, dtype="int32")
    assert rate == RATE and samples.ndim == 1
    return samples.astype(np.int64) >> 8


def test_the_marks_lie_in_the_guide_where_the_account_says_to_the_sample(pack, account):
    guide, bar1 = sound(pack, "guide.wav"), account["bar1_beat1_sample"]
    for which, bar in [("opening", OPENING_BAR), ("closing", CLOSING_BAR)]:
        place = account[which]
        assert place["bar"] == bar
        assert place["sample"] - bar1 == at_sample(bar)
        mark = sound(pack, place["file"])
        first = place["sample"] - int(place["origin_sample"])
        assert np.array_equal(guide[first : first + len(mark)], mark)
        # Nowhere else does it fit as well: a matched filter over the whole guide peaks here.
        size = 1 << (len(guide) + len(mark)).bit_length()
        spectrum = np.fft.rfft(guide, size) * np.conj(np.fft.rfft(mark, size))
        fits = np.fft.irfft(spectrum, size)[: len(guide)]
        assert int(np.argmax(fits)) == first


def test_every_click_begins_on_its_beat_to_the_sample(pack, account):
    pulse, bar1 = sound(pack, "pulse.wav"), account["bar1_beat1_sample"]
    shapes = {}
    for bar in range(OPENING_BAR + 1, BARS + 1):
        for beat in range(1, BEATS + 1):
            at = bar1 + at_sample(bar, beat)
            click = pulse[at : at + 2_000]
            # Silence (a click's own tail apart) up to the beat, sound right after it.
            assert np.abs(pulse[at - 1_000 : at]).max() < 100, (bar, beat)
            assert np.abs(click[:60]).max() > 100_000, (bar, beat)
            shape = shapes.setdefault(beat == 1, click)
            assert np.array_equal(click, shape), (bar, beat)
    # And none lies anywhere else.
    quiet = pulse.copy()
    for bar in range(OPENING_BAR + 1, BARS + 1):
        for beat in range(1, BEATS + 1):
            at = bar1 + at_sample(bar, beat)
            quiet[at : at + 20_000] = 0
    assert not quiet.any()


def chart(pack):
    """Chords by bar as the drawing has them, in the order they stand in it."""
    texts = [
        (element.get("class"), element.text)
        for element in ET.parse(pack / "chart.svg").getroot().iter("{http://www.w3.org/2000/svg}text")
    ]
    bars, bar = {}, None
    for kind, text in texts:
        if kind == "number":
            bar = int(text)
        elif kind in ("chord", "again") and bar is not None and bar >= 1:
            bars.setdefault(bar, []).append(text)
    return bars


def sounding(pack):
    """Spans of the MIDI file's notes, as quarter notes from bar 1 on."""
    file = mido.MidiFile(pack / "piece.mid")
    before = (1 - OPENING_BAR) * BEATS
    spans, held = [], {}
    for track in file.tracks:
        tick = 0
        for message in track:
            tick += message.time
            at = Fraction(tick, file.ticks_per_beat) - before
            if message.type == "note_on" and message.velocity > 0:
                held[message.note] = at
            elif message.type in ("note_on", "note_off") and message.note in held:
                spans.append((held.pop(message.note), at, message.note))
    assert spans and not held
    return spans


def test_the_chart_shows_the_chords_that_the_midi_file_plays(pack):
    bars, spans = chart(pack), sounding(pack)
    assert sorted(bars) == list(range(1, BARS + 1))
    for bar, symbols in bars.items():
        first = (bar - 1) * BEATS
        played = []
        for beat in range(BEATS):
            at = first + beat + Fraction(1, 8)
            classes = {note % 12 for start, end, note in spans if start <= at < end}
            if not played or classes != played[-1]:
                played.append(classes)
        assert played == [SPELLED[symbol] for symbol in symbols], bar


def test_the_printed_chart_has_the_drawing_s_chords(pack):
    page = (pack / "chart.html").read_text()
    aloud = [line for line in re.findall(r'aria-label="Bar ([^"]*)"', page)]
    told = {}
    for line in aloud:
        for part in line.split("; "):
            bar, _, symbols = part.partition(" ")
            told[int(bar)] = symbols.split(", ")
    assert told == chart(pack)


def test_the_chord_bed_sounds_the_chart_s_pitches_and_no_others(pack, account):
    chords, bar1 = sound(pack, "chords.wav"), account["bar1_beat1_sample"]
    for bar, symbols in chart(pack).items():
        if len(symbols) > 1:
            continue
        # Past the last chord's ringing, before the next one.
        first = bar1 + at_sample(bar, 2)
        part = chords[first : bar1 + at_sample(bar, 5)].astype(float)
        spectrum = np.abs(np.fft.rfft(part * np.blackman(len(part)), 1 << 18))
        hz = np.fft.rfftfreq(1 << 18, 1 / RATE)
        # Below the third partial of the bass, which need not belong to a chord over a foreign bass.
        low = hz < 290
        peaks = (spectrum > np.roll(spectrum, 1)) & (spectrum > np.roll(spectrum, -1)) & low
        strong = peaks & (spectrum > spectrum.max() * 0.1)
        heard = {round(12 * np.log2(f / 440) + 69) % 12 for f in hz[strong]}
        assert heard <= SPELLED[symbols[0]], (bar, symbols, heard)
        bass = symbols[0].split("/")[-1][0]
        assert {"C": 0, "D": 2, "F": 5, "G": 7, "A": 9}[bass] in heard, (bar, symbols, heard)


def test_the_product_finds_bar_1_in_its_own_guide(pack, account):
    command = [PROGRAM, "examine", "--piece", PIECE, "--json", pack / "guide.wav"]
    said = subprocess.run(command, check=True, capture_output=True, text=True).stdout
    line = json.loads(said.splitlines()[0])
    off = line["bar1_beat1_s"] * RATE - account["bar1_beat1_sample"]
    assert abs(off) < 0.5 and abs(line["ratio_ppm"]) < 1
