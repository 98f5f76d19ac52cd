"""Sound files of every kind, made and read by libsndfile (PyPI soundfile) and FFmpeg (PyPI av)."""

import json
import os
import pathlib
import subprocess

import av
import numpy as np

ROOT = pathlib.Path(__file__).resolve().parents[2]
TARGET = pathlib.Path(os.environ.get("CARGO_TARGET_DIR", ROOT / "target"))


def example(name: str) -> pathlib.Path:
    """An example binary of the engine, built if it is not there."""
    command = ["cargo", "build", "--quiet", "-p", "ripieno-engine", "--example", name]
    subprocess.run(command, cwd=ROOT, check=True)
    return TARGET / "debug" / "examples" / name


def music(rate: int, channels: int, frames: int, seed: int = 1) -> np.ndarray:
    """Tones, noise and clicks, [channels, frames], of which no two stretches are alike."""
    rng = np.random.default_rng(seed)
    t = np.arange(frames) / rate
    out = np.empty((channels, frames))
    for c in range(channels):
        sweep = np.sin(2 * np.pi * (200 * (c + 1) * t + 300 * t**2))
        out[c] = 0.35 * sweep + 0.02 * rng.standard_normal(frames)
        out[c, rng.integers(0, frames, 6)] += 0.5
    return np.clip(out, -0.9, 0.9).astype(np.float32)


class Decoder:
    """Drives the example `decode_to_raw`."""

    def __init__(self, folder: pathlib.Path):
        self.binary = example("decode_to_raw")
        self.raw = folder / "decoded.f32"

    def __call__(self, path, *options) -> tuple[dict, np.ndarray]:
        """What the decoder says of the file, and its samples as [channels, frames]."""
        said = self.account(path, self.raw, *options)
        assert "error" not in said, said
        samples = np.fromfile(self.raw, "<f4").reshape(-1, said["channels"]).T
        assert samples.shape[1] == said["frames"]
        return said, samples

    def account(self, path, *options) -> dict:
        """What the decoder says of the file, be it an error."""
        command = [self.binary, str(path), *map(str, options)]
        done = subprocess.run(command, capture_output=True, text=True, timeout=60)
        assert done.stdout.startswith("{"), (done.returncode, done.stdout, done.stderr)
        return json.loads(done.stdout)


def encode(path, codec, wave, rate, container=None, codec_options=None, options=None, bitrate=None,
           first_pts=0):
    """Encodes `wave` by FFmpeg into the container that the name of `path` or `container` says."""
    out = av.open(str(path), "w", format=container, options=options or {})
    stream = out.add_stream(codec, rate=rate, options=codec_options or {})
    stream.layout = {1: "mono", 2: "stereo", 6: "5.1"}[wave.shape[0]]
    if bitrate:
        stream.bit_rate = bitrate
    for packet in encoded(stream, wave, rate, first_pts):
        out.mux(packet)
    out.close()


def encoded(stream, wave, rate, first_pts=0):
    """The packets of `wave` from the encoder of `stream`."""
    layout = stream.layout.name
    frame = av.AudioFrame.from_ndarray(np.ascontiguousarray(wave), format="fltp", layout=layout)
    frame.sample_rate = rate
    frame.pts = first_pts
    resampler = av.AudioResampler(format=stream.codec_context.format, layout=layout, rate=rate)
    for piece in [*resampler.resample(frame), *resampler.resample(None)]:
        yield from stream.encode(piece)
    yield from stream.encode(None)


def ffmpeg(path) -> np.ndarray:
    """The first sound track of `path` by FFmpeg, [channels, frames] at full scale ±1.

    Opus is decoded by libopus, the reference: FFmpeg's own decoder strays from it by −72 dB in
    stereo.
    """
    with av.open(str(path)) as container:
        stream = container.streams.audio[0]
        context = stream.codec_context
        if context.codec.canonical_name == "opus":
            context = av.CodecContext.create("libopus", "r")
            context.extradata = stream.codec_context.extradata
            context.sample_rate = stream.codec_context.sample_rate
            context.options = {"request_sample_fmt": "flt"}
        frames = [f for packet in container.demux(stream) for f in context.decode(packet)]
        return np.concatenate([planar(frame) for frame in frames], axis=1)


def planar(frame) -> np.ndarray:
    samples = frame.to_ndarray()
    if not frame.format.is_planar:
        samples = samples.reshape(-1, len(frame.layout.channels)).T
    if samples.dtype.kind == "i":
        return samples / float(2 ** (samples.dtype.itemsize * 8 - 1))
    return samples


def snr_db(reference: np.ndarray, other: np.ndarray) -> float:
    """Signal to error over what both have."""
    n = min(reference.shape[1], other.shape[1])
    reference, other = reference[:, :n].astype(float), other[:, :n].astype(float)
    error = np.sum((reference - other) ** 2)
    return 10 * np.log10(np.sum(reference**2) / max(error, 1e-30))


def shift(source: np.ndarray, other: np.ndarray) -> int:
    """By how many frames `other` lies later than `source`, by cross-correlation."""
    size = 1 << int(np.ceil(np.log2(source.shape[1] + other.shape[1])))
    spectrum = np.fft.rfft(other[0], size) * np.conj(np.fft.rfft(source[0], size))
    peak = int(np.argmax(np.fft.irfft(spectrum, size)))
    return peak if peak < size // 2 else peak - size
