#!/usr/bin/env python3
"""How much longer a take is examined and laid than it is decoded and resampled by others.

    cargo build --release -p ripieno
    tests/.venv/bin/python tests/benches/conform.py [--takes 5] [--runs 3]

Takes as mono WAV of 150 s, each by another instrument, marked, with a clock of its own. Beside
`examine`, with and without stems, on one thread: libsndfile reads the same files and soxr brings
them to the grid's rate by its recipe for very high quality. Processor time of both in the same
run; prints a line a run. Asserts nothing.
"""

import argparse
import pathlib
import resource
import subprocess
import sys
import tempfile
import time

import numpy as np
import soundfile
import soxr

ROOT = pathlib.Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "tests/reference"))

import home_takes  # noqa: E402
import test_home_takes  # noqa: E402

BINARY = ROOT / "target/release/ripieno"
GRID_HZ = 48_000


def main():
    options = argparse.ArgumentParser()
    options.add_argument("--takes", type=int, default=5)
    options.add_argument("--runs", type=int, default=3)
    options = options.parse_args()
    test_home_takes.BINARY = BINARY
    with tempfile.TemporaryDirectory() as folder:
        folder = pathlib.Path(folder)
        takes = [take(folder, seed) for seed in range(options.takes)]
        stems = folder / "stems"
        stems.mkdir()
        for _ in range(options.runs):
            seconds, peer_s = decoded_and_resampled(takes)
            report("decode + soxr VHQ ", seconds, peer_s, peer_s)
            report("examine           ", seconds, examined(takes), peer_s)
            report("examine with stems", seconds, examined(takes, "--stems", stems), peer_s)


def take(folder, seed):
    pack = folder / "pack"
    pack = (home_takes.read_pack(pack, 132, 5, 64, test_home_takes.chords_of(pack))
            if pack.exists() else test_home_takes.make_pack(pack))
    rng = np.random.default_rng(seed)
    names = list(home_takes.INSTRUMENTS)
    player = home_takes.Player(instrument=names[3 * seed % len(names)], seed=seed,
                               ratio_ppm=float(rng.normal(0, 80)))
    file, _ = home_takes.record(pack, player, folder / f"take{seed}")
    return file


def decoded_and_resampled(takes):
    """Seconds of sound, and of processor time."""
    seconds, began = 0.0, time.process_time()
    for file in takes:
        sound, rate = soundfile.read(file, dtype="float32")
        seconds += len(sound) / rate
        soxr.resample(sound, rate * 1.0001, GRID_HZ, quality="VHQ")
    return seconds, time.process_time() - began


def examined(takes, *more):
    def used_s():
        used = resource.getrusage(resource.RUSAGE_CHILDREN)
        return used.ru_utime + used.ru_stime

    before = used_s()
    subprocess.run([BINARY, "examine", "--piece", test_home_takes.PIECE, "--json", "--threads", "1",
                    *more, *takes], stdout=subprocess.DEVNULL, check=True)
    return used_s() - before


def report(what, seconds, taken_s, peer_s):
    print(f"{what} {taken_s:6.2f} s  {seconds / taken_s:5.0f} x real time  "
          f"{taken_s / peer_s:4.1f} x the peer", flush=True)


if __name__ == "__main__":
    main()
