"""The example binary that turns the score's documents into one another."""

import os
import pathlib
import subprocess

ROOT = pathlib.Path(__file__).resolve().parents[2]
DEMO_PIECE = ROOT / "worker" / "score" / "demo" / "piece.toml"


def build() -> pathlib.Path:
    """The binary; built here so that a test stands alone."""
    command = ["cargo", "build", "--quiet", "-p", "ripieno-score", "--example", "documents"]
    subprocess.run(command, cwd=ROOT, check=True)
    target = pathlib.Path(os.environ.get("CARGO_TARGET_DIR", ROOT / "target"))
    return target / "debug" / "examples" / "documents"


def run(binary, *arguments) -> str:
    """Its standard output."""
    done = subprocess.run([binary, *map(str, arguments)], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    return done.stdout
