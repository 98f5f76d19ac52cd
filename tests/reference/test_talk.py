"""Talk while playing. The voice is espeak-ng's, a formant synthesiser (Debian espeak-ng); the playing
is sampled instruments by FluidSynth (check_takes.py, home_takes.py).
"""

import pytest

import check_takes
import home_takes
from home_takes import Player
from test_home_takes import PIECE, examine, make_pack


@pytest.fixture(scope="module")
def pack(tmp_path_factory):
    return make_pack(tmp_path_factory.mktemp("pack"))


def findings(file):
    (line,) = examine(PIECE, [file])
    return {finding["code"]: finding for finding in line["findings"]}


# A cowbell, a fiddle, a flute, a harmonica, an oboe, a steel guitar, a taiko: some by codecs.
@pytest.mark.parametrize("seed", [301, 302, 304, 308, 318, 2012, 2015])
def test_a_player_who_stops_and_talks_is_told_so(pack, tmp_path, seed):
    file, name = check_takes.record(pack, "speech", seed, tmp_path / "take")
    found = findings(file)
    assert "speech" in found, name
    # Syllables are no notes that come in at the wrong moment.
    spoken = found["speech"]["at_s"]
    for at, _ in found.get("blunders", {"at_s": []})["at_s"]:
        assert not any(begin <= at < end for begin, end in spoken), name


# Their noise between the notes hisses as talk does, throughout.
@pytest.mark.parametrize("programme, pattern", [(28, "quarters"), (61, "pulse"), (33, "pulse")])
def test_short_notes_over_noise_are_no_talk(pack, tmp_path, programme, pattern):
    home_takes.INSTRUMENTS["short notes"] = (programme, 48, pattern)
    player = Player(instrument="short notes", noise_db=-44, seed=programme)
    file, _ = home_takes.record(pack, player, tmp_path / "take")
    assert "speech" not in findings(file)
