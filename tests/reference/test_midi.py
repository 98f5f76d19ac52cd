"""Standard MIDI Files, read and written by mido (PyPI), an independent implementation.

Sources: Standard MIDI File 1.0 (RP-001) for the events; the pitch classes of the chords are the
textbook spellings, typed here by hand; expected times are sums made here in exact fractions.
"""

import json
from fractions import Fraction

import mido
import pytest

import score_documents

PIECE = """
slug = "tide-table"
title = "Tide table"
last_bar = 12
[key]
tonic = "Eb"
mode = "dorian"
[[metre]]
bar = 1
metre = "4/4"
[[metre]]
bar = 4
metre = "7/8"
[[metre]]
bar = 7
metre = "3/4"
[[tempo]]
at = "1"
bpm = 97
[[tempo]]
at = "3.2+1/2"
bpm = "264/2"
[[tempo]]
at = "7"
bpm = 60
beat = "3/8"
[marks]
opening_bar = -1
closing_bar = 14
[[sections]]
name = "First"
first_bar = 1
bars = 6
chords = "Ebm7 | Ab/C"
[[sections]]
name = "Second"
first_bar = 7
last_bar = 12
played_fade = true
chords = "Fsus4 . Bb7 | N.C. | Gdim7"
"""

# Bar: quarter notes in it; the metres above, the lead-in in the first.
QUARTERS = {bar: Fraction(4) for bar in range(-1, 4)}
QUARTERS |= {bar: Fraction(7, 2) for bar in range(4, 7)}
QUARTERS |= {bar: Fraction(3) for bar in range(7, 15)}

SPELLED = {
    "Ebm7": {3, 6, 10, 1},
    "Ab/C": {8, 0, 3},
    "Fsus4": {5, 10, 0},
    "Bb7": {10, 2, 5, 8},
    "Gdim7": {7, 10, 1, 4},
}


def quarter_of(bar, beats=Fraction(0)):
    """Quarter notes from the start of the file to a place."""
    return sum((QUARTERS[b] for b in range(-1, bar)), Fraction(0)) + beats


@pytest.fixture(scope="module")
def binary():
    return score_documents.build()


@pytest.fixture(scope="module")
def exported(binary, tmp_path_factory):
    folder = tmp_path_factory.mktemp("midi")
    (folder / "piece.toml").write_text(PIECE)
    score_documents.run(binary, "export-midi", folder / "piece.toml", folder / "out.mid")
    return folder / "out.mid"


def events(track):
    """Messages with the tick they stand at."""
    tick, found = 0, []
    for message in track:
        tick += message.time
        found.append((tick, message))
    return found


def of_type(track, kind):
    return [(tick, message) for tick, message in events(track) if message.type == kind]


def test_tempos_are_the_nearest_whole_microseconds_at_their_ticks(exported):
    file = mido.MidiFile(exported)
    assert file.type == 1
    ticks = file.ticks_per_beat
    expected = [
        (Fraction(0), Fraction(60_000_000, 97)),
        (quarter_of(3, Fraction(3, 2)), Fraction(60_000_000, 132)),
        # 60 dotted quarters a minute are 90 quarters.
        (quarter_of(7), Fraction(60_000_000, 90)),
    ]
    found = [(tick, message.tempo) for tick, message in of_type(file.tracks[0], "set_tempo")]
    assert found == [(int(at * ticks), round(us)) for at, us in expected]


def test_metres_key_and_markers_stand_where_the_piece_has_them(exported):
    file = mido.MidiFile(exported)
    ticks = file.ticks_per_beat
    metres = of_type(file.tracks[0], "time_signature")
    found = [(tick, message.numerator, message.denominator) for tick, message in metres]
    assert found == [
        (0, 4, 4),
        (int(quarter_of(4) * ticks), 7, 8),
        (int(quarter_of(7) * ticks), 3, 4),
    ]
    # Eb dorian has the signature of Db major, five flats; its third is minor.
    assert [message.key for _, message in of_type(file.tracks[0], "key_signature")] == ["Bbm"]
    markers = {m.text: Fraction(tick, ticks) for tick, m in of_type(file.tracks[0], "marker")}
    assert markers == {
        "Opening mark": quarter_of(-1),
        "Bar 1": quarter_of(1),
        "First": quarter_of(1),
        "Second (played fade)": quarter_of(7),
        "End": quarter_of(13),
        "Closing mark": quarter_of(14),
    }


