"""What people really send: cut off, mislabelled, hostile, joined, late, with holes.

The files are made by libsndfile and FFmpeg, then damaged byte by byte here; formats as cited in
test_decode.py. Every answer must come fast and in plain words.
"""

import struct
from fractions import Fraction

import av
import numpy as np
import pytest
import soundfile as sf

from sound_files import Decoder, encode, encoded, ffmpeg, music, shift, snr_db

RATE = 48_000
FRAMES = 96_000


@pytest.fixture(scope="module")
def decode(tmp_path_factory):
    return Decoder(tmp_path_factory.mktemp("odd"))


def wav(path, wave, subtype="PCM_16", rate=RATE, container="WAV"):
    sf.write(path, wave.T, rate, subtype, format=container)
    return bytearray(path.read_bytes())


# Bad input


def wav_header(channels=1, rate=RATE, bits=16, data_bytes=1000, tag=1):
    align = channels * bits // 8 % 65536
    fmt = struct.pack("<HHIIHH", tag, channels, rate, (rate * align) % 2**32, align, bits)
    return (b"RIFF" + struct.pack("<I", (36 + data_bytes) % 2**32) + b"WAVEfmt " + struct.pack("<I", 16)
            + fmt + b"data" + struct.pack("<I", data_bytes))


@pytest.mark.parametrize("content, error, says", [
    (b"", "the file is empty", "empty"),
    (b"Dear organiser,\nplease find my take attached.\n", "it is text", "not a sound file"),
    (bytes(range(256)) * 40, "unknown kind", "not a sound file"),
    (b"\x89PNG\r\n\x1a\n" + bytes(64), "picture", "not a sound file"),
    (b"MThd\0\0\0\6\0\1\0\2\1\xe0", "MIDI", "not a sound file"),
    (wav_header(channels=0) + bytes(1000), "zero channels", "no channels"),
    (wav_header(channels=9) + bytes(1000), "9 channels", "mono or stereo"),
    (wav_header(channels=65535) + bytes(1000), "65535 channels", "mono or stereo"),
    (wav_header(rate=1) + bytes(1000), "1 Hz", "44100 or 48000"),
    (wav_header(rate=10_000_000) + bytes(1000), "10000000 Hz", "44100 or 48000"),
    (wav_header(rate=0) + bytes(1000), "0 Hz", "44100 or 48000"),
    (wav_header(data_bytes=0), "no sound", "damaged"),
    (wav_header()[:20], "within its header", "damaged"),
    (wav_header(tag=0x55, bits=0) + bytes(1000), "", "again"),
    (b"fLaC" + bytes(60), "", "damaged"),
    (b"OggS" + bytes(60), "", "damaged"),
    (b"\0\0\0\x18ftypmp42" + bytes(60), "", "damaged"),
    (b"\x1a\x45\xdf\xa3" + bytes(60), "", "damaged"),
    (b"caff\0\1\0\0" + bytes(60), "", "damaged"),
    (b"FORM\0\0\0\x40AIFF" + bytes(60), "", "damaged"),
    (b"ID3\4\0\0\0\0\x0f\x7f" + bytes(3000), "", ""),
    (b"\xff\xfb\x90\x64" + bytes(20), "", ""),
])
def test_bad_input_gets_a_clear_answer(decode, tmp_path, content, error, says):
    path = tmp_path / "take.wav"
    path.write_bytes(content)
    said = decode.account(path)
    assert error in said["error"] and says in said["says"], said
    assert said["says"].endswith(".") and "panic" not in said["says"]


def test_a_header_of_4_gib_with_a_body_of_1_kb_gives_what_is_there(decode, tmp_path):
    path = tmp_path / "short.wav"
    path.write_bytes(wav_header(data_bytes=2**32 - 40) + bytes(1000))
    said, ours = decode(path)
    assert ours.shape == (1, 500) and said["notes"] == ["truncated"]


