"""The checks on takes that the product had no hand in making: the long study, run by hand.

    cargo build -p ripieno
    python tests/reference/study_checks.py [TAKES [STUDY]]

TAKES (60) clean takes by every sampled instrument of home_takes.py, then as many again with the
guide bled into them, and as many sent a second time in another form. Prints which findings fire
on clean takes, and for bleeds and copies how many were missed. `defects` makes TAKES takes of each
defect of check_takes.py, by drums and bells and voices alike, and prints the missed and the false;
it needs espeak-ng for what is spoken.
"""

from __future__ import annotations

import collections
import dataclasses
import pathlib
import sys
import tempfile

import numpy as np
import soundfile

import check_takes
import home_takes
from home_sound import banks_at_hand
from home_takes import Player
from test_home_takes import PIECE, examine, make_pack

# What these says of a clean take is no fault: it is true of the take.
TRUE_OF_CLEAN = {"unnormalised", "closing_mark"}


def clean_player(seed):
    """A take with nothing wrong but what is usual: a dry room, a good microphone."""
    rng = np.random.default_rng(seed)
    names = list(home_takes.INSTRUMENTS)
    return Player(
        instrument=names[seed % len(names)],
        lag_ms=float(rng.uniform(0, 35)),
        jitter_ms=float(rng.uniform(8, 22)),
        ratio_ppm=float(rng.normal(0, 50)),
        lead_in_s=float(rng.uniform(0.5, 6)),
        noise_db=float(rng.uniform(-80, -62)),
        room_rt60_s=float(rng.choice([0.0, 0.3, 0.45])),
        codec=str(rng.choice(["wav", "flac", "aac128"])),
        bank=seed // len(names) % banks_at_hand(),
        seed=seed,
    )


def level(x):
    blocks = x[: len(x) // 2400 * 2400].reshape(-1, 2400)
    return np.sqrt(np.quantile(np.mean(blocks**2, axis=1), 0.95))


def codes(line):
    return [finding["code"] for finding in line["findings"]]


def study_clean(pack, folder, count):
    fired = collections.defaultdict(list)
    for seed in range(count):
        player = clean_player(seed)
        file, _ = home_takes.record(pack, player, folder / f"clean{seed}")
        (line,) = examine(PIECE, [file])
        for finding in line["findings"]:
            fired[finding["code"]].append(f"{player.instrument} {finding['value']}")
        print(seed, player.instrument, line["state"], codes(line), flush=True)
    print(f"\nfindings on {count} clean takes")
    for code, which in sorted(fired.items(), key=lambda item: -len(item[1])):
        print(f"{code:18s} {len(which):3d}  {'; '.join(which[:12])}")


def with_bleed(pack, file, truth, depth_db, late, path):
    """The take with the guide in it, `depth_db` below its playing and `late` samples late."""
    x, rate = soundfile.read(file)
    bar1 = round(truth["bar1_beat1_s"] * rate)
    first = bar1 - pack.marks["bar1_beat1_sample"]
    guide = np.zeros(len(x))
    source, into = max(0, -first), max(0, first) + late
    count = min(len(x) - into, len(pack.guide) - source)
    guide[into : into + count] = pack.guide[source : source + count]
    # A headphone's leak: no bass, a resonance. The mark does not count for the depth.
    guide = home_takes.through_phone(guide)
    guide *= level(x) * 10 ** (depth_db / 20) / level(guide[bar1:])
    path = pathlib.Path(path).with_suffix(".wav")
    soundfile.write(path, np.clip(x + guide, -1, 1), rate, subtype="PCM_16")
    return path


def study_bleed(pack, folder, count):
    """Takes with the guide in them, so many dB below the playing."""
    errors, missed = [], []
    for seed in range(count):
        rng = np.random.default_rng(seed)
        depth_db = rng.uniform(-30, -12)
        player = clean_player(1_000 + seed)
        player.codec, player.ratio_ppm, player.room_rt60_s = "wav", 0.0, 0.0
        file, truth = home_takes.record(pack, player, folder / "dry")
        late = int(rng.integers(0, 400))
        bled = with_bleed(pack, file, truth, depth_db, late, folder / "bled")
        (line,) = examine(PIECE, [bled])
        said = [f["value"] for f in line["findings"] if f["code"] == "guide_left_in"]
        errors += [value - depth_db for value in said]
        if not said:
            missed.append((player.instrument, round(depth_db)))
        print(seed, player.instrument, round(depth_db, 1), said, line["state"], flush=True)
    print(f"guide_left_in: n {count} missed {len(missed)} {missed}; depth off by median "
          f"{np.median(errors):.1f} dB, {min(errors):.1f} to {max(errors):.1f}")


def study_copies(pack, folder, count):
    """A take, another take of the same part, and the first once more in another form."""
    missed, wrong = [], []
    for seed in range(count):
        rng = np.random.default_rng(seed)
        player = clean_player(2_000 + seed)
        player.codec = "wav"
        first, _ = home_takes.record(pack, player, folder / "first")
        # Another take: the same notes, played anew by the same player.
        other = dataclasses.replace(player, take=1)
        again, _ = home_takes.record(pack, other, folder / "again")
        x, rate = soundfile.read(first)
        cut = x[int(rng.uniform(0, 8) * rate) : -int(rng.uniform(1, 9) * rate)]
        codec = str(rng.choice(["aac64", "mp3_96", "opus64", "opus24", "vorbis", "flac"]))
        copy = home_takes.encode(rng.uniform(0.2, 1) * cut, rate, codec, folder / "copy")
        lines = examine(PIECE, [first, again, copy])
        said = ["same_recording" in codes(line) for line in lines]
        wrong += [player.instrument] if said[1] else []
        missed += [] if said[2] else [(player.instrument, codec)]
        print(seed, player.instrument, codec, said, flush=True)
        copy.unlink()
    print(f"same_recording: n {count} false {len(wrong)} {wrong} missed {len(missed)} {missed}")


def study_defects(pack, folder, count):
    """Every defect of check_takes.py: how many were missed, and what was said of clean takes."""
    for defect in check_takes.DEFECTS:
        missed, false = [], collections.Counter()
        for seed in range(count):
            file, name = check_takes.record(pack, defect, seed, folder / "take",
                                             banks_at_hand())
            (line,) = examine(PIECE, [file])
            file.unlink()
            false.update(codes(line))
            missed += [] if defect in codes(line) else [name]
        if defect == "clean":
            print(f"clean          n {count} said {dict(false)}", flush=True)
        else:
            print(f"{defect:14s} n {count} missed {len(missed)}: {' '.join(missed)}", flush=True)


def main():
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    what = sys.argv[2] if len(sys.argv) > 2 else ""
    with tempfile.TemporaryDirectory() as folder:
        folder = pathlib.Path(folder)
        pack = make_pack(folder / "pack")
        studies = {"clean": study_clean, "bleed": study_bleed, "copies": study_copies,
                   "defects": study_defects}
        for name, study in studies.items():
            if name.startswith(what):
                study(pack, folder, count)


if __name__ == "__main__":
    main()
