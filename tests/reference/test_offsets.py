"""The film editor's lists, opened by OpenTimelineIO (PyPI opentimelineio) and its adapter for CMX
3600 lists (PyPI otio-cmx3600-adapter).

Sources: the schemas are those OpenTimelineIO itself accepts; timecode is checked against its
opentime module, drop-frame included (SMPTE ST 12-1); RFC 4180 by Python's csv module. The limits
of CMX 3600 (999 events, reels of eight characters) are from memory.
"""

import csv
import json
import random

import opentimelineio as otio
import pytest

import score_documents

PIECE_S = 64 * 5 * 60 / 132
RATES = {
    "24": 24.0,
    "25": 25.0,
    "30": 30.0,
    "24000/1001": 24000 / 1001,
    "30000/1001": 30000 / 1001,
    "30000/1001 drop": 30000 / 1001,
}


def invent(count, seed):
    """Takes with clocks, lead-ins and lengths of their own."""
    chance = random.Random(seed)
    takes = []
    for index in range(count):
        takes.append(
            {
                "take": f"take-{index}",
                "file": f"Élan, no. {index} — tune.mov",
                "credit": chance.choice(["", "=1+1", "Ada Quay", "שרה"]),
                "instrument": "oar",
                "has_picture": index % 3 != 0,
                "bar1_beat1_s": chance.uniform(-20, 60),
                "ratio_ppm": chance.choice([0.0, 40.0, -120.0, 2500.0]),
                "duration_s": chance.uniform(90, 260),
            }
        )
    return takes


@pytest.fixture(scope="module")
def binary():
    return score_documents.build()


def lists(binary, folder, rate, takes):
    (folder / "takes.json").write_text(json.dumps(takes))
    piece = score_documents.DEMO_PIECE
    score_documents.run(binary, "offsets", piece, rate, folder / "takes.json", folder)
    return folder


def piece_time_of_frame(take, frame, fps):
    """Piece time at which a file's frame sounds."""
    return (frame / fps - take["bar1_beat1_s"]) / (1 + take["ratio_ppm"] * 1e-6)


@pytest.mark.parametrize("rate", RATES)
def test_otio_opens_and_every_clip_is_in_step(binary, tmp_path, rate):
    takes = invent(60, seed=rate)
    lists(binary, tmp_path, rate, takes)
    timeline = otio.adapters.read_from_file(str(tmp_path / "offsets.otio"))
    assert isinstance(timeline, otio.schema.Timeline)
    fps = RATES[rate]
    hour = otio.opentime.from_timecode("01:00:00" + (";00" if "drop" in rate else ":00"), fps)
    assert timeline.global_start_time == hour
    by_name = {track.name: track for track in timeline.tracks}
    assert by_name["Mix"].kind == otio.schema.TrackKind.Audio
    assert abs(by_name["Mix"].duration().to_seconds() - PIECE_S) <= 0.5 / fps
    seen = 0
    for take in takes:
        begins = -take["bar1_beat1_s"] / (1 + take["ratio_ppm"] * 1e-6)
        if take["take"] not in by_name:
            assert begins > PIECE_S - 2 / fps or take["duration_s"] < take["bar1_beat1_s"] + 2 / fps
            continue
        seen += 1
        track = by_name[take["take"]]
        (clip,) = track.find_clips()
        wanted = "Video" if take["has_picture"] else "Audio"
        assert track.kind == wanted
        whole = clip.media_reference.available_range
        assert whole.start_time <= clip.source_range.start_time
        assert clip.source_range.end_time_exclusive() <= whole.end_time_exclusive()
        at_s = clip.range_in_parent().start_time.to_seconds()
        first = clip.source_range.start_time.value
        assert first == int(first)
        assert abs(piece_time_of_frame(take, first, fps) - at_s) <= 0.51 / fps
        effects = [effect.time_scalar for effect in clip.effects]
        if take["ratio_ppm"] == 2500.0 and clip.duration().to_seconds() * fps * 0.0025 >= 0.5:
            assert effects == [pytest.approx(1.0025, abs=1e-12)]
        elif take["ratio_ppm"] == 0.0:
            assert effects == []
        # The library's own JSON reader is a unit off in the last place here and there.
        exact = pytest.approx(take["bar1_beat1_s"], rel=1e-15)
        assert clip.metadata["ripieno"]["bar1_beat1_in_file_s"] == exact
    assert seen > 50
    names = [marker.name for marker in timeline.tracks.markers]
    assert names == ["Slack water", "Flood", "Undertow", "Crest", "Ebb"]


