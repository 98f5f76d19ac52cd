"""The guide left in a take, and one recording sent twice, end to end through `examine`.

Takes by home_takes.py: sampled instruments by FluidSynth, codecs by FFmpeg's libraries. The long
study is study_checks.py, run by hand.
"""

import numpy as np
import pytest
import soundfile

import home_takes
import study_checks
from home_takes import Player
from test_home_takes import PIECE, examine, make_pack


@pytest.fixture(scope="module")
def pack(tmp_path_factory):
    return make_pack(tmp_path_factory.mktemp("pack"))


def bleed_said(line):
    said = [f for f in line["findings"] if f["code"] == "guide_left_in"]
    return said[0]["value"] if said else None


@pytest.mark.parametrize("instrument, depth_db", [("organ", -16), ("guitar", -24), ("cello", -30)])
def test_a_bleed_is_found_with_its_depth_and_a_clean_take_has_none(
    instrument, depth_db, pack, tmp_path
):
    player = Player(instrument=instrument, seed=abs(depth_db))
    file, truth = home_takes.record(pack, player, tmp_path / "dry")
    bled = study_checks.with_bleed(pack, file, truth, depth_db, late=200, path=tmp_path / "bled")
    dry_line, bled_line = examine(PIECE, [file, bled])
    assert bleed_said(dry_line) is None
    assert bleed_said(bled_line) == pytest.approx(depth_db, abs=5)


def test_a_copy_in_another_form_is_known_and_another_take_is_not(pack, tmp_path):
    first, _ = home_takes.record(pack, Player(instrument="fiddle", seed=5), tmp_path / "first")
    again, _ = home_takes.record(pack, Player(instrument="fiddle", seed=6), tmp_path / "again")
    x, rate = soundfile.read(first)
    trimmed = 0.4 * x[int(3.3 * rate) : -int(7.7 * rate)]
    copy = home_takes.encode(trimmed, rate, "opus24", tmp_path / "copy")
    lines = examine(PIECE, [first, again, copy])
    said = [any(f["code"] == "same_recording" for f in line["findings"]) for line in lines]
    assert said == [False, False, True]
    assert lines[2]["state"] == "asks"
    assert str(first) in next(
        f["says"] for f in lines[2]["findings"] if f["code"] == "same_recording"
    )
    assert np.isfinite(lines[2]["decoded_s"])


def test_the_guide_sent_as_a_take_is_said_to_be_the_guide(pack):
    (line,) = examine(PIECE, [pack.folder / "guide.wav"])
    assert line["state"] in ("asks", "unusable")
    (says,) = [f["says"] for f in line["findings"] if f["code"] == "guide_left_in"]
    assert says.startswith("This is the guide")
