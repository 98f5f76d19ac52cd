"""What the mark tells of the room it was heard in, against rooms whose reverberation time is known
from their making: exponential decays of noise, as in W. C. Sabine's diffuse field; the time is that
of a fall by 60 dB (ISO 3382-1:2009, 3.5; from memory).
"""

import numpy as np
import pytest

from check_takes import wet
from home_sound import RATE, encode, room, through_phone
from test_home_takes import PIECE, examine, make_pack


@pytest.fixture(scope="module")
def mark(tmp_path_factory):
    samples, _, _, _ = make_pack(tmp_path_factory.mktemp("rooms") / "pack").mark("opening")
    return samples


def told(sound, codec, folder, plays=True):
    """Seconds that the take is said to ring on; none when nothing is said."""
    rng = np.random.default_rng()
    sound = 0.6 * sound / np.max(np.abs(sound)) + 10 ** (-65 / 20) * rng.normal(size=len(sound))
    (line,) = examine(PIECE, [encode(sound, RATE, codec, folder / "take")])
    said = {finding["code"]: finding["value"] for finding in line["findings"]}
    assert ("silent" in said) != plays
    return said.get("wet")


def with_mark(mark):
    return np.concatenate([np.zeros(RATE), mark, np.zeros(5 * RATE)])


def with_playing(mark):
    """The mark, then a held chord, whose notes have no decay to be judged by."""
    at_s = np.arange(12 * RATE) / RATE
    chord = sum(np.sin(2 * np.pi * hz * partial * at_s) / partial
                for hz in (220, 277.18, 329.63) for partial in range(1, 6))
    chord *= 0.05 * np.minimum(1, np.minimum(at_s, at_s[-1] - at_s) / 0.5)
    return np.concatenate([np.zeros(RATE), mark, np.zeros(2 * RATE), chord])


@pytest.mark.parametrize("rt60_s, codec, phone", [
    (1.5, "wav", False), (2.2, "aac64", True), (2.6, "opus64", False), (3.2, "mp3_96", True),
])
def test_a_hall_is_told_by_its_reverberation_time(mark, rt60_s, codec, phone, tmp_path):
    sound = wet(with_playing(mark), np.random.default_rng(), rt60_s)
    seconds = told(through_phone(sound) if phone else sound, codec, tmp_path)
    assert seconds == pytest.approx(rt60_s, rel=0.4 if codec == "opus64" else 0.25)


@pytest.mark.parametrize("rt60_s, codec", [(0.3, "wav"), (0.6, "aac64"), (0.9, "opus64"),
                                           (1.2, "mp3_96")])
def test_a_room_at_home_is_not(mark, rt60_s, codec, tmp_path):
    sound = room(with_playing(mark), rt60_s, np.random.default_rng())
    assert told(sound, codec, tmp_path) is None


def test_nobody_is_told_of_the_room_in_which_nobody_plays(mark, tmp_path):
    sound = wet(with_mark(mark), np.random.default_rng(), 2.2)
    assert told(sound, "wav", tmp_path, plays=False) is None
