"""A final as an organiser gets it: asked for over HTTP, fetched as one archive, opened by others'
programs.

Sources: EBU Tech 3285 (bext: TimeReference at byte 338 of the chunk) read here from the standard's
table; BLAKE3 by PyPI blake3; zip by Python's zipfile; OpenTimelineIO and CMX 3600 by PyPI
opentimelineio and otio-cmx3600-adapter.
"""

import csv
import datetime
import io
import re
import struct
import zipfile

import blake3
import numpy as np
import opentimelineio as otio
import pytest
import requests
import soundfile
from playing import RATE, played
from service import Service

ARRANGEMENT = """
[room]
impulse = "hall.wav"

[[groups]]
name = "Bells"
rules = [{ instrument = "bells" }]
tone = { bands = [{ kind = "high-pass", hz = 60 }], send_db = -9 }

[[groups]]
name = "Everyone else"
rest = true

[[cells]]
section = "Ebb"
group = "Everyone else"
gain_db = -4
"""


# Ben is not to be named, and Adelheid is to be named otherwise.
PLAYERS = {
    "Adelheid Kai": {
        "credit": "Ada Quay", "instrument": "bells", "sent": "adelheid_kai_bells.wav",
        "email": "adelheid@kai.example", "consent_credit": "on",
    },
    "Ben Shy": {
        "instrument": "Ben's whistle", "sent": "ben shy whistle.WAV", "place": "Shyholm",
        "institution": "Shy School", "email": "ben@shy.example",
    },
    "Cy Hull": {"instrument": "oar", "sent": "take.wav", "consent_credit": "on"},
}


@pytest.fixture(scope="module")
def service():
    one = Service()
    yield one
    one.stop()


def ask(service, method, path, **more):
    headers = {**service.organiser, **more.pop("headers", {})}
    return requests.request(method, f"{service.base}{path}", headers=headers, timeout=60, **more)


