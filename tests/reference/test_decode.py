"""The decoder against libsndfile (PyPI soundfile) and FFmpeg's libraries (PyPI av).

Lossless formats must come out bit for bit; lossy ones within float rounding of another decoder,
with the encoder delay taken off as each format's standard says:

- MP4 edit lists: ISO/IEC 14496-12, 8.6.6; Opus pre-skip and end trimming: RFC 7845, 4.2 and 4.4;
  Matroska CodecDelay and DiscardPadding: RFC 9559; the LAME tag: the LAME project's description
  of it plus 529 samples of decoder delay (from memory).
- ADTS and an MP3 without a tag have nowhere to say their delay, so FFmpeg leaves it in. We take
  off what the encoders in common use add: 1024 and 1105 (from memory; measured below against the
  encoder's input).
"""

import numpy as np
import pytest
import soundfile as sf

from sound_files import Decoder, encode, ffmpeg, music, shift, snr_db

RATES = [44_100, 48_000, 22_050, 16_000]
SHAPES = [(rate, channels) for rate in RATES for channels in (1, 2)]
FRAMES = 30_011

LOSSLESS = [
    *[("WAV", subtype) for subtype in ("PCM_U8", "PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE")],
    ("WAVEX", "PCM_24"), ("RF64", "PCM_24"), ("RF64", "FLOAT"), ("W64", "PCM_16"), ("W64", "DOUBLE"),
    *[("AIFF", subtype) for subtype in ("PCM_S8", "PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE")],
    *[("CAF", subtype) for subtype in ("PCM_16", "PCM_24", "PCM_32", "FLOAT", "ALAC_16", "ALAC_24")],
    ("FLAC", "PCM_S8"), ("FLAC", "PCM_16"), ("FLAC", "PCM_24"),
]

# Name, codec, container options, codec options, the delay FFmpeg leaves in, whether the end is exact.
LOSSY = {
    "mp3": ("tagged.mp3", "libmp3lame", {}, 0, True),
    "mp3 without a tag": ("untagged.mp3", "libmp3lame", {"write_xing": "0"}, 1105, False),
    "mp3 in mkv": ("mp3.mkv", "libmp3lame", {}, 0, True),
    "aac in m4a": ("a.m4a", "aac", {}, 0, False),
    "aac in mov": ("a.mov", "aac", {}, 0, False),
    "aac in adts": ("a.aac", "aac", {}, 1024, False),
    "aac in mkv": ("aac.mkv", "aac", {}, 0, False),
    "vorbis": ("v.ogg", "vorbis", {}, 0, False),
    "vorbis in webm": ("v.webm", "vorbis", {}, 0, False),
    "opus": ("o.opus", "libopus", {}, 0, True),
    "opus in webm": ("o.webm", "libopus", {}, 0, True),
    "opus in mkv": ("o.mkv", "libopus", {}, 0, True),
    "opus in mp4": ("o.mp4", "libopus", {}, 0, False),
}


@pytest.fixture(scope="module")
def decode(tmp_path_factory):
    return Decoder(tmp_path_factory.mktemp("decode"))


@pytest.mark.parametrize("container, subtype", LOSSLESS)
def test_lossless_is_bit_exact(decode, tmp_path, container, subtype):
    for rate, channels in SHAPES:
        path = tmp_path / f"{container}-{rate}-{channels}.bin"
        sf.write(path, music(rate, channels, FRAMES).T, rate, subtype, format=container)
        said, ours = decode(path)
        expected, _ = sf.read(path, dtype="float32", always_2d=True)
        assert (said["sample_rate_hz"], said["channels"]) == (rate, channels)
        assert said["notes"] == []
        assert np.array_equal(ours.T, expected), (container, subtype, rate, channels)


@pytest.mark.parametrize("codec, name", [
    ("flac", "f.ogg"), ("flac", "f.mkv"), ("flac", "f.mp4"), ("alac", "l.m4a"), ("alac", "l.mkv"),
    ("pcm_s16le", "p.mkv"), ("pcm_s24le", "p.mov"), ("pcm_s16be", "p.aiff"), ("pcm_f32le", "f.mov"),
    ("pcm_mulaw", "u.wav"), ("pcm_alaw", "a.wav"),
])
def test_lossless_codecs_in_other_containers(decode, tmp_path, codec, name):
    for rate, channels in SHAPES:
        path = tmp_path / f"{rate}-{channels}-{name}"
        encode(path, codec, music(rate, channels, FRAMES), rate)
        said, ours = decode(path)
        expected = ffmpeg(path)
        assert said["notes"] == []
        assert ours.shape == expected.shape, (name, rate, channels)
        assert np.max(np.abs(ours - expected)) <= 2.0**-24, (name, rate, channels)


