"""Takes of the short piece, played by the guide pack's own account of it."""

import io
import json

import numpy as np
import soundfile

RATE = 48_000


def played(service, seed=1, octave=0, late_s=0.01):
    """The opening mark, then a short tone on every beat, a little late as people are."""
    marks = json.loads(service.piece_file("marks.json"))
    mark, rate = soundfile.read(io.BytesIO(service.piece_file(marks["opening"]["file"])))
    assert rate == RATE
    random = np.random.default_rng(seed)
    bar1 = 2 * RATE + marks["bar1_beat1_sample"] - marks["opening"]["sample"]
    take = random.normal(0, 3e-4, bar1 + 26 * RATE)
    first = 2 * RATE - int(marks["opening"]["origin_sample"])
    take[first : first + len(mark)] += 0.4 * mark
    t = np.arange(RATE // 2) / RATE
    for beat in range(48):
        at = bar1 + beat * RATE // 2 + int(random.normal(late_s, 0.01) * RATE)
        hz = [196, 174.61, 261.63, 196][beat // 4 % 4] * (1.5 if beat % 2 else 1) * 2.0**octave
        note = np.minimum(1, t / 0.004) * np.exp(-6 * t) * np.sin(2 * np.pi * hz * t)
        take[at : at + len(note)] += 0.5 * note
    out = io.BytesIO()
    soundfile.write(out, np.clip(take, -1, 1), RATE, format="WAV", subtype="PCM_16")
    return out.getvalue()