@pytest.mark.parametrize("size", [0, 0xFFFFFFFF])
def test_a_size_that_was_never_filled_in_means_to_the_end(decode, tmp_path, size):
    wave = music(RATE, 2, 5000)
    path = tmp_path / "piped.wav"
    content = wav(path, wave)
    at = content.index(b"data") + 4
    content[at:at + 4] = struct.pack("<I", size)
    path.write_bytes(content)
    said, ours = decode(path)
    assert ours.shape == wave.shape and said["notes"] == []


@pytest.mark.parametrize("container, subtype", [
    ("WAV", "PCM_24"), ("RF64", "PCM_24"), ("W64", "PCM_16"), ("AIFF", "PCM_16"), ("CAF", "PCM_24"),
    ("FLAC", "PCM_16"), ("OGG", "VORBIS"), ("OGG", "OPUS"), ("MP3", "MPEG_LAYER_III"), ("CAF", "ALAC_16"),
])
@pytest.mark.parametrize("part", [0.3, 0.77])
def test_a_file_cut_in_the_middle_gives_its_first_part(decode, tmp_path, container, subtype, part):
    path = tmp_path / "cut.bin"
    frames = 8 * FRAMES if container == "OGG" else FRAMES  # Its pages last a second or more.
    content = wav(path, music(RATE, 2, frames), subtype, container=container)
    _, whole = decode(path)
    path.write_bytes(content[:int(len(content) * part)])
    said, ours = decode(path)
    assert "truncated" in said["notes"], said
    assert 0.5 * part < ours.shape[1] / frames < part + 0.05
    same = ours.shape[1] - 4096
    assert np.array_equal(ours[:, :same], whole[:, :same])