@pytest.mark.parametrize("kind", LOSSY)
def test_lossy_agrees_with_ffmpeg(decode, tmp_path, kind):
    name, codec, options, left_in, exact_end = LOSSY[kind]
    for rate, channels in SHAPES:
        if codec == "vorbis" and channels == 1:
            continue  # FFmpeg's own Vorbis encoder knows stereo only.
        rate = 48_000 if codec == "libopus" else rate
        codec_options = {"strict": "-2"} if codec == "vorbis" else {}
        path = tmp_path / f"{rate}-{channels}-{name}"
        source = music(rate, channels, FRAMES, seed=rate + channels)
        encode(path, codec, source, rate, options=options, codec_options=codec_options)
        said, ours = decode(path)
        expected = ffmpeg(path)[:, left_in:]
        assert (said["sample_rate_hz"], said["channels"]) == (rate, channels)
        assert said["notes"] == [], said
        assert snr_db(expected, ours) >= 90, (kind, rate, channels)
        assert shift(source, ours) == 0, (kind, rate, channels)
        if exact_end:
            assert ours.shape[1] == FRAMES == expected.shape[1], (kind, rate, channels)
        else:
            assert FRAMES <= ours.shape[1] <= FRAMES + 3 * 1152, (kind, rate, channels)


def test_libsndfile_agrees_on_vorbis_mp3_and_opus(decode, tmp_path):
    """Files by libvorbis, LAME and libopus inside libsndfile, of another make than FFmpeg's."""
    for rate, channels in SHAPES:
        for container, subtype in [("OGG", "VORBIS"), ("MP3", "MPEG_LAYER_III"), ("OGG", "OPUS")]:
            if subtype == "OPUS" and rate not in (48_000, 16_000):
                continue
            path = tmp_path / f"{rate}-{channels}-{subtype}"
            source = music(rate, channels, FRAMES)
            sf.write(path, source.T, rate, subtype, format=container)
            said, ours = decode(path)
            assert said["notes"] == [], said
            if subtype == "OPUS":
                assert snr_db(ffmpeg(path), ours) >= 90, (rate, channels)
                continue
            expected, _ = sf.read(path, dtype="float32", always_2d=True)
            assert snr_db(expected.T, ours) >= 90, (subtype, rate, channels)
            assert shift(source, ours) == 0, (subtype, rate, channels)
            assert ours.shape[1] == FRAMES, (subtype, rate, channels)


@pytest.mark.parametrize("application", ["audio", "voip", "lowdelay"])
@pytest.mark.parametrize("bitrate", [16_000, 64_000, 160_000])
def test_opus_agrees_with_libopus(decode, tmp_path, application, bitrate):
    """The reference decoder, in every mode of the codec: SILK, hybrid and CELT."""
    for channels, duration in [(1, "20"), (2, "60"), (2, "2.5"), (1, "120")]:
        if application == "lowdelay" and duration == "120":
            continue  # libopus refuses it.
        path = tmp_path / f"{channels}-{duration}.opus"
        options = {"application": application, "frame_duration": duration}
        source = music(48_000, channels, FRAMES)
        encode(path, "libopus", source, 48_000, codec_options=options, bitrate=bitrate)
        _, ours = decode(path)
        expected = ffmpeg(path)
        assert ours.shape == expected.shape == source.shape
        assert snr_db(expected, ours) >= 90, (application, bitrate, channels, duration)


def test_opus_surround_is_decoded_channel_by_channel(decode, tmp_path):
    path = tmp_path / "surround.opus"
    encode(path, "libopus", music(48_000, 6, FRAMES), 48_000, bitrate=384_000,
           codec_options={"mapping_family": "1"})
    said, ours = decode(path)
    expected = ffmpeg(path)
    assert said["channels"] == 6 and ours.shape[1] == FRAMES
    # FFmpeg gives its own channel order: match every one of ours to the best of theirs.
    for channel in ours:
        assert max(snr_db(e[None], channel[None]) for e in expected) >= 90


def test_adpcm_is_decoded(decode, tmp_path):
    """An old telephone format; libraries round it differently, by up to −50 dB."""
    path = tmp_path / "ima.wav"
    sf.write(path, music(44_100, 1, FRAMES).T, 44_100, "IMA_ADPCM", format="WAV")
    assert snr_db(ffmpeg(path), decode(path)[1]) >= 50
