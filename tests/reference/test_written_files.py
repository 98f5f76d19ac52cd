"""What we write, opened by other readers.

- WAV and RF64: libsndfile (PyPI soundfile); `bext` by a reader of its own here, from EBU Tech 3285
  v2, clause 2.3; `cue ` and `LIST adtl` from RIFF MCI (Microsoft, 1991); `ds64` from EBU Tech 3306.
- FLAC: libsndfile and the reference tool, `flac -t` (Debian package flac).
- Preview: libopus through FFmpeg's libraries (PyPI av), lengths and granules by RFC 7845.
- Dither: TPDF of 2 LSB peak to peak has a total error of LSB²/4, +4.77 dB re LSB²/12, whatever the
  signal (Lipshitz, Wannamaker, Vanderkooy, J. Audio Eng. Soc. 40(5), 1992).
"""

import struct
import subprocess

import av
import numpy as np
import pytest
import soundfile as sf

from sound_files import Decoder, example, ffmpeg, music, shift, snr_db

RATE = 48_000


@pytest.fixture(scope="module")
def write(tmp_path_factory):
    binary = example("write_samples")
    source = tmp_path_factory.mktemp("write") / "in.f32"

    def run(kind, path, wave, *options):
        np.ascontiguousarray(wave.T, dtype="<f4").tofile(source)
        command = [binary, kind, source, path, "--channels", len(wave), *options]
        done = subprocess.run([str(word) for word in command], capture_output=True, text=True)
        assert done.returncode == 0, done.stderr
        return path

    return run


@pytest.fixture(scope="module")
def decode(tmp_path_factory):
    return Decoder(tmp_path_factory.mktemp("read-back"))


def rounded(wave, bits):
    scale = 2.0 ** (bits - 1)
    return np.clip(np.round(wave.astype(float) * scale), -scale, scale - 1) / scale


@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("bits", [16, 24, 32])
@pytest.mark.parametrize("options", [[], ["--rf64-above", 1000], ["--block", 77]])
def test_wav_is_read_by_libsndfile(write, decode, tmp_path, channels, bits, options):
    wave = music(RATE, channels, 10_001)
    path = write("wav", tmp_path / "out.wav", wave, "--bits", bits, "--bext", "x", "--cue",
                 "77:Flood", *options)
    info = sf.info(path)
    assert info.format == ("RF64" if "--rf64-above" in options else "WAV")
    read, rate = sf.read(path, dtype="float64", always_2d=True)
    expected = wave if bits == 32 else rounded(wave, bits)
    assert rate == RATE and np.array_equal(read.T, expected)
    said, ours = decode(path)
    assert said["notes"] == [] and np.array_equal(ours, expected.astype(np.float32))


@pytest.mark.parametrize("limit", [[], ["--rf64-above", 1000]])
def test_broadcast_metadata_is_where_the_standards_put_it(write, tmp_path, limit):
    wave = music(RATE, 2, 9_999)
    reference = 48_000 * 3600 * 23 + 2**32
    path = write("wav", tmp_path / "out.wav", wave, "--bits", 24, "--bext", "Nine Harbours, final",
                 "--time-reference", reference, "--lufs", "-16.04", "--cue", "0:Slack water",
                 "--cue", "4800:Flood", "--cue", "9000:Ebb", *limit)
    content = path.read_bytes()
    chunks = riff_chunks(content)
    assert [name for name, _ in chunks] == [
        "ds64" if limit else "JUNK", "bext", "fmt ", "data", "cue ", "LIST"]
    by_name = dict(chunks)
    bext = by_name["bext"]
    assert bext[:256].rstrip(b"\0") == b"Nine Harbours, final"
    assert bext[256:288].rstrip(b"\0") == b"Ripieno"
    assert bext[320:338] == b"2026-11-2508:30:00"
    assert struct.unpack_from("<QH", bext, 338) == (reference, 2)
    assert struct.unpack_from("<5h", bext, 412) == (-1604, 0x7FFF, 0x7FFF, 0x7FFF, 0x7FFF)
    assert bext[602:].rstrip(b"\0") == b"A=PCM,F=48000,W=24,M=stereo,T=Ripieno\r\n"
    assert len(by_name["data"]) == 9_999 * 6
    assert cue_points(by_name["cue "], by_name["LIST"]) == [
        (0, "Slack water"), (4800, "Flood"), (9000, "Ebb")]
    if limit:
        assert struct.unpack("<QQQI", by_name["ds64"]) == (len(content) - 8, 9_999 * 6, 9_999, 0)
    else:
        assert struct.unpack_from("<I", content, 4)[0] == len(content) - 8


