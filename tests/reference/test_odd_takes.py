"""Recordings that are sound, but not what was asked for: effects, nothing after the mark, a mark at
the wrong end. Made without the product (home_takes.py); what is done to them is written out here.
"""

from __future__ import annotations

import numpy as np
import pytest
import soundfile

import home_takes
from home_sound import RATE
from home_takes import Player
from test_home_takes import PIECE, examine, make_pack

GUITAR = Player(instrument="guitar", lag_ms=14, ratio_ppm=40, noise_db=-60, room_rt60_s=0.4, seed=5)
DRUM = Player(instrument="drum", lag_ms=14, ratio_ppm=40, noise_db=-60, seed=5)


@pytest.fixture(scope="module")
def recorded(tmp_path_factory):
    """Sound, and file time of bar 1 beat 1, of a take by each player."""
    folder = tmp_path_factory.mktemp("odd")
    pack = make_pack(folder / "pack")

    def of(player):
        file, truth = home_takes.record(pack, player, folder / player.instrument)
        return soundfile.read(file)[0], truth["bar1_beat1_s"]

    return {player.instrument: of(player) for player in (GUITAR, DRUM)}


def told(samples, folder):
    soundfile.write(folder / "take.wav", samples, RATE, subtype="PCM_24")
    (line,) = examine(PIECE, [folder / "take.wav"])
    return line, {finding["code"]: finding["severity"] for finding in line["findings"]}


@pytest.mark.parametrize("name,delay_s,share", [
    ("guitar", 0.35, 0.6), ("guitar", 0.5, 0.5), ("drum", 0.75, 0.4),
])
def test_the_repetitions_of_a_delay_effect_are_no_marks_of_their_own(
        name, delay_s, share, recorded, tmp_path):
    dry, bar1_beat1_s = recorded[name]
    wet = dry.copy()
    for times in range(1, 6):
        behind = int(delay_s * times * RATE)
        wet[behind:] += share**times * dry[:-behind]
    line, codes = told(0.8 * wet / np.max(np.abs(wet)), tmp_path)
    assert line["state"] == "placed", codes
    assert abs(1e3 * (line["bar1_beat1_s"] - bar1_beat1_s)) < 1.0
    assert "two_opening_marks" not in codes


def test_a_recording_that_stops_after_the_mark_is_asked_about(recorded, tmp_path):
    sound, bar1_beat1_s = recorded["guitar"]
    for more_s in (-1.0, 3.0):
        line, codes = told(sound[: int((bar1_beat1_s + more_s) * RATE)], tmp_path)
        assert (line["state"], codes.get("cut_short")) == ("asks", "asks"), (more_s, codes)
    # A part that is played in the beginning alone is no mistake by itself.
    line, codes = told(sound[: int((bar1_beat1_s + 25.0) * RATE)], tmp_path)
    assert (line["state"], codes.get("cut_short")) == ("placed", "advice"), codes


def test_a_mark_behind_the_playing_is_asked_about(recorded, tmp_path):
    sound, bar1_beat1_s = recorded["guitar"]
    begins = int((bar1_beat1_s - 0.5) * RATE)
    line, codes = told(np.concatenate([sound[begins:], sound[:begins]]), tmp_path)
    assert (line["state"], codes.get("cut_short")) == ("asks", "asks"), codes
    line, codes = told(sound[::-1], tmp_path)
    assert line["state"] == "asks", "backwards a mark is still one"


def test_a_mark_and_a_hiss_are_no_take(recorded, tmp_path):
    sound, bar1_beat1_s = recorded["guitar"]
    sound = sound.copy()
    quiet = sound[int((bar1_beat1_s - 0.5) * RATE) :]
    quiet[:] = 1e-3 * np.random.default_rng(2).normal(size=len(quiet))
    line, codes = told(sound, tmp_path)
    assert (line["state"], codes.get("silent")) == ("unusable", "unusable"), codes
