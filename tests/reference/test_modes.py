"""A part read in another mode or key. The players are General MIDI sound fonts by FluidSynth
(check_takes.py, home_takes.py); the mode is that of the chart in the guide pack.
"""

import pytest

import check_takes
from test_home_takes import PIECE, examine, make_pack


@pytest.fixture(scope="module")
def pack(tmp_path_factory):
    return make_pack(tmp_path_factory.mktemp("pack"))


def found(pack, defect, seed, path):
    """What is found in the take `seed` with a defect, and who played."""
    file, name = check_takes.record(pack, defect, seed, path / "take")
    (line,) = examine(PIECE, [file])
    return line["findings"], name


def said(pack, defect, seed, path):
    findings, name = found(pack, defect, seed, path)
    return [finding["says"] for finding in findings if finding["code"] == "wrong_mode"], name


# A harp, an organ and a choir, who play chords: the wrong note is seldom the loudest; a cello,
# whose chords are the less the chart's for it.
@pytest.mark.parametrize("seed", [9101, 9106, 9124, 9153])
def test_a_note_of_another_mode_is_told_by_what_it_is_played_for(pack, tmp_path, seed):
    says, name = said(pack, "wrong_mode", seed, tmp_path)
    assert says, name
    assert any(f"{heard} where the chart has {own}" in says[0] for heard, own in
               [("F sharp", "F"), ("E flat", "E"), ("B flat", "B")]), says


# Harp, organ and choir once more, and the tuba, whose overtones are strong.
@pytest.mark.parametrize("seed", [9009, 9020, 9054, 9040])
def test_who_plays_in_the_mode_hears_nothing_of_it(pack, tmp_path, seed):
    says, name = said(pack, "clean", seed, tmp_path)
    assert not says, name


# A banjo and a harp: plucked strings whose lines in a room are not all of one harmonic series.
@pytest.mark.parametrize("seed", [20011, 20021])
def test_a_plucked_string_in_another_key_is_told(pack, tmp_path, seed):
    findings, name = found(pack, "transposed", seed, tmp_path)
    assert "transposed" in [finding["code"] for finding in findings], name


# Glockenspiel and vibraphone, whose partials are no harmonics, in the key of the chart.
@pytest.mark.parametrize("seed", [20004, 20025])
def test_struck_bars_are_heard_in_no_other_key(pack, tmp_path, seed):
    findings, name = found(pack, "clean", seed, tmp_path)
    codes = {finding["code"] for finding in findings}
    assert not codes & {"transposed", "wrong_section", "wrong_mode", "tuning"}, name
