"""The checks on takes, measured on invented players (a short run of the study).

`cargo run --example inspect_study -p ripieno-engine 25` prints the whole table. The players are
generated there from closed formulas and share no code with the checks.
"""

import os
import pathlib
import subprocess

import pytest

ROOT = pathlib.Path(__file__).resolve().parents[2]

CHECKS = [
    "clipped",
    "silent",
    "too_quiet",
    "unnormalised",
    "dc_offset",
    "hum",
    "noisy",
    "dead_channel",
    "antiphase",
    "too_tight",
    "tuning",
    "transposed",
    "wrong_mode",
    "speech",
]


@pytest.fixture(scope="module")
def study():
    subprocess.run(
        ["cargo", "build", "--quiet", "-p", "ripieno-engine", "--example", "inspect_study"],
        cwd=ROOT,
        check=True,
    )
    target = pathlib.Path(os.environ.get("CARGO_TARGET_DIR", ROOT / "target"))
    return target / "debug" / "examples" / "inspect_study"


@pytest.mark.parametrize("check", CHECKS)
def test_a_check_speaks_where_it_should_and_nowhere_else(study, check):
    done = subprocess.run([study, "1", check], capture_output=True, text=True)
    assert done.returncode == 0, done.stdout
