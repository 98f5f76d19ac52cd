"""Takes of pieces in other metres than the demo's, made without the product (home_takes.py).

Beats are counted here by hand from tempo and metre; the pieces are invented. A quick 6/8 is felt in
two, as any theory of music has it, a slow one in six.
"""

from __future__ import annotations

import dataclasses
import subprocess

import numpy as np
import pytest

import home_takes
from home_takes import Player
from test_home_takes import BINARY, examine

# Pitch classes of the chords used.
CHORDS = {"Am": (9, 0, 4), "Dm": (2, 5, 9), "E": (4, 8, 11), "F": (5, 9, 0), "C": (0, 4, 7),
          "G": (7, 11, 2), "Em": (4, 7, 11), "D": (2, 6, 9)}


@dataclasses.dataclass
class Piece:
    metre: str
    # (first bar, beats a minute, the beat as a note) in force from that bar on.
    tempos: list
    bars: int
    # Units of the metre in a beat of the players.
    units_a_beat: int
    chords: tuple = ("Am", "Dm", "E", "Am")


PIECES = {
    "a quick 6/8": Piece("6/8", [(1, 112, "3/8")], 56, 3, ("Em", "D", "Em", "G")),
    "a slow 6/8": Piece("6/8", [(1, 52, "3/8")], 32, 3),
    "a waltz": Piece("3/4", [(1, 168, "1/4")], 80, 1, ("C", "G", "F", "C")),
    "a slow seven": Piece("7/8", [(1, 216, "1/8")], 44, 1, ("Dm", "C", "Dm", "F")),
    "a quick seven": Piece("7/8", [(1, 340, "1/8")], 60, 1, ("D", "C", "D", "Am")),
    "two tempos": Piece("4/4", [(1, 100, "1/4"), (17, 84, "1/4")], 36, 1, ("C", "Am", "F", "G")),
}


def document(piece: Piece):
    tempos = "".join(
        f'[[tempo]]\nat = "{bar}"\nbpm = {bpm}\nbeat = "{beat}"\n' for bar, bpm, beat in piece.tempos
    )
    return (
        f'slug = "another"\ntitle = "Another"\nlast_bar = {piece.bars}\n'
        f'[key]\ntonic = "A"\nmode = "minor"\n[[metre]]\nbar = 1\nmetre = "{piece.metre}"\n{tempos}'
        f"[marks]\nopening_bar = -1\nclosing_bar = {piece.bars + 2}\n"
        f'[[sections]]\nname = "All"\nfirst_bar = 1\nlast_bar = {piece.bars}\n'
        f'chords = "{" | ".join(piece.chords)}"\n'
    )


def pack_of(piece: Piece, folder):
    (folder / "piece.toml").write_text(document(piece))
    subprocess.run(
        [BINARY, "pack", "--piece", folder / "piece.toml", "--out", folder / "pack"], check=True
    )
    count, unit = map(int, piece.metre.split("/"))
    beats, in_bar, chords, at = [], [], [], 0.0
    for bar in range(1, piece.bars + 1):
        _, bpm, beat = max(t for t in piece.tempos if t[0] <= bar)
        notes, whole = map(int, beat.split("/"))
        unit_s = 60.0 / bpm * (whole / notes) / unit
        for first in range(0, count, piece.units_a_beat):
            beats.append(at + first * unit_s)
            in_bar.append(first // piece.units_a_beat)
            chords.append(list(CHORDS[piece.chords[(bar - 1) % len(piece.chords)]]))
        at += count * unit_s
    return home_takes.with_beats(folder / "pack", np.array(beats), np.array(in_bar), chords)


PLAYERS = [
    Player(instrument="guitar", pattern="pulse", seed=11),
    Player(instrument="accordion", lag_ms=24, jitter_ms=16, ratio_ppm=-70, codec="aac64", seed=12),
    Player(instrument="trombone", pattern="pulse", lag_ms=30, room_rt60_s=0.5, ratio_ppm=60, seed=13),
    Player(instrument="drum", lag_ms=8, jitter_ms=10, phone=True, codec="opus64", seed=14),
]


@pytest.mark.parametrize("name", PIECES)
def test_a_take_is_placed_in_any_metre(name, tmp_path):
    piece = PIECES[name]
    pack = pack_of(piece, tmp_path)
    made = [home_takes.record(pack, p, tmp_path / f"take{i}") for i, p in enumerate(PLAYERS)]
    lines = examine(tmp_path / "piece.toml", [file for file, _ in made])
    for player, (_, truth), line in zip(PLAYERS, made, lines):
        assert line["state"] == "placed", (player.instrument, line)
        error_ms = 1e3 * (line["bar1_beat1_s"] - truth["bar1_beat1_s"])
        assert abs(error_ms) <= 1.0, (player.instrument, error_ms)
        limit = max(60.0, 3.5 * line["ratio_sd_ppm"])
        assert abs(line["ratio_ppm"] - truth["ratio_ppm"]) <= limit, (truth, line)
        assert abs(line["lag_ms"] - player.lag_ms) < 35, (player.instrument, line["lag_ms"])


def test_held_chords_of_an_organ_are_no_guide_left_in(tmp_path):
    pack = pack_of(PIECES["two tempos"], tmp_path)
    organs = [
        Player(instrument="organ", lag_ms=10 + seed, jitter_ms=10, seed=seed,
               codec="aac64" if seed % 2 else "wav")
        for seed in (21, 25, 29, 30)
    ]
    files = [home_takes.record(pack, p, tmp_path / f"take{p.seed}")[0] for p in organs]
    for line in examine(tmp_path / "piece.toml", files):
        assert "guide_left_in" not in [finding["code"] for finding in line["findings"]], line