def riff_chunks(content):
    """(name, content) of every chunk, sizes by `ds64` where RIFF has no room for them."""
    assert content[:4] in (b"RIFF", b"RF64") and content[8:12] == b"WAVE"
    found, at, long_size = [], 12, None
    while at < len(content):
        name, size = content[at:at + 4].decode(), struct.unpack_from("<I", content, at + 4)[0]
        if name == "data" and size == 0xFFFFFFFF:
            size = long_size
        body = content[at + 8:at + 8 + size]
        if name == "ds64":
            long_size = struct.unpack_from("<Q", body, 8)[0]
        found.append((name, body))
        at += 8 + size + size % 2
    assert at == len(content)
    return found


def cue_points(cue, adtl):
    (count,) = struct.unpack_from("<I", cue)
    points = {}
    for i in range(count):
        number, _, name, _, _, offset = struct.unpack_from("<II4sIII", cue, 4 + 24 * i)
        assert name == b"data"
        points[number] = offset
    assert adtl[:4] == b"adtl"
    found, at = [], 4
    while at < len(adtl):
        name, size = adtl[at:at + 4], struct.unpack_from("<I", adtl, at + 4)[0]
        assert name == b"labl"
        (number,) = struct.unpack_from("<I", adtl, at + 8)
        text = adtl[at + 12:at + 8 + size]
        assert text.endswith(b"\0")
        found.append((points[number], text[:-1].decode()))
        at += 8 + size + size % 2
    return found


@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("options", [[], ["--announce"], ["--block", 77]])
def test_flac_passes_its_own_tool_and_libsndfile(write, decode, tmp_path, channels, bits, options):
    wave = music(RATE, channels, 50_001)
    path = write("flac", tmp_path / "out.flac", wave, "--bits", bits, "--tag", "TITLE=Nine Harbours",
                 "--tag", "ARTIST=Åse & 合奏", *options)
    tested = subprocess.run(["flac", "-t", "-s", str(path)], capture_output=True, text=True)
    assert tested.returncode == 0, tested.stderr
    assert "WARNING" not in tested.stderr
    read, rate = sf.read(path, dtype="float64", always_2d=True)
    assert rate == RATE and np.array_equal(read.T, rounded(wave, bits))
    with av.open(str(path)) as container:
        tags = {name.upper(): value for name, value in container.metadata.items()}
    assert tags["TITLE"] == "Nine Harbours" and tags["ARTIST"] == "Åse & 合奏"
    said, ours = decode(path)
    assert said["notes"] == [] and np.array_equal(ours, rounded(wave, bits).astype(np.float32))
    assert path.stat().st_size < 50_001 * channels * bits // 8


@pytest.mark.parametrize("kind, bits", [("wav", 16), ("wav", 24), ("flac", 16), ("flac", 24)])
def test_dither_is_as_loud_as_theory_says(write, tmp_path, kind, bits):
    lsb = 2.0 ** (1 - bits)
    n = 200_000
    ramp = np.linspace(-3, 3, n) * lsb
    tone = 0.3 * np.sin(2 * np.pi * 997 * np.arange(n) / RATE)
    wave = np.stack([ramp, tone]).astype(np.float32)
    path = write(kind, tmp_path / f"out.{kind}", wave, "--bits", bits, "--dither", 5)
    read, _ = sf.read(path, dtype="float64", always_2d=True)
    error = read.T - wave
    for channel in error:
        db = 10 * np.log10(np.mean(channel**2) / (lsb**2 / 12))
        assert abs(db - 4.77) < 0.05, db
        assert abs(np.mean(channel)) < 0.01 * lsb
    left, right = error
    assert abs(np.corrcoef(left, right)[0, 1]) < 0.01
    # Neither the error nor its power follows the signal.
    assert abs(np.corrcoef(left, wave[0])[0, 1]) < 0.01
    assert abs(np.corrcoef(left**2, np.abs(wave[0] / lsb % 1 - 0.5))[0, 1]) < 0.01
    again = write(kind, tmp_path / f"again.{kind}", wave, "--bits", bits, "--dither", 5, "--block", 333)
    assert again.read_bytes() == path.read_bytes()


@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("frames", [1, 647, 648, 649, 960, 96_000, 100_003])
def test_preview_has_every_frame_where_it_was(write, decode, tmp_path, channels, frames):
    wave = music(RATE, channels, frames)
    path = write("preview", tmp_path / "out.opus", wave, "--bitrate", 128_000, "--tag", "TITLE=x")
    theirs = ffmpeg(path)
    said, ours = decode(path)
    assert said["notes"] == []
    assert theirs.shape == ours.shape == wave.shape
    assert snr_db(theirs, ours) >= 90
    if frames > 90_000:
        assert shift(wave, theirs) == 0
        assert snr_db(wave, theirs) > 12
        bits = path.stat().st_size * 8 / (frames / RATE)
        assert 0.7 * 128_000 < bits < 1.3 * 128_000, bits
    with av.open(str(path)) as container:
        assert container.streams.audio[0].codec_context.channels == channels
