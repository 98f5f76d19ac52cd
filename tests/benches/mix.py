#!/usr/bin/env python3
"""How fast stems become a mix, beside what else reads or adds the same samples, in one run.

    tests/.venv/bin/python tests/benches/mix.py [--counts 50,100,200,500,1000,2000] [--files 40] [--profile release]

Every count is mixed from `--files` mono stems of 145 s (each used several times under other take
ids, so that the page cache of a small machine holds them; each read is still a read). Beside it,
on the same samples as raw float32: `cat` to /dev/null, a NumPy float32 mono sum, and libavfilter's
amix through PyAV. Prints a table and writes tests/out/mix-speed.json. Asserts nothing.

What counts as what. The exact sum is every stem to one stereo bed, nothing kept: that is what the
peers do. A mix is all between the stems and the mastered sum: planning, beds (made and kept),
group levels, curves, loudness, true peaks, limiter. The share of a change is its mix beside the
mix with no beds of the same stems; both are counted alike, and neither counts the encoder, which
costs the same whatever has changed: the rows "all in" have it. A new full-length take leads a
group to another level in a few of ten cases; then the group's share of every stretch moves too,
and that is in the figure as it happens to fall.
"""

import argparse
import json
import pathlib
import resource
import subprocess
import tempfile
import time

import av
import numpy as np

ROOT = pathlib.Path(__file__).resolve().parents[2]
SECONDS = 145
RATE = 48_000


def main():
    words = argparse.ArgumentParser()
    words.add_argument("--counts", default="50,100,200,500,1000,2000")
    words.add_argument("--files", type=int, default=40)
    words.add_argument("--threads", type=int, default=2)
    words.add_argument("--profile", default="release", choices=["release", "dev"])
    words.add_argument("--dir", help="where the stems go; a temporary folder by default")
    options = words.parse_args()
    driver = build(options.profile)
    with tempfile.TemporaryDirectory(dir=options.dir, prefix="mix-speed-") as folder:
        subprocess.run([driver, "make", folder, str(options.files), str(SECONDS)], check=True)
        raw = [pathlib.Path(folder) / f"{number}.f32" for number in range(options.files)]
        stem_bytes = raw[0].stat().st_size
        amix = amix_bytes_per_s(raw)
        results = [
            one(driver, folder, raw, options, int(count), stem_bytes, amix)
            for count in options.counts.split(",")
        ]
    report(results)
    out = ROOT / "tests" / "out"
    out.mkdir(parents=True, exist_ok=True)
    (out / "mix-speed.json").write_text(json.dumps(results, indent=1) + "\n")


def build(profile):
    flags = ["--release"] if profile == "release" else []
    subprocess.run(
        ["cargo", "build", "--quiet", *flags, "-p", "ripieno-worker", "--example", "render_speed"],
        cwd=ROOT,
        check=True,
    )
    folder = "release" if profile == "release" else "debug"
    return ROOT / "target" / folder / "examples" / "render_speed"


def one(driver, folder, raw, options, count, stem_bytes, amix):
    """One count: peers before and after the mixer, so that a busy machine shows."""
    paths = [raw[number % len(raw)] for number in range(count)]
    peers = [(cat_s(paths), numpy_s(paths))]
    words = [driver, "run", folder, str(len(raw)), str(count), str(options.threads)]
    done = subprocess.run(list(map(str, words)), check=True, capture_output=True, text=True)
    peers.append((cat_s(paths), numpy_s(paths)))
    result = json.loads(done.stdout)
    total = stem_bytes * count
    result["bytes"] = total
    cats, numpys = zip(*peers)
    result["cat_s"], result["cat_cpu_s"] = map(min, zip(*cats))
    result["numpy_s"], result["numpy_cpu_s"] = map(min, zip(*numpys))
    result["amix_s"], result["amix_cpu_s"] = (total / bytes_per_s for bytes_per_s in amix)
    result["seconds"] = SECONDS
    # The last render was a full one with nothing kept before: what lies there now is what it keeps.
    kept = pathlib.Path(folder) / "beds"
    result["kept_bytes"] = sum(path.stat().st_size for path in kept.rglob("*") if path.is_file())
    result["stem_bytes"] = (pathlib.Path(folder) / "0.stem").stat().st_size
    return result


def timed(work, who):
    """Wall and processor time of some work."""
    cpu = lambda: sum(resource.getrusage(who)[:2])
    begin, cpu_begin = time.perf_counter(), cpu()
    work()
    return time.perf_counter() - begin, cpu() - cpu_begin


def cat_s(paths):
    def work():
        with open("/dev/null", "wb") as sink:
            subprocess.run(["cat", *map(str, paths)], check=True, stdout=sink)

    return timed(work, resource.RUSAGE_CHILDREN)