@pytest.mark.parametrize("name, codec", [("m.m4a", "aac"), ("m.mkv", "aac"), ("m.webm", "libopus")])
def test_a_cut_video_container_gives_its_first_part(decode, tmp_path, name, codec):
    path = tmp_path / name
    options = {"movflags": "faststart"} if name.endswith("m4a") else {}
    encode(path, codec, music(RATE, 1, FRAMES), RATE, options=options)
    _, whole = decode(path)
    content = path.read_bytes()
    path.write_bytes(content[:len(content) * 6 // 10])
    said, ours = decode(path)
    assert "truncated" in said["notes"], said
    assert 0.4 < ours.shape[1] / FRAMES < 0.65
    assert np.array_equal(ours[:, :-2048], whole[:, :ours.shape[1] - 2048])


def test_not_a_number_becomes_zero_and_is_counted(decode, tmp_path):
    wave = music(RATE, 2, 5000)
    wave[0, 100], wave[1, 200], wave[0, 4999] = np.nan, np.inf, -np.inf
    wave[1, 300] = 1e-42  # denormal: harmless, and kept.
    path = tmp_path / "nan.wav"
    wav(path, wave, "FLOAT")
    said, ours = decode(path)
    assert said["note_texts"] == ["NotFinite { count: 3 }"]
    assert np.array_equal(ours, np.where(np.isfinite(wave), wave, 0))


def test_a_small_file_of_many_hours_is_stopped(decode, tmp_path):
    path = tmp_path / "silence.flac"
    with sf.SoundFile(path, "w", 8_000, 1, "PCM_16", format="FLAC") as out:
        for _ in range(4 * 60):
            out.write(np.zeros(8_000 * 60, np.int16))
    assert path.stat().st_size < 600_000
    said = decode.account(path)
    assert "longer than the limit" in said["error"] and "180 minutes" in said["says"], said
    said = decode.account(path, "--max-seconds", 5 * 3600)
    assert said["frames"] == 4 * 3600 * 8_000


# Where the sound begins, and what lies between


def test_an_empty_edit_is_silence(decode, tmp_path):
    """FFmpeg writes an edit list with an empty edit for sound that starts late."""
    wave = music(RATE, 1, FRAMES)
    late, plain = tmp_path / "late.m4a", tmp_path / "plain.m4a"
    encode(late, "aac", wave, RATE, first_pts=RATE // 2)
    encode(plain, "aac", wave, RATE)
    said, ours = decode(late)
    _, expected = decode(plain)
    assert "starts_late" in said["notes"], said
    start = shift(wave, ours)
    assert abs(start - RATE // 2) <= RATE // 1000  # The movie's timescale is in milliseconds.
    assert not ours[:, :start - 2 * 1024].any()  # Before it, the encoder's own pre-echo.
    assert snr_db(expected[:, :80_000], ours[:, start:start + 80_000]) >= 90


def test_a_gap_in_the_timestamps_is_filled_with_silence(decode, tmp_path):
    wave = music(RATE, 1, FRAMES)
    for name, codec in [("gap.m4a", "aac"), ("gap.mkv", "aac"), ("gap.mp4", "flac")]:
        plain, holed = tmp_path / f"plain-{name}", tmp_path / name
        encode(plain, codec, wave, RATE)
        hole = 12_345
        with av.open(str(holed), "w") as out:
            stream = out.add_stream(codec, rate=RATE)
            stream.layout = "mono"
            for packet in encoded(stream, wave, RATE):
                if packet.pts >= FRAMES // 2:
                    packet.pts += hole
                    packet.dts += hole
                out.mux(packet)
        said, ours = decode(holed)
        _, expected = decode(plain)
        assert said["notes"] == ["gaps"], (name, said)
        tolerance = 60 if name.endswith("mkv") else 0  # Matroska counts in milliseconds.
        grown = shift(expected[:, 70_000:], ours[:, 70_000:])
        assert abs(grown - hole) <= tolerance, (name, grown)
        before = FRAMES // 2 - 2 * 4608
        assert np.array_equal(ours[:, :before], expected[:, :before]), name
        after = ours[:, 70_000 + grown:95_000 + grown]
        assert snr_db(expected[:, 70_000:95_000], after) >= 90, name


@pytest.mark.parametrize("codec, name", [("libopus", "c.opus"), ("flac", "c.oga"), ("vorbis", "c.ogg")])
def test_streams_in_a_chain_are_joined(decode, tmp_path, codec, name):
    parts = []
    for i in range(3):
        path = tmp_path / f"{i}-{name}"
        encode(path, codec, music(RATE, 2, 30_000 + 777 * i, seed=i), RATE,
               codec_options={"strict": "-2"} if codec == "vorbis" else {},
               options={"serial_offset": str(i + 1)})
        parts.append(path)
    chain = tmp_path / name
    chain.write_bytes(b"".join(path.read_bytes() for path in parts))
    said, ours = decode(chain)
    expected = np.concatenate([decode(path)[1] for path in parts], axis=1)
    assert said["note_texts"] == ["Chained { more: 2 }"]
    assert ours.shape == expected.shape and np.array_equal(ours, expected)


def test_a_chain_that_changes_shape_stops_and_says_so(decode, tmp_path):
    chain = tmp_path / "chain.opus"
    content = b""
    for channels in (2, 1):
        part = tmp_path / "part.opus"
        encode(part, "libopus", music(RATE, channels, 30_000), RATE,
               options={"serial_offset": str(channels)})
        content += part.read_bytes()
    chain.write_bytes(content)
    said, ours = decode(chain)
    assert said["notes"] == ["format_changed"] and ours.shape == (2, 30_000)


def test_sound_is_found_beside_pictures(decode, tmp_path):
    wave = music(RATE, 2, FRAMES)
    for name, video in [("clip.mp4", "mpeg4"), ("clip.mov", "mpeg4"), ("clip.mkv", "mpeg4")]:
        path = tmp_path / name
        with av.open(str(path), "w") as out:
            pictures = out.add_stream(video, rate=25)
            pictures.width, pictures.height, pictures.pix_fmt = 64, 48, "yuv420p"
            sounds = [out.add_stream("aac", rate=RATE) for _ in range(2)]
            for sound in sounds:
                sound.layout = "stereo"
            for i in range(50):
                frame = av.VideoFrame.from_ndarray(np.full((48, 64, 3), i, np.uint8), "rgb24")
                for packet in pictures.encode(frame):
                    out.mux(packet)
            for packet in [*pictures.encode(None), *encoded(sounds[0], wave, RATE),
                           *encoded(sounds[1], -wave, RATE)]:
                out.mux(packet)
        said, ours = decode(path)
        assert said["note_texts"] == ["OtherTracks { left_out: 1 }"], said
        assert shift(wave, ours) == 0 and snr_db(ffmpeg(path), ours) >= 90, name


def test_pictures_without_sound_are_refused(decode, tmp_path):
    path = tmp_path / "silent-film.mp4"
    with av.open(str(path), "w") as out:
        pictures = out.add_stream("mpeg4", rate=25)
        pictures.width, pictures.height, pictures.pix_fmt = 64, 48, "yuv420p"
        frame = av.VideoFrame.from_ndarray(np.zeros((48, 64, 3), np.uint8), "rgb24")
        for packet in [*pictures.encode(frame), *pictures.encode(None)]:
            out.mux(packet)
    said = decode.account(path)
    assert "no audio track" in said["error"] and "microphone" in said["says"]


# Damage


@pytest.mark.parametrize("container, subtype", [("FLAC", "PCM_16"), ("OGG", "VORBIS"), ("OGG", "OPUS")])
def test_time_is_kept_past_damage(decode, tmp_path, container, subtype):
    path = tmp_path / "damaged.bin"
    content = wav(path, music(RATE, 1, 4 * FRAMES), subtype, container=container)
    _, whole = decode(path)
    at = len(content) // 2
    content[at:at + 3000] = bytes(b ^ 0xFF for b in content[at:at + 3000])
    path.write_bytes(content)
    said, ours = decode(path)
    assert set(said["notes"]) & {"damaged", "gaps"}, said
    assert ours.shape == whole.shape
    tail = FRAMES // 2
    assert snr_db(whole[:, -tail:], ours[:, -tail:]) >= 90


def test_time_is_kept_past_damaged_aac_packets(decode, tmp_path):
    path = tmp_path / "damaged.m4a"
    encode(path, "aac", music(RATE, 1, 2 * FRAMES), RATE, options={"movflags": "faststart"})
    _, whole = decode(path)
    content = bytearray(path.read_bytes())
    at = content.index(b"mdat") + (len(content) - content.index(b"mdat")) // 2
    content[at:at + 2000] = b"\xff" * 2000
    path.write_bytes(content)
    said, ours = decode(path)
    assert "damaged" in said["notes"], said
    assert ours.shape == whole.shape
    tail = FRAMES // 2
    assert shift(whole[:, -tail:], ours[:, -tail:]) == 0
    # Not the same to the last bit: AAC fills bands with noise, whose generator has moved on.
    assert snr_db(whole[:, -tail:], ours[:, -tail:]) >= 25


@pytest.mark.parametrize("codec, container, options", [
    ("libmp3lame", "mp3", {}),
    ("libmp3lame", "mp3", {"write_xing": "0", "id3v2_version": "0"}),
    ("libmp3lame", "mp3", {"write_id3v1": "1"}),
    ("aac", "adts", {}),
])
def test_bytes_lost_between_frames_are_noticed(decode, tmp_path, codec, container, options):
    """Neither MPEG audio nor ADTS has time stamps: after a loss all the rest comes early."""
    path = tmp_path / "upload"
    encode(path, codec, music(RATE, 1, 4 * FRAMES), RATE, container=container, options=options)
    said, _ = decode(path)
    assert said["notes"] == []
    content = path.read_bytes()
    middle = len(content) // 2
    for damaged in [content[:middle] + content[middle + 3_333:],
                    content[:middle] + bytes(5_000) + content[middle:]]:
        path.write_bytes(damaged)
        said, _ = decode(path)
        assert "spliced" in said["notes"] and "truncated" not in said["notes"], said
    path.write_bytes(content[:middle])
    said, _ = decode(path)
    assert "spliced" not in said["notes"]


def test_half_rate_core_is_noticed(decode, tmp_path):
    """An ADTS stream whose packets carry a fill element with SBR data, as HE-AAC has it.

    No encoder for it is at hand, so the element (ISO/IEC 14496-3, 4.4.2.7) is put in by hand.
    """
    path = tmp_path / "plain.aac"
    encode(path, "aac", music(22_050, 1, FRAMES), 22_050, container="adts")
    said, expected = decode(path)
    assert said["notes"] == []
    content, out, at = path.read_bytes(), b"", 0
    while at < len(content):
        length = (content[at + 3] & 3) << 11 | content[at + 4] << 3 | content[at + 5] >> 5
        header, payload = bytearray(content[at:at + 7]), content[at + 7:at + length]
        bits = "".join(f"{b:08b}" for b in payload).rstrip("0")
        assert bits.endswith("111")
        fill = "110" + f"{12:04b}" + "1101" + "0110" * 23
        bits = bits[:-3] + fill + "111"
        bits += "0" * (-len(bits) % 8)
        payload = bytes(int(bits[i:i + 8], 2) for i in range(0, len(bits), 8))
        new = len(payload) + 7
        header[3] = header[3] & ~3 | new >> 11
        header[4], header[5] = new >> 3 & 0xFF, (new & 7) << 5 | header[5] & 0x1F
        out += bytes(header) + payload
        at += length
    path.write_bytes(out)
    said, ours = decode(path)
    assert said["notes"] == ["half_rate_core"], said
    assert np.array_equal(ours, expected)


def test_opus_output_gain_is_applied(decode, tmp_path):
    """RFC 7845, 5.1: the header's gain in dB as Q7.8; the page's CRC is made anew."""
    path = tmp_path / "gain.opus"
    encode(path, "libopus", music(RATE, 1, FRAMES), RATE)
    _, plain = decode(path)
    content = bytearray(path.read_bytes())
    at = content.index(b"OpusHead") + 16
    content[at:at + 2] = struct.pack("<h", -6 * 256)
    page_bytes = content.index(b"OggS", 4)
    content[22:26] = bytes(4)
    content[22:26] = struct.pack("<I", ogg_crc(content[:page_bytes]))
    path.write_bytes(content)
    _, ours = decode(path)
    assert snr_db(plain * 10 ** (-6 / 20), ours) >= 90


def ogg_crc(page) -> int:
    crc = 0
    for byte in page:
        crc ^= byte << 24
        for _ in range(8):
            crc = (crc << 1 ^ 0x04C11DB7 if crc & 0x80000000 else crc << 1) & 0xFFFFFFFF
    return crc


# Length


def test_two_hours_take_no_more_memory_than_two_minutes(decode, tmp_path):
    """WAV of two hours (sparse), and M4A of two hours made by repeating packets."""
    long_wav = tmp_path / "long.wav"
    data_bytes = 2 * 3600 * 16_000 * 2
    long_wav.write_bytes(wav_header(rate=16_000, data_bytes=data_bytes))
    with long_wav.open("r+b") as file:
        file.truncate(44 + data_bytes)
    long_m4a = tmp_path / "long.m4a"
    with av.open(str(long_m4a), "w") as out:
        stream = out.add_stream("aac", rate=16_000)
        stream.layout = "mono"
        packets = [(bytes(p), p.duration) for p in encoded(stream, music(16_000, 1, 160_000), 16_000)]
        at = 0
        while at < 2 * 3600 * 16_000:
            for content, duration in packets[3:-3]:
                packet = av.Packet(content)
                packet.pts = packet.dts = at
                packet.duration, packet.time_base, packet.stream = 1024, Fraction(1, 16_000), stream
                out.mux(packet)
                at += 1024
    for path in (long_wav, long_m4a):
        said = decode.account(path)
        assert said["frames"] > 7_190 * 16_000, said
        assert 0 < said["peak_mib"] < 32, (path.name, said["peak_mib"])
