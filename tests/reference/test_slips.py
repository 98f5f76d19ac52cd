"""Takes from which beats were cut, or into which beats were put, by parts that strike every beat
alike, where nothing but their accents and where they end tells of it, by parts that hold their
chords, where nothing but these does, and takes in which a few bars were moved and all after them
lies where it should.

The playing is sampled instruments by FluidSynth (home_takes.py); the classes are study_places.py's.
"""

import numpy as np
import pytest

import study_places
from test_home_takes import PIECE, examine, make_pack


@pytest.fixture(scope="module")
def pack(tmp_path_factory):
    return make_pack(tmp_path_factory.mktemp("pack"))


def findings(pack, player, folder):
    file, _ = study_places.home_takes.record(pack, player, folder / "take")
    (line,) = examine(PIECE, [file])
    return line["state"], {finding["code"] for finding in line["findings"]}


# Drums, bells, and a hi-hat in eighths; of all but the last of the bells accents say little.
@pytest.mark.parametrize("name, seed", [
    ("evenly struck, slipped by beats", 6001), ("evenly struck, slipped by beats", 6002),
    ("evenly struck, slipped by beats", 6008), ("evenly struck, slipped by beats", 6301),
    ("slipped by beats", 6003),
])
def test_a_slip_by_whole_beats_is_asked_about(pack, tmp_path, name, seed):
    state, codes = findings(pack, study_places.player_of(name, seed), tmp_path)
    assert state == "asks" and "slipped" in codes, (state, codes)


@pytest.mark.parametrize("seed", [6100, 6102, 6104])
def test_a_part_that_strikes_every_beat_is_not_said_to_have_slipped(pack, tmp_path, seed):
    state, codes = findings(pack, study_places.player_of("evenly struck", seed), tmp_path)
    assert state == "placed" and "slipped" not in codes, (state, codes)


# By two beats exactly, and by a little less.
@pytest.mark.parametrize("instrument, seed, slip", [
    ("choir", 640, study_places.slip_by_beats),
    ("strings", 601, lambda rng: study_places.slip_between(rng, 80, 1_200)),
])
def test_a_slip_in_held_chords_is_asked_about(pack, tmp_path, instrument, seed, slip):
    rng = np.random.default_rng([seed, 5])
    slipped = slip(rng)
    player = study_places.anyone(rng, seed, instrument=instrument, **slipped)
    state, codes = findings(pack, player, tmp_path)
    assert state == "asks" and "slipped" in codes, (state, codes)


@pytest.mark.parametrize("seed", [34001, 34010])
def test_held_chords_that_did_not_slip_are_placed(pack, tmp_path, seed):
    state, codes = findings(pack, study_places.player_of("held", seed), tmp_path)
    assert state == "placed" and "slipped" not in codes, (state, codes)


# By 582 ms over 17 beats, and by 696 ms over 16 of a bass with two strokes a bar.
@pytest.mark.parametrize("seed", [51006, 60007])
def test_a_stretch_that_was_moved_and_came_back_is_asked_about(pack, tmp_path, seed):
    state, codes = findings(pack, study_places.player_of("slipped and back", seed), tmp_path)
    assert state == "asks" and "slipped" in codes, (state, codes)