def numpy_s(paths):
    def work():
        total = np.zeros(RATE * SECONDS, np.float32)
        for path in paths:
            total += np.fromfile(path, np.float32)

    return timed(work, resource.RUSAGE_SELF)


def amix_bytes_per_s(raw, inputs=16, seconds=20):
    """libavfilter's amix on as many inputs at once, fed from memory: by the clock, and by
    processor time."""
    sounds = [np.fromfile(path, np.float32, RATE * seconds) for path in raw[:inputs]]
    graph = av.filter.Graph()
    mixer = graph.add("amix", f"inputs={len(sounds)}:normalize=0")
    sink = graph.add("abuffersink")
    sources = []
    for number in range(len(sounds)):
        source = graph.add(
            "abuffer",
            f"time_base=1/{RATE}:sample_rate={RATE}:sample_fmt=fltp:channel_layout=mono",
        )
        source.link_to(mixer, 0, number)
        sources.append(source)
    mixer.link_to(sink)
    graph.configure()

    def work():
        for at in range(0, RATE * seconds, 4096):
            for source, sound in zip(sources, sounds):
                frame = av.AudioFrame.from_ndarray(sound[None, at : at + 4096], "fltp", "mono")
                frame.sample_rate, frame.pts = RATE, at
                source.push(frame)
            drain(sink)

    total = sum(sound.nbytes for sound in sounds)
    return [total / spent_s for spent_s in timed(work, resource.RUSAGE_SELF)]


def drain(sink):
    while True:
        try:
            sink.pull()
        except (av.BlockingIOError, av.EOFError):
            return


def report(results):
    print(f"{'':34}" + "".join(f"{result['stems']:>10}" for result in results) + "  stems")

    def row(name, value, form="{:10.3f}"):
        print(f"{name:34}" + "".join(form.format(value(result)) for result in results))

    row("exact stereo sum, s", lambda r: r["beds_alone_s"])
    row("cat, s", lambda r: r["cat_s"])
    row("sum's speed / cat's", lambda r: r["cat_s"] / r["beds_alone_s"], "{:10.2f}")
    row("sum's speed / NumPy's", lambda r: r["numpy_s"] / r["beds_alone_s"], "{:10.1f}")
    row("sum's speed / amix's", lambda r: r["amix_s"] / r["beds_alone_s"], "{:10.0f}")
    # On a machine that others use, processor time tells more: the sum on all its threads, each
    # peer on its one, as if nobody else were there.
    alone = lambda r: r["beds_alone_cpu_s"] / r["threads"]
    row("processor time: sum, s", lambda r: r["beds_alone_cpu_s"])
    row("processor time: cat, s", lambda r: r["cat_cpu_s"])
    row("  sum on its threads / cat", lambda r: r["cat_cpu_s"] / alone(r), "{:10.2f}")
    row("  sum on its threads / NumPy", lambda r: r["numpy_cpu_s"] / alone(r), "{:10.1f}")
    row("  sum on its threads / amix", lambda r: r["amix_cpu_s"] / alone(r), "{:10.0f}")
    # A mix is what lies between the stems and the mastered sum; encoding it is counted apart.
    mix = lambda r, key: r[key]["mix_cpu_s"]
    row("mix, no beds: processor time, s", lambda r: mix(r, "preview_cold"))
    for key, name in (
        ("one_new_take", "after one new take"),
        ("one_short_take", "  one that plays one section"),
        ("one_exchanged_take", "after one exchanged take"),
        ("one_curve_changed", "after a curve change"),
        ("one_section", "one section, nothing new"),
    ):
        row(f"{name}, s", lambda r: mix(r, key))
        row("  share of the first", lambda r: mix(r, key) / mix(r, "preview_cold"), "{:10.3f}")
    for key, name in (
        ("preview_cold", "preview, no beds"),
        ("one_new_take", "preview, one new take"),
        ("one_exchanged_take", "preview, one exchanged take"),
        ("one_curve_changed", "preview, one curve changed"),
        ("one_section", "preview, one section"),
        ("final_cold", "final, no beds"),
        ("final_warm", "final, all beds kept"),
    ):
        row(name + ", all in, s", lambda r: r[key]["total_s"])
        row("  processor time, s", lambda r: r[key]["total_cpu_s"])
    row("peak memory, MiB", lambda r: r["peak_memory_mib"], "{:10.0f}")
    minutes = lambda r: r["stems"] * r["seconds"] / 60
    row("a stem on disk, MB a minute", lambda r: r["stem_bytes"] / 1e6 / r["seconds"] * 60, "{:10.2f}")
    row("beds and sums kept, MB", lambda r: r["kept_bytes"] / 1e6, "{:10.0f}")
    row("  MB a stem-minute", lambda r: r["kept_bytes"] / 1e6 / minutes(r), "{:10.2f}")


if __name__ == "__main__":
    main()
