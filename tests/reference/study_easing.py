"""Easing, heard from outside: the long study, run by hand.

    cargo build --release -p ripieno
    RIPIENO=target/release/ripieno python tests/reference/study_easing.py [TAKES]

TAKES (24) takes with two marks and some blunders, by every instrument, are laid as they are, with
blunders eased, and with everything eased by half. How far each note was moved is measured by
cross-correlation of the two stems around it; with the truth of what was played that gives the
spread before and after. What easing may spoil is measured too: how far a sounding note's pitch is
bent, and clicks, as bursts above 4 kHz that the stem had nowhere near.
"""

from __future__ import annotations

import dataclasses
import pathlib
import sys
import tempfile

import numpy as np
import scipy.ndimage
import scipy.signal
import soundfile

import check_takes
import home_takes
from home_sound import RATE
from test_home_takes import PIECE, examine, make_pack

EASED = {
    "blunders": {"ease_blunders = false": "ease_blunders = true"},
    "half": {"ease_blunders = false": "ease_blunders = true",
             "easing_strength = 0.0": "easing_strength = 0.5"},
}
CELLS_S = RATE / 24
REACH = int(0.21 * CELLS_S)


def piece_with(policy, path):
    text = PIECE.read_text()
    for plain, wanted in policy.items():
        assert plain in text
        text = text.replace(plain, wanted)
    path.write_text(text)
    return path


def from_bar_1(stem):
    """A stem's sound from one second before bar 1 beat 1 on, by its time reference (EBU Tech
    3285, section 2.3), which is an hour there."""
    head = stem.read_bytes()[:2_000]
    at = head.index(b"bext") + 8 + 338
    before = 3_600 * RATE - int.from_bytes(head[at : at + 8], "little")
    sound, _ = soundfile.read(stem)
    return np.concatenate([np.zeros(RATE - before), sound])


