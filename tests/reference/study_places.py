"""Where takes are laid, class by class: the long study, run by hand.

    cargo build -p ripieno
    tests/.venv/bin/python tests/reference/study_places.py [TAKES [FIRST_SEED [CLASS ...]]]

Makes TAKES (20) takes of every class below, by all the instruments of check_takes.py and by players,
rooms, phones, clocks and codecs drawn at random, and prints for each class how many were placed
rightly, asked about and placed wrongly, how far off, and how often the ratio's 95 % interval holds
the truth. Nothing here is made by the product but the
guide pack. RIPIENO names another build; VERBOSE=1 prints every take.
"""

from __future__ import annotations

import dataclasses
import os
import pathlib
import sys
import tempfile

import numpy as np

import check_takes
import home_takes
import test_other_metres
import test_own_marks
from home_sound import banks_at_hand
from home_takes import Player
from test_home_takes import PIECE, examine, make_pack
from test_other_metres import Piece

# Takes with a mark are placed within a millisecond (the product's own figure), those without within
# what a player's own lag may be; the ratio must hold over the whole piece.
MARKED_MS, UNMARKED_MS, END_MS = 1.0, 25.0, 20.0
EVENLY_STRUCK = ["claps", "cowbell", "taiko", "tinkle bell", "synth drum", "kick", "snare",
                 "woodblock", "agogo", "tambourine", "ride bell", "tom", "floor tom", "conga"]
# Chords held over whole bars.
HELD = ["choir", "strings", "organ"]


def anyone(rng, seed, banks=1, **given):
    """A take with an opening mark by any instrument, with what is usual at home."""
    name = str(rng.choice(sorted(check_takes.ALL)))
    home_takes.INSTRUMENTS.update(check_takes.ALL)
    bank = int(rng.random() < 0.5 and banks > 1)
    player = Player(
        instrument=name, lag_ms=float(rng.uniform(-5, 35)), jitter_ms=float(rng.uniform(7, 24)),
        ratio_ppm=float(rng.normal(0, 60)), lead_in_s=float(rng.uniform(0.4, 9)),
        mark_gain_db=float(rng.uniform(-14, 0)), phone=bool(rng.random() < 0.3),
        room_rt60_s=float(rng.uniform(0.2, 0.9)) if rng.random() < 0.5 else 0.0,
        noise_db=float(rng.uniform(-78, -42)), bank=bank, seed=seed,
        codec=str(rng.choice(["wav", "flac", "aac64", "aac128", "mp3_96", "opus64", "webm"])),
    )
    return dataclasses.replace(player, **given)


def slip_between(rng, low_ms, high_ms):
    by_ms = float(rng.choice([-1, 1]) * rng.uniform(low_ms, high_ms))
    return dict(slip_beat=int(rng.integers(60, 260)), slip_ms=by_ms)


def slip_by_beats(rng):
    beats = int(rng.choice([-1, 1]) * rng.integers(1, 4))
    return dict(slip_beat=int(rng.integers(60, 260)), slip_ms=beats * 60e3 / 132)


def slip_and_back(rng):
    slip = slip_between(rng, 60, 900)
    back = slip["slip_beat"] + int(rng.integers(12, 50))
    return slip | dict(slip_back_beat=min(back, 310))


def anyhow(rng):
    """Some of what the other classes have each alone."""
    some = lambda share, value: value if rng.random() < share else {}
    return (some(0.1, dict(lag_ms=float(rng.uniform(120, 280))))
            | some(0.2, dict(ratio_ppm=float(rng.uniform(-2_500, 2_500))))
            | some(0.15, dict(bleed_db=float(rng.uniform(-40, -15))))
            | some(0.1, dict(opening=False)) | some(0.2, dict(closing=True))
            | some(0.3, dict(file_rate=44_100, codec="aac64")))


def one_section(rng):
    first, last = check_takes.SECTIONS[int(rng.integers(4))]
    return dict(first_beat=5 * (first - 1), last_beat=5 * last)


