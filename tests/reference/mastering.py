"""Runs the engine's example that measures, limits, tones and sums raw files."""

import subprocess

import numpy as np

import sound_files


def master_raw():
    """A function that runs the example with words and gives what it prints."""
    binary = sound_files.example("master_raw")

    def run(*words):
        done = subprocess.run(
            [binary, *map(str, words)], check=True, capture_output=True, text=True
        )
        return done.stdout

    return run


def write_raw(path, channels):
    """Interleaved float32."""
    np.stack(channels, axis=1).astype("<f4").tofile(path)