def impulse():
    random = np.random.default_rng(4)
    response = random.standard_normal((RATE // 2, 2)) * np.exp(-np.arange(RATE // 2) / 4000)[:, None]
    out = io.BytesIO()
    soundfile.write(out, 0.2 * response, RATE, format="WAV", subtype="FLOAT")
    return out.getvalue()


@pytest.fixture(scope="module")
def bundle(service):
    """The archive's files by name, and the takes' ids by player."""
    takes = {}
    for seed, (name, fields) in enumerate(PLAYERS.items()):
        fields = {"name": name, "credit": name, **fields}
        made = service.hand_in(recording=(fields.pop("sent"), played(service, seed, seed)), **fields)
        take = service.until(f"/api/v1/takes/{made['take_id']}", ["placed", "asks", "unusable"])
        assert take["state"] == "placed", take["findings"]
        takes[name] = made["take_id"]
    map_ = "/api/v1/pieces/tide/arrangement"
    toml = {"Content-Type": "application/toml", "If-Match": "*"}
    assert ask(service, "PUT", map_, data=ARRANGEMENT.encode(), headers=toml).ok
    begun = ask(service, "POST", "/api/v1/pieces/tide/renders", json={"kind": "final"}).json()
    path = f"/api/v1/renders/{begun['id']}"
    lacking = service.until(path, ["done", "failed"])
    assert lacking["state"] == "failed" and "hall.wav" in lacking["error"], lacking
    sent = ask(service, "PUT", "/api/v1/pieces/tide/files/hall.wav", data=impulse())
    assert sent.ok, sent.text
    begun = ask(service, "POST", "/api/v1/pieces/tide/renders", json={"kind": "final"}).json()
    path = f"/api/v1/renders/{begun['id']}"
    early = ask(service, "GET", f"{path}/everything.zip")
    assert early.status_code in (200, 409)
    done = service.until(path, ["done", "failed"])
    assert done["state"] == "done", done
    assert requests.get(f"{service.base}{path}/everything.zip", timeout=10).status_code == 401
    fetched = ask(service, "GET", f"{path}/everything.zip")
    assert fetched.ok and fetched.headers["Content-Type"] == "application/zip"
    with zipfile.ZipFile(io.BytesIO(fetched.content)) as archive:
        assert archive.testzip() is None
        finished = datetime.datetime.fromisoformat(done["finished_at"])
        for entry in archive.infolist():
            dated = datetime.datetime(*entry.date_time, tzinfo=datetime.timezone.utc)
            assert 0 <= (finished - dated).total_seconds() < 2.1, (entry.filename, dated)
        files = {name: archive.read(name) for name in archive.namelist()}
    assert sorted(files) == sorted(file["name"] for file in done["files"])
    assert ask(service, "GET", f"{path}/everything.zip").content == fetched.content
    return files, takes


def chunk(wav, name):
    at = 12
    while at < len(wav):
        size = struct.unpack_from("<I", wav, at + 4)[0]
        if wav[at : at + 4] == name:
            return wav[at + 8 : at + 8 + size]
        at += 8 + size + size % 2
    raise AssertionError(f"no {name} chunk")


def time_reference(wav):
    return struct.unpack_from("<Q", chunk(wav, b"bext"), 338)[0]


def sound(wav):
    return soundfile.read(io.BytesIO(wav), always_2d=True)[0]


def test_every_file_has_its_checksum(bundle):
    files, _ = bundle
    lines = files["checksums.txt"].decode().splitlines()
    parts = [re.fullmatch(r"BLAKE3 \((.+)\) = ([0-9a-f]{64})", line).groups() for line in lines]
    named = dict(parts)
    assert set(files) - set(named) == {"checksums.txt"}
    assert all(blake3.blake3(files[name]).hexdigest() == named[name] for name in named)


def test_group_mixes_add_up_to_the_mix_before_the_master(bundle):
    files, _ = bundle
    whole = sound(files["groups/mix-before-master.wav"])
    parts = [n for n in files if n.startswith("groups/") and "mix-before" not in n]
    assert sorted(part.split("-", 1)[1] for part in parts) == [
        "Bells.wav", "Everyone-else.wav", "Room.wav",
    ]
    total = sum(sound(files[part]) for part in parts)
    assert np.abs(total - whole).max() < 2.0**-23
    assert all(np.abs(sound(files[part])).max() > 1e-3 for part in parts), "each sounds"


def test_stems_lie_where_their_time_reference_says(bundle):
    files, takes = bundle
    mix = files["groups/2-Everyone-else.wav"]
    whole = np.zeros(len(sound(mix)) + 20 * RATE)
    for player in ("Ben Shy", "Cy Hull"):
        stem = files[f"stems/{takes[player]}.wav"]
        at = time_reference(stem) - time_reference(mix)
        mono = sound(stem)[:, 0]
        skip = max(0, -at)
        mono, at = mono[skip:], max(0, at)
        whole[at : at + len(mono)] += mono / np.sqrt(np.mean(mono**2))
    # Up to pan and level the two stems are the group's mix: they agree to the sample.
    group = sound(mix).sum(axis=1)[: 16 * RATE]
    own = whole[: 16 * RATE]
    lags = range(-3, 4)
    likeness = [np.corrcoef(np.roll(own, lag)[10:-10], group[10:-10])[0, 1] for lag in lags]
    assert lags[int(np.argmax(likeness))] == 0 and max(likeness) > 0.9, likeness
    assert 3600 * RATE - time_reference(files["mix.wav"]) == RATE // 2, "half a second before bar 1"


def test_a_final_of_one_section_has_its_stems_cut_to_it(service, bundle):
    files, takes = bundle
    wish = {"kind": "final", "sections": ["Ebb"]}
    begun = ask(service, "POST", "/api/v1/pieces/tide/renders", json=wish).json()
    done = service.until(f"/api/v1/renders/{begun['id']}", ["done", "failed"])
    assert done["state"] == "done", done
    fetched = ask(service, "GET", f"/api/v1/renders/{begun['id']}/everything.zip")
    with zipfile.ZipFile(io.BytesIO(fetched.content)) as archive:
        cut = {name: archive.read(name) for name in archive.namelist()}
    first = time_reference(cut["mix.wav"])
    frames = len(sound(cut["mix.wav"]))
    assert first > time_reference(files["mix.wav"])
    for take in takes.values():
        whole, part = files[f"stems/{take}.wav"], cut[f"stems/{take}.wav"]
        at, length = time_reference(part), len(sound(part))
        assert first <= at and at + length <= first + frames, "it lies within the section's mix"
        begins = at - time_reference(whole)
        assert np.array_equal(sound(part), sound(whole)[begins : begins + length])
        rest = sound(whole)[begins + length :][: first + frames - at - length]
        assert at == first and not np.any(rest), "nothing of the section is left out"


def test_credits_name_only_those_who_agreed(bundle):
    files, takes = bundle
    for name in ("credits.txt", "credits.csv", "report.html", "offsets.csv", "report.json"):
        text = files[name].decode()
        assert "Ben Shy" not in text, name
    credits = files["credits.txt"].decode()
    assert "Ada Quay" in credits and "Cy Hull" in credits


def test_no_file_tells_who_somebody_is_beyond_what_they_agreed_to(bundle):
    files, _ = bundle
    for name, content in files.items():
        # Words also lie in the chunks and tags of sound files; samples may spell a short one.
        told = (name.encode() + b"\n" + content).lower()
        words = ["ben shy", "ben's", "ben_shy", "shyholm", "shy school", "adelheid", "kai.example"]
        if name.endswith((".txt", ".csv", ".json", ".html", ".otio", ".edl")):
            words += ["ben", "shy", "kai"]
        found = [word for word in words if re.search(rb"\b" + word.encode(), told)]
        assert not found, (name, found)


def test_the_film_editors_lists_open(service, bundle):
    files, takes = bundle
    timeline = otio.adapters.read_from_string(files["offsets.otio"].decode(), "otio_json")
    assert len(list(timeline.find_clips())) >= 3
    edl = next(files[name] for name in files if name.endswith(".edl")).decode()
    assert list(otio.adapters.read_from_string(edl, "cmx_3600", rate=25).find_clips())
    rows = list(csv.DictReader(io.StringIO(files["offsets.csv"].decode())))
    assert {row["take"] for row in rows} == set(takes.values())
    # What the recordings are called where they are fetched.
    called = {}
    for take in takes.values():
        said = ask(service, "HEAD", f"/api/v1/takes/{take}/recording").headers
        called[take] = re.search(r'filename="(.+)"', said["Content-Disposition"]).group(1)
    assert {row["take"]: row["file"] for row in rows} == called
    assert sorted(name.split("-")[0] for name in called.values()) == ["bells", "found", "whistle"]
    assert all(edl.count(f"* FROM CLIP NAME: {name}\r\n") == 1 for name in called.values())
    clips = list(timeline.find_clips())
    assert {clip.media_reference.name for clip in clips} == {"mix.wav", *called.values()}
    shy = next(clip for clip in clips if clip.metadata.get("ripieno", {}).get("take") == takes["Ben Shy"])
    assert shy.name == f"Whistles and flutes {shy.metadata['ripieno']['reel']}"


def test_the_report_needs_no_other_file(bundle):
    files, _ = bundle
    page = files["report.html"].decode()
    assert all(word not in page for word in ("src=", "href=", "http:", "https:", "@import", "url("))