CLASSES = {
    "usual": lambda rng: {},
    "anyhow": anyhow,
    "both marks": lambda rng: dict(closing=True),
    "far clock": lambda rng: dict(ratio_ppm=float(rng.uniform(-5_000, 5_000))),
    "no mark": lambda rng: dict(opening=False),
    "bled": lambda rng: dict(bleed_db=float(rng.uniform(-36, -14))),
    "one section": one_section,
    "late headphones": lambda rng: dict(lag_ms=float(rng.uniform(110, 280))),
    "wanders": lambda rng: dict(wander_ms=float(rng.uniform(20, 60)),
                                wander_period_s=float(rng.uniform(15, 60))),
    "free beginning": lambda rng: dict(free_beats=int(rng.integers(5, 40))),
    "mislabelled": lambda rng: dict(mislabelled=True, codec="wav"),
    "slipped": lambda rng: slip_between(rng, 80, 1_200),
    "slipped by beats": slip_by_beats,
    "both marks, slipped": lambda rng: dict(closing=True, **slip_between(rng, 80, 1_200)),
    "slipped and back": slip_and_back,
    "drops out": lambda rng: dict(dropouts=int(rng.integers(1, 8))),
    "clock bends": lambda rng: dict(bend_ppm=float(rng.choice([-1, 1]) * rng.uniform(50, 900))),
    "clock bends, both marks": lambda rng: dict(
        closing=True, bend_ppm=float(rng.choice([-1, 1]) * rng.uniform(50, 900))),
    "evenly struck": lambda rng: dict(instrument=str(rng.choice(EVENLY_STRUCK)), pattern="pulse"),
    "evenly struck, slipped by beats": lambda rng: dict(
        instrument=str(rng.choice(EVENLY_STRUCK)), pattern="pulse", **slip_by_beats(rng)),
    "held": lambda rng: dict(instrument=str(rng.choice(HELD)), pattern="pad"),
    "held, slipped by beats": lambda rng: dict(
        instrument=str(rng.choice(HELD)), pattern="pad", **slip_by_beats(rng)),
}
# Pieces that are long, slow, quick, of one chord, or that change their tempo often.
PIECES = test_other_metres.PIECES | {
    "eight minutes": Piece("4/4", [(1, 96, "1/4")], 192, 1, ("C", "Am", "F", "G")),
    "a slow ballad": Piece("4/4", [(1, 58, "1/4")], 36, 1, ("Am", "F", "C", "E")),
    "a quick reel": Piece("4/4", [(1, 196, "1/4")], 96, 1, ("D", "D", "G", "Am")),
    "one chord": Piece("4/4", [(1, 118, "1/4")], 72, 1, ("Dm", "Dm", "Dm", "Dm")),
    "many tempos": Piece("3/4", [(1, 120, "1/4"), (9, 100, "1/4"), (21, 132, "1/4"),
                                 (37, 90, "1/4")], 60, 1, ("G", "Em", "C", "D")),
}
CLASSES |= {f"another piece, {name}": lambda rng: {} for name in PIECES}
CLASSES |= {f"mark: {name}": lambda rng: dict(ratio_ppm=float(rng.uniform(-1_500, 1_500)))
            for name in test_own_marks.SOUNDS}
CLASSES |= {f"mark: {name}, far clock": lambda rng: dict(ratio_ppm=float(rng.uniform(-5_000, 5_000)))
            for name in test_own_marks.SOUNDS}


def piece_of(name, folder):
    """(document, pack) a class is played from."""
    folder.mkdir()
    if name.startswith("another piece, "):
        piece = PIECES[name.removeprefix("another piece, ")]
        pack = test_other_metres.pack_of(piece, folder)
        return folder / "piece.toml", pack
    if name.startswith("mark: "):
        sound = name.removeprefix("mark: ").removesuffix(", far clock")
        return test_own_marks.pack_with(test_own_marks.SOUNDS[sound], folder)
    return PIECE, make_pack(folder / "pack")