def attacks(x):
    """How strongly the sound above 1 kHz rises, by half milliseconds."""
    sos = scipy.signal.butter(2, 1_000, "highpass", fs=RATE, output="sos")
    high = scipy.signal.sosfilt(sos, x)[: len(x) // 24 * 24].reshape(-1, 24)
    level = np.sqrt(scipy.ndimage.uniform_filter1d(np.mean(high**2, axis=1), 5) + 1e-9)
    return np.maximum(np.gradient(np.log(level)), 0)


def shifts_ms(plain, eased, at_s):
    """How much later the attacks at each moment come in `eased`, both by `attacks`."""
    found = []
    for s in at_s:
        first = int((s + 1 - 0.02) * CELLS_S)
        part = plain[first : first + int(0.08 * CELLS_S)]
        around = eased[first - REACH : first + len(part) + REACH]
        if first < REACH or len(around) < len(part) + 2 * REACH:
            found.append(np.nan)
            continue
        cross = np.correlate(around, part, "valid")
        power = np.convolve(around**2, np.ones(len(part)), "valid")
        like = cross / np.sqrt(power * np.sum(part**2) + 1e-12)
        best = int(np.argmax(like))
        found.append((best - REACH) / CELLS_S * 1e3 if like[best] > 0.8 else np.nan)
    return np.array(found)


def bends_cents(plain, eased, at_s, by_ms):
    """How far the pitch of each note is bent: what its sound, 60 and 160 ms after the attack, is
    shifted by, found by the waveform, against each other."""
    def shift(s, by):
        first = round((s + 1) * RATE)
        part = plain[first : first + 2_400]
        begin = first + round(by * RATE / 1e3) - 60
        around = eased[begin : begin + 2_520]
        if len(around) < 2_520 or np.std(part) < 3e-3:
            return np.nan
        power = np.convolve(around**2, np.ones(2_400), "valid")
        like = np.correlate(around, part, "valid") / np.sqrt(power * np.sum(part**2) + 1e-12)
        best = int(np.argmax(like))
        if not 0 < best < 120 or like[best] < 0.98:
            return np.nan
        a, b, c = like[best - 1 : best + 2]
        return (best - 60 + 0.5 * (a - c) / (a - 2 * b + c)) / RATE

    pairs = [(shift(s + 0.06, by), shift(s + 0.16, by)) if np.isfinite(by) else (np.nan, 0)
             for s, by in zip(at_s, by_ms)]
    return np.array([1200 * np.log2(1 + abs(late - early) / 0.1) for early, late in pairs])


def bursts(x):
    """Energy above 4 kHz by milliseconds, in dB."""
    sos = scipy.signal.butter(4, 4_000, "highpass", fs=RATE, output="sos")
    high = scipy.signal.sosfiltfilt(sos, x)[: len(x) // 48 * 48].reshape(-1, 48)
    return 10 * np.log10(np.mean(high**2, axis=1) + 1e-11)


def clicks(plain, eased):
    """Milliseconds of `eased` that stick out of what lies around them, and out of anything that
    `plain` had within the reach of easing, by 10 dB."""
    a, b = bursts(plain), bursts(eased)
    count = min(len(a), len(b))
    usual = scipy.ndimage.maximum_filter1d(a[:count], 601)
    around = scipy.ndimage.median_filter(b[:count], 21)
    return int(np.sum((b[:count] > usual + 10) & (b[:count] > around + 10)))


def far(values):
    """How many notes lie where a blunder does."""
    return int(np.sum(np.abs(values[np.isfinite(values)]) > 90))


def spread(values):
    values = values[np.isfinite(values)]
    return 1.4826 * np.median(np.abs(values - np.median(values)))


def play(pack, seed, folder):
    """A take on disk and, of each note by itself, piece time as played and as written."""
    names = sorted(set(check_takes.ALL) - check_takes.SLOW)
    rng = np.random.default_rng(seed)
    name = names[seed % len(names)]
    args = dict(lag_ms=10.0, jitter_ms=float(rng.uniform(10, 25)), lead_in_s=3.0, closing=True)
    manner = check_takes.Manner(blunders=3)
    sound, _, _ = check_takes.play(pack, name, seed, 0, manner, **args)
    file = folder / f"{seed}.flac"
    soundfile.write(file, 0.8 * sound / np.max(np.abs(sound)), RATE)
    player = home_takes.Player(instrument=name, seed=seed, **args)
    calm = dataclasses.replace(player, jitter_ms=0.0)
    played, _ = check_takes.notes_of(pack, player, manner, 0, np.random.default_rng(seed))
    written, _ = check_takes.notes_of(pack, calm, check_takes.Manner(), 0,
                                      np.random.default_rng(seed))
    at_s = np.array([note[0] for note in played])
    off_ms = 1e3 * (at_s - [note[0] for note in written])
    own = np.concatenate([[True], np.abs(np.diff(at_s)) > 0.03])
    at_s, off_ms = at_s[own], off_ms[own]
    return name, file, at_s, off_ms


def study(pack, folder, count):
    for name, policy in EASED.items():
        piece = piece_with(policy, folder / f"{name}.toml")
        print(f"\n{name}: spread before, after (by the truth) | said | worst bend, cents | clicks")
        for seed in range(count):
            instrument, file, at_s, off_ms = play(pack, seed, folder)
            stems = []
            for document in (PIECE, piece):
                out = folder / "stems"
                out.mkdir(exist_ok=True)
                (line,) = examine(document, [file], "--stems", out)
                stem = out / f"{file.stem}.wav"
                stems.append(from_bar_1(stem) if stem.exists() else np.zeros(0))
                stem.unlink(missing_ok=True)
            plain, eased = stems
            if not len(plain) or not len(eased):
                print(f"{instrument:18s} {line['state']}")
                continue
            by_ms = shifts_ms(attacks(plain), attacks(eased), at_s)
            after = off_ms + by_ms
            bend = bends_cents(plain, eased, at_s, by_ms)
            said = line["easing"] or {}
            blunders = sum(f["value"] for f in line["findings"] if f["code"] == "blunders")
            print(f"{instrument:18s} {spread(off_ms):5.1f} {spread(after):5.1f}  far {far(off_ms)} "
                  f"{far(after)}, said {blunders:.0f} | {said.get('spread_before_ms', 0):5.1f} "
                  f"{said.get('spread_after_ms', 0):5.1f} moved {said.get('moved', 0)} | "
                  f"{np.nanquantile(bend, 0.95):5.1f} {np.nanmax(bend):6.1f} of "
                  f"{np.sum(np.isfinite(bend))} | {clicks(plain, eased)}", flush=True)


def main():
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 24
    with tempfile.TemporaryDirectory() as folder:
        folder = pathlib.Path(folder)
        study(make_pack(folder / "pack"), folder, count)


if __name__ == "__main__":
    main()