def test_mido_s_own_clock_agrees_with_the_tempo_map(binary, exported):
    """Every beat's time by mido's tempo arithmetic, against the exact one, to the rounding."""
    file = mido.MidiFile(exported)
    beats = json.loads(score_documents.run(binary, "beats", exported.parent / "piece.toml"))
    tempos = [(tick, m.tempo) for tick, m in of_type(file.tracks[0], "set_tempo")]

    def seconds(tick):
        total = 0.0
        for (start, tempo), following in zip(tempos, tempos[1:] + [(None, None)]):
            end = tick if following[0] is None else min(tick, following[0])
            if end > start:
                total += mido.tick2second(end - start, file.ticks_per_beat, tempo)
        return total

    origin = seconds(int(quarter_of(1) * file.ticks_per_beat))
    for beat in beats:
        bar, _, number = beat["position"].partition(".")
        unit = Fraction(1, 2) if 4 <= int(bar) < 7 else Fraction(1)
        at = quarter_of(int(bar), (int(number or 1) - 1) * unit)
        # Half a microsecond a quarter note.
        allowed = 0.5e-6 * float(abs(at - quarter_of(1))) + 1e-9
        assert abs(seconds(int(at * file.ticks_per_beat)) - origin - beat["at_s"]) <= allowed


def test_chords_sound_as_the_textbook_spells_them(binary, exported):
    file = mido.MidiFile(exported)
    beats = json.loads(score_documents.run(binary, "beats", exported.parent / "piece.toml"))
    spans, sounding = [], {}
    for tick, message in events(file.tracks[1]):
        if message.type == "note_on" and message.velocity > 0:
            sounding.setdefault(message.note, tick)
        elif message.type in ("note_on", "note_off"):
            spans.append((sounding.pop(message.note), tick, message.note))
    assert not sounding and spans
    for beat in beats:
        bar, _, number = beat["position"].partition(".")
        unit = Fraction(1, 2) if 4 <= int(bar) < 7 else Fraction(1)
        at = int(quarter_of(int(bar), (int(number or 1) - 1) * unit) * file.ticks_per_beat)
        notes = {note for start, end, note in spans if start <= at < end}
        assert {note % 12 for note in notes} == SPELLED.get(beat["chord"], set()), beat
        if beat["chord"] == "Ab/C":
            assert min(notes) % 12 == 0


def test_a_file_by_mido_is_read_as_written(binary, tmp_path):
    file = mido.MidiFile(type=1, ticks_per_beat=480)
    track = mido.MidiTrack()
    file.tracks.append(track)
    track.append(mido.MetaMessage("track_name", name="From elsewhere"))
    track.append(mido.MetaMessage("time_signature", numerator=6, denominator=8))
    track.append(mido.MetaMessage("key_signature", key="F#m"))
    track.append(mido.MetaMessage("set_tempo", tempo=454_545))
    track.append(mido.MetaMessage("marker", text="Verse"))
    # Four bars of 6/8 are 12 quarters; the tempo changes in the middle of bar 3.
    track.append(mido.MetaMessage("set_tempo", tempo=600_001, time=480 * 7 + 240))
    track.append(mido.MetaMessage("marker", text="Verse", time=480 * 4 + 240))
    track.append(mido.MetaMessage("time_signature", numerator=5, denominator=4))
    track.append(mido.Message("note_on", note=60, velocity=64))
    track.append(mido.Message("note_off", note=60, velocity=0, time=480 * 10))
    file.save(tmp_path / "in.mid")
    read = json.loads(score_documents.run(binary, "import-midi", tmp_path / "in.mid"))
    piece = read["piece"]
    assert (piece["title"], piece["slug"]) == ("From elsewhere", "from-elsewhere")
    assert piece["last_bar"] == 6
    assert piece["key"] == {"tonic": "F#", "mode": "minor"}
    assert piece["metre"] == [{"bar": 1, "metre": "6/8"}, {"bar": 5, "metre": "5/4"}]
    places = [(tempo["at"], Fraction(str(tempo["bpm"]))) for tempo in piece["tempo"]]
    # 7.5 quarters are 15 eighths: bar 3, its fourth eighth.
    expected = [("1", Fraction(60_000_000, 454_545)), ("3.4", Fraction(60_000_000, 600_001))]
    assert places == expected
    names = [(s["name"], s["first_bar"], s["last_bar"]) for s in piece["sections"]]
    assert names == [("Verse", 1, 4), ("Verse 2", 5, 6)]
    assert read["remarks"] == []


def test_the_demo_survives_the_way_there_and_back(binary, tmp_path):
    out = tmp_path / "demo.mid"
    score_documents.run(binary, "export-midi", score_documents.DEMO_PIECE, out)
    piece = json.loads(score_documents.run(binary, "import-midi", out))["piece"]
    assert piece["key"] == {"tonic": "G", "mode": "mixolydian"}
    assert [s["name"] for s in piece["sections"]] == [
        "Slack water",
        "Flood",
        "Undertow",
        "Crest",
        "Ebb",
    ]
    assert piece["sections"][4]["played_fade"] is True
    assert piece["marks"] == {"opening_bar": -1, "closing_bar": 66}