@dataclasses.dataclass
class Row:
    state: str
    place_ms: float | None
    ratio_ppm: float | None
    ratio_sd_ppm: float | None
    wrong: bool
    text: str


def player_of(name, seed, banks=1):
    rng = np.random.default_rng([seed, sum(map(ord, name))])
    return anyone(rng, seed, banks, **CLASSES[name](rng))


def lay(name, document, pack, seed, folder) -> Row:
    player = player_of(name, seed, banks_at_hand())
    file, truth = home_takes.record(pack, player, folder / "take")
    (line,) = examine(document, [file])
    file.unlink()
    placed = line["bar1_beat1_s"] is not None
    place_ms = 1e3 * (line["bar1_beat1_s"] - truth["bar1_beat1_s"]) if placed else None
    ratio_ppm = line["ratio_ppm"] - truth["ratio_ppm"] if placed else None
    wrong = line["state"] == "placed" and is_wrong(player, line, truth)
    codes = ",".join(finding["code"] for finding in line["findings"])
    text = (f"{name:28s} {seed} {player.instrument:16s} {line['state']:8s}"
            f"{' WRONG' if wrong else ''} place {place_ms and round(place_ms, 3)} ms, ratio "
            f"{ratio_ppm and round(ratio_ppm, 1)} ppm (sd {line['ratio_sd_ppm']}, true "
            f"{truth['ratio_ppm']:.0f}), lag {line['lag_ms']}, slip {player.slip_ms:.0f} [{codes}]")
    return Row(line["state"], place_ms, ratio_ppm, line["ratio_sd_ppm"], wrong, text)


def is_wrong(player, line, truth):
    """Whether a take that was placed lies elsewhere than it should."""
    if player.slip_beat is not None:
        return True
    if player.bend_ppm and "wanders" in [finding["code"] for finding in line["findings"]]:
        return False
    bar1_beat1_s, limit_ms = line["bar1_beat1_s"], MARKED_MS if player.opening else UNMARKED_MS
    if 1e3 * abs(bar1_beat1_s - truth["bar1_beat1_s"]) > limit_ms:
        return True
    laid_s = lambda piece_s: bar1_beat1_s + piece_s * (1 + line["ratio_ppm"] * 1e-6)
    later = (truth["middle_s"], truth["end_s"])
    return any(1e3 * abs(laid_s(piece_s) - file_s) > END_MS for piece_s, file_s in later)


def main(count, first_seed, only):
    unknown = set(only) - set(CLASSES)
    assert not unknown, f"no class {unknown}; there are {list(CLASSES)}"
    print("class                            n right asked wrong  place ms median, worst   "
          "ratio ppm median, worst   held")
    for name in only or CLASSES:
        with tempfile.TemporaryDirectory() as folder:
            folder = pathlib.Path(folder)
            document, pack = piece_of(name, folder / "piece")
            rows = [lay(name, document, pack, first_seed + i, folder) for i in range(count)]
        table_row(name, rows)
        for row in rows:
            if row.wrong or os.environ.get("VERBOSE"):
                print("   ", row.text)


def table_row(name, rows):
    placed = [row for row in rows if row.state == "placed"]
    wrong = sum(row.wrong for row in placed)
    counts = f"{name:31s} {len(rows):3d} {len(placed) - wrong:5d} {len(rows) - len(placed):5d} {wrong:5d}"
    if placed:
        place = np.abs([row.place_ms for row in placed])
        ratio = np.abs([row.ratio_ppm for row in placed])
        counts += (f"  {np.median(place):11.3f} {place.max():9.3f}   "
                   f"{np.median(ratio):12.1f} {ratio.max():8.1f}")
        held = [abs(row.ratio_ppm) < 1.96 * row.ratio_sd_ppm for row in placed if row.ratio_sd_ppm]
        counts += f"   {sum(held)}/{len(held)}"
    print(counts, flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 20,
         int(sys.argv[2]) if len(sys.argv) > 2 else 1, sys.argv[3:])
