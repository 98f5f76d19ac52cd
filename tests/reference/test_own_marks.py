"""Marks of the organiser's own, made here by closed formulas, heard in takes by players, rooms and
codecs that the product had no hand in (home_takes.py, home_sound.py).

A bell's partials are those of a minor-third bell (from memory); a clap is three bursts of
band-limited noise within 20 ms (common practice, no source).
"""

from __future__ import annotations

import pathlib
import subprocess

import numpy as np
import pytest
import scipy.signal
import soundfile

import home_takes
import test_home_takes
from home_sound import RATE
from home_takes import Player
from test_home_takes import PIECE, examine


def bell(rng):
    t = np.arange(3 * RATE) / RATE
    partials = ((1, 1.4), (2.003, 1.0), (2.4, 0.8), (3, 0.6), (4.01, 0.45), (5.33, 0.3), (7.2, 0.2))
    return sum(np.exp(-t / decay) * np.sin(2 * np.pi * 523.25 * ratio * t)
               for ratio, decay in partials)


def clap(rng):
    t = np.arange(RATE // 4) / RATE
    envelope = sum(a * np.exp(-np.maximum(t - at, 0) / decay) * (t >= at)
                   for at, a, decay in ((0, 0.6, 0.003), (0.011, 0.7, 0.003), (0.021, 1, 0.03)))
    band = scipy.signal.butter(2, [700, 4500], "bandpass", fs=RATE, output="sos")
    return scipy.signal.sosfilt(band, rng.normal(size=len(t)) * envelope)


def three_claps(rng):
    one = clap(rng)
    return np.concatenate([one, np.zeros(9_000), one, np.zeros(15_000), one])


def tone(rng):
    t = np.arange(int(0.3 * RATE)) / RATE
    return np.sin(2 * np.pi * 1_000 * t) * np.minimum(1, np.minimum(t, 0.3 - t) / 0.005)


SOUNDS = {"bell": bell, "clap": clap, "three claps": three_claps, "tone": tone}
PLAYERS = [
    Player("guitar", codec="aac64", ratio_ppm=60, mark_gain_db=-8, noise_db=-58, phone=True, seed=71),
    Player("recorder", codec="flac", ratio_ppm=-45, mark_gain_db=-5, noise_db=-62, room_rt60_s=0.4,
           seed=72),
]


def pack_with(sound, folder: pathlib.Path):
    samples = sound(np.random.default_rng(5))
    samples = np.concatenate([np.zeros(2_400), 0.8 * samples / np.max(np.abs(samples))])
    soundfile.write(folder / "own.wav", samples, RATE, subtype="PCM_24")
    text = pathlib.Path(PIECE).read_text()
    assert text.count("\n[marks]\n") == 1
    document = folder / "piece.toml"
    document.write_text(text.replace("\n[marks]\n", '\n[marks]\nown_file = "own.wav"\n'))
    subprocess.run([test_home_takes.BINARY, "pack", "--piece", document, "--out", folder / "pack"],
                   check=True)
    chords = test_home_takes.chords_of(folder / "pack")
    return document, home_takes.read_pack(folder / "pack", 132, 5, 64, chords)


@pytest.mark.parametrize("name", sorted(SOUNDS))
def test_a_take_is_placed_by_the_organiser_s_own_sound(name, tmp_path):
    document, pack = pack_with(SOUNDS[name], tmp_path)
    # A room holds a steady tone on until it fits itself at any place: that is asked about.
    players = PLAYERS[:1] if name == "tone" else PLAYERS
    takes = [home_takes.record(pack, player, tmp_path / f"take{player.seed}")
             for player in players]
    for line, (file, truth) in zip(examine(document, [file for file, _ in takes]), takes):
        off_ms = 1e3 * (line["bar1_beat1_s"] - truth["bar1_beat1_s"])
        codes = {finding["code"] for finding in line["findings"]}
        assert not codes & {"no_mark", "two_opening_marks"}, (file, codes)
        assert abs(off_ms) < 1.0, (file, off_ms)
