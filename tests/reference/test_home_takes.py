"""The whole conform job on takes that the product had no hand in making (home_takes.py).

The large table is study_places.py's.
Sources: sampled instruments by FluidSynth and a General MIDI bank (Debian); codecs by FFmpeg's
libraries; the tolerances are the product's own figures.
"""

from __future__ import annotations

import json
import os
import pathlib
import subprocess

import pytest

import home_takes
from home_takes import Player

HERE = pathlib.Path(__file__).resolve().parent
ROOT = HERE.parent.parent
BINARY = pathlib.Path(os.environ.get("RIPIENO", ROOT / "target/debug/ripieno"))
PIECE = ROOT / "worker/score/demo/piece.toml"


def examine(piece, files, *options):
    out = subprocess.run(
        [BINARY, "examine", "--piece", piece, "--json", *options, *map(str, files)],
        check=True, capture_output=True, text=True,
    )
    return [json.loads(line) for line in out.stdout.splitlines()]


@pytest.fixture(scope="session")
def pack(tmp_path_factory):
    return make_pack(tmp_path_factory.mktemp("pack"))


def make_pack(folder):
    subprocess.run([BINARY, "pack", "--piece", PIECE, "--out", folder], check=True)
    return home_takes.read_pack(folder, 132, 5, 64, chords_of(folder))


def chords_of(folder):
    """One chord a bar, from the pack's own MIDI file, read by mido."""
    import mido

    midi = mido.MidiFile(folder / "piece.mid")
    seconds, notes, first_section = 0.0, [], None
    for message in midi:
        seconds += message.time
        if message.type == "marker" and first_section is None and "mark" not in message.text.lower():
            first_section = seconds
        if message.type == "note_on" and message.velocity > 0:
            notes.append((seconds, message.note % 12))
    bar_s = 5 * 60 / 132
    bars = [[] for _ in range(64)]
    for at, pitch_class in notes:
        bar = int((at - first_section) / bar_s + 1e-3)
        if 0 <= bar < 64 and pitch_class not in bars[bar]:
            bars[bar].append(pitch_class)
    for i in range(1, 64):
        bars[i] = bars[i] or bars[i - 1]
    return bars


CASES = {
    "clean guitar": Player(),
    "accordion, slow clock": Player(instrument="accordion", ratio_ppm=180),
    "recorder, fast clock, aac": Player(instrument="recorder", ratio_ppm=-120, codec="aac64"),
    "bells in a room, opus": Player(instrument="bells", room_rt60_s=0.8, codec="opus64"),
    "fiddle, phone, mp3": Player(instrument="fiddle", phone=True, codec="mp3_96"),
    "choir pad, 44.1k": Player(instrument="choir", file_rate=44_100),
    "trombone, bleed": Player(instrument="trombone", bleed_db=-26),
    "drum, noisy": Player(instrument="drum", noise_db=-40),
    "off-beats, both marks": Player(instrument="pizzicato", closing=True, ratio_ppm=900),
    "strummed, quiet mark": Player(instrument="strummed", mark_gain_db=-12, ratio_ppm=60),
    "lagging headphones": Player(instrument="piano", lag_ms=210),
}


# A part wholly beside the beat, and a part half a beat late through wireless headphones, sound
# alike: both may ask, neither may be placed wrongly.
MAY_ASK = {"off-beats, both marks", "lagging headphones", "drum, noisy"}


@pytest.mark.parametrize("name", CASES)
def test_a_marked_take_is_placed_and_never_wrongly(name, pack, tmp_path):
    player = CASES[name]
    file, truth = home_takes.record(pack, player, tmp_path / "take")
    (line,) = examine(PIECE, [file])
    judge(line, truth, player)
    assert line["state"] in ({"placed", "asks"} if name in MAY_ASK else {"placed"}), line
    error_ms = 1e3 * (line["bar1_beat1_s"] - truth["bar1_beat1_s"])
    assert abs(error_ms) <= 1.0, "the mark gives the place, whatever the playing leaves open"


ODD_CASES = {
    # What is sent, the states that are right, and a finding that must be there.
    "half a beat late in even eighths": (Player(lag_ms=215), {"placed", "asks"}, "lags"),
    "triplets, wireless": (
        Player(instrument="fiddle", pattern="triplets", lag_ms=177), {"placed", "asks"}, None),
    "recorded at 44.1, filed as 48": (
        Player(instrument="recorder", mislabelled=True), {"placed"}, "mislabelled_rate"),
    "closing mark alone": (
        Player(instrument="strummed", opening=False, closing=True), {"placed"}, "no_mark"),
    "a beat was lost": (
        Player(instrument="piano", slip_beat=150, slip_ms=-454.5), {"asks"}, None),
    "a third of a second was put in": (
        Player(instrument="accordion", slip_beat=150, slip_ms=330), {"asks"}, "slipped"),
    "the clock changes half-way": (
        Player(instrument="fiddle", bend_ppm=-500, codec="aac64"), {"asks"}, "speed_changes"),
    "the clock changes between two marks": (
        Player(instrument="guitar", bend_ppm=400, closing=True), {"asks"}, "speed_changes"),
    "free intro": (Player(instrument="glockenspiel", free_beats=30), {"placed"}, None),
    "swings, talks before": (
        Player(instrument="piano", pattern="swing", talk=True, lead_in_s=8), {"placed"}, None),
}


@pytest.mark.parametrize("name", ODD_CASES)
def test_an_odd_take_is_told_for_what_it_is(name, pack, tmp_path):
    player, states, code = ODD_CASES[name]
    file, truth = home_takes.record(pack, player, tmp_path / "take")
    (line,) = examine(PIECE, [file])
    judge(line, truth, player)
    assert line["state"] in states, line
    if code and line["state"] == "placed" or states == {"asks"} and code:
        assert code in {finding["code"] for finding in line["findings"]}, line
    marked = player.opening or player.closing
    assert (line["basis"] == "playing_only") == (not marked), line
    if line["state"] == "placed" and line["lag_ms"] is not None:
        assert abs(line["lag_ms"] - player.lag_ms) < 90, (line["lag_ms"], player.lag_ms)


def judge(line, truth, player):
    if line["state"] != "placed":
        return
    error_ms = 1e3 * (line["bar1_beat1_s"] - truth["bar1_beat1_s"])
    assert abs(error_ms) <= (1.0 if player.opening else 25.0), (error_ms, line)
    limit = 1.5 if player.closing and player.opening else max(60.0, 3.5 * (line["ratio_sd_ppm"] or 0))
    assert abs(line["ratio_ppm"] - truth["ratio_ppm"]) <= limit, (truth, line)
