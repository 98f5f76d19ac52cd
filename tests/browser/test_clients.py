"""Real upload clients from elsewhere: tuspy and tus-js-client upload, are cut off and resume.

Source: the tus 1.0.0 protocol (https://tus.io/protocols/resumable-upload) as its own reference
clients speak it.
"""

import json
import os
import pathlib
import subprocess

import pytest
import requests
from service import Service
from tusclient import client as tus

HERE = pathlib.Path(__file__).parent


@pytest.fixture(scope="module")
def service():
    one = Service()
    yield one
    one.stop()


@pytest.fixture()
def sound(tmp_path):
    """Three megabytes of what may be sound, different every time."""
    path = tmp_path / "take.wav"
    path.write_bytes(b"RIFF\x24\x00\x2e\x00WAVEfmt " + os.urandom(3_000_000))
    return path


def kept(service, token):
    return requests.get(f"{service.base}/api/v1/receipts/{token}/recording", timeout=10).content


@pytest.mark.parametrize("checksum", [False, True])
def test_tuspy_goes_on_after_the_server_was_killed(service, sound, checksum):
    client = tus.TusClient(f"{service.base}/uploads")
    uploader = client.uploader(
        str(sound),
        chunk_size=700_000,
        metadata={"piece": "tide", "filename": "take.wav", "filetype": "audio/wav"},
        upload_checksum=checksum,
    )
    uploader.upload_chunk()
    uploader.upload_chunk()
    address = uploader.url
    service.kill()
    service.start()
    again = client.uploader(str(sound), url=address, chunk_size=700_000, upload_checksum=checksum)
    assert again.offset == 1_400_000
    again.upload()
    assert kept(service, service.hand_in(upload=address)["receipt_token"]) == sound.read_bytes()


def test_tus_js_client_is_cut_off_and_resumes(service, sound):
    done = subprocess.run(
        ["node", str(HERE / "tus-client.mjs"), service.base, str(sound)],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    said = json.loads(done.stdout)
    assert said["resumed_at"] > 0
    assert kept(service, service.hand_in(upload=said["url"])["receipt_token"]) == sound.read_bytes()
