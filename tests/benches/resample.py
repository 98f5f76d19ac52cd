#!/usr/bin/env python3
"""How fast the resampler is beside soxr by its recipe for very high quality (PyPI soxr).

    cargo build --release -p ripieno-engine --example resample_raw
    tests/.venv/bin/python tests/benches/resample.py [--runs 5]

A minute of noise from 44.1 kHz, its clock 40 ppm off, to the grid at 48 kHz, on one thread; the
quickest of the runs of each, in turns. Prints a line; asserts nothing.
"""

import argparse
import pathlib
import subprocess
import tempfile
import time

import numpy as np
import soxr

ROOT = pathlib.Path(__file__).resolve().parents[2]
BINARY = ROOT / "target/release/examples/resample_raw"
FILE_HZ, GRID_HZ, SECONDS, RATIO_PPM = 44_100, 48_000, 60, 40.0


def main():
    options = argparse.ArgumentParser()
    options.add_argument("--runs", type=int, default=5)
    options = options.parse_args()
    wave = np.random.default_rng(1).normal(0, 0.1, FILE_HZ * SECONDS).astype(np.float32)
    with tempfile.TemporaryDirectory() as folder:
        folder = pathlib.Path(folder)
        wave.tofile(folder / "in.f32")
        runs = [(ours(folder), theirs(wave)) for _ in range(options.runs)]
    our_s, their_s = (min(times) for times in zip(*runs))
    print(f"ours {SECONDS / our_s:.0f} x real time, soxr VHQ {SECONDS / their_s:.0f} x: "
          f"{their_s / our_s:.2f} of its speed")


def ours(folder):
    count = int(GRID_HZ * (SECONDS - 1))
    arguments = [FILE_HZ, GRID_HZ, 0.0, RATIO_PPM, 0, count]
    done = subprocess.run(
        [BINARY, folder / "in.f32", folder / "out.f32", *map(str, arguments)],
        check=True, capture_output=True, text=True,
    )
    return float(done.stdout)


def theirs(wave):
    began_s = time.perf_counter()
    soxr.resample(wave, FILE_HZ, GRID_HZ, "VHQ")
    return time.perf_counter() - began_s


if __name__ == "__main__":
    main()