@pytest.mark.parametrize("rate", RATES)
def test_edl_opens_and_agrees_with_the_timeline(binary, tmp_path, rate):
    takes = invent(40, seed=rate + "edl")
    lists(binary, tmp_path, rate, takes)
    fps = RATES[rate]
    edl = otio.adapters.read_from_file(str(tmp_path / "offsets.edl"), rate=fps)
    timeline = otio.adapters.read_from_file(str(tmp_path / "offsets.otio"))
    tracks = [track for track in timeline.tracks if track.name != "Mix"]
    expected = {track.name: next(iter(track.find_clips())) for track in tracks}
    reels = {
        clip.metadata["ripieno"]["reel"]: (name, clip) for name, clip in expected.items()
    }
    clips = list(edl.find_clips())
    assert len(clips) == len(expected)
    assert {track.kind for track in edl.tracks} == {"Video", "Audio"}
    for clip in clips:
        _, ours = reels[clip.metadata["cmx_3600"]["reel"]]
        assert clip.source_range == ours.source_range
        assert len(clip.metadata["cmx_3600"]["reel"]) == 8


def test_a_thousand_takes_are_split_within_the_limits(binary, tmp_path):
    takes = [dict(take, bar1_beat1_s=5.0, duration_s=200.0) for take in invent(1_200, seed=1)]
    lists(binary, tmp_path, "25", takes)
    files = sorted(tmp_path.glob("offsets-*.edl"))
    assert [file.name for file in files] == [f"offsets-{n}-of-3.edl" for n in (1, 2, 3)]
    total = 0
    for file in files:
        text = file.read_bytes()
        assert text.isascii() and b"\r\n" in text
        lines = [line for line in text.decode().splitlines() if line[:3].isdigit()]
        numbers = [int(line[:3]) for line in lines]
        assert numbers == list(range(1, len(lines) + 1)) and len(lines) <= 999
        # Nothing runs past midnight.
        assert all(line.split()[6] < line.split()[7] for line in lines)
        total += len(lines)
        clips = list(otio.adapters.read_from_file(str(file), rate=25).find_clips())
        assert len(clips) == len(lines)
    assert total == 1_200


@pytest.mark.parametrize("rate", RATES)
def test_the_table_is_plain_and_its_timecodes_are_opentime_s(binary, tmp_path, rate):
    takes = invent(40, seed=rate + "csv")
    lists(binary, tmp_path, rate, takes)
    fps = RATES[rate]
    with open(tmp_path / "offsets.csv", newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert [row["take"] for row in rows] == [take["take"] for take in takes]
    timeline = otio.adapters.read_from_file(str(tmp_path / "offsets.otio"))
    clips = {track.name: next(iter(track.find_clips())) for track in timeline.tracks}
    for row, take in zip(rows, takes):
        assert row["file"] == take["file"]
        assert row["credit"] == ("'=1+1" if take["credit"] == "=1+1" else take["credit"])
        begins = -take["bar1_beat1_s"] / (1 + take["ratio_ppm"] * 1e-6)
        assert float(row["file_starts_in_mix_s"]) == pytest.approx(begins, abs=1e-6)
        assert float(row["play_at_percent"]) == pytest.approx(100 + take["ratio_ppm"] * 1e-4)
        if take["take"] not in clips:
            assert row["record_in"] == ""
            continue
        clip = clips[take["take"]]
        drop = "drop" in rate
        at = timeline.global_start_time + clip.range_in_parent().start_time
        assert row["record_in"] == otio.opentime.to_timecode(at, fps, drop)
        source = clip.source_range.start_time
        assert row["source_in"] == otio.opentime.to_timecode(source, fps, drop)
