"""Real clients from elsewhere: tuspy and tus-js-client upload, are cut off and resume; schemathesis
holds the interface to its own OpenAPI document.

Sources: the tus 1.0.0 protocol (https://tus.io/protocols/resumable-upload) as its own reference
clients speak it; OpenAPI 3.1 (https://spec.openapis.org/oas/v3.1.0) as schemathesis reads it.
"""

import json
import os
import pathlib
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time

import pytest
import requests
from tusclient import client as tus

HERE = pathlib.Path(__file__).parent
ROOT = HERE.parent.parent
PROGRAM = os.environ.get("RIPIENO_PROGRAM", str(ROOT / "target/debug/ripieno"))
PIECE = re.search(r"PIECE = `\n(.*?)`;", (HERE / "service.mjs").read_text(), re.S).group(1)
FORM = {
    "name": "Ada Quay",
    "instrument": "bells",
    "consent_recording": "on",
    "consent_version": "1",
}


class Service:
    """The program on a data folder; `restart` keeps the folder and the port."""

    def __init__(self):
        self.home = tempfile.mkdtemp(prefix="ripieno-clients-")
        self.port = 0
        self.start()
        self.token = pathlib.Path(self.home, "organiser.token").read_text().strip()
        made = requests.post(
            f"{self.base}/api/v1/pieces",
            data=PIECE.encode(),
            headers={**self.organiser, "Content-Type": "application/toml"},
            timeout=10,
        )
        assert made.status_code == 201, made.text

    @property
    def organiser(self):
        return {"Authorization": f"Bearer {self.token}"}

    def start(self):
        command = [PROGRAM, "serve", "--listen", f"127.0.0.1:{self.port}", "--data-dir", self.home]
        command += ["--set", "log=warn", "--set", "upload_starts_per_minute=0"]
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        for line in self.process.stdout:
            if found := re.search(r"Serving at (http://[\d.:]+)", line):
                self.base = found.group(1)
                self.port = int(self.base.rsplit(":", 1)[1])
                return
        raise RuntimeError("the service did not start")

    def kill(self):
        self.process.send_signal(signal.SIGKILL)
        self.process.wait()

    def stop(self):
        self.process.terminate()
        self.process.wait(timeout=30)
        shutil.rmtree(self.home)


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


def hand_in(service, address):
    form = {**FORM, "upload": address}
    answer = requests.post(
        f"{service.base}/api/v1/pieces/tide/takes",
        files={name: (None, value) for name, value in form.items()},
        timeout=10,
    )
    assert answer.status_code == 201, answer.text
    return answer.json()["receipt_token"]


def kept(service, token):
    return requests.get(f"{service.base}/api/v1/receipts/{token}/recording", timeout=10).content


def wait_for_pack(service):
    """Until it is written the pack answers 503, which is right and yet a server error by number."""
    for _ in range(300):
        if requests.get(f"{service.base}/api/v1/pieces/tide/pack", stream=True, timeout=10).ok:
            return
        time.sleep(0.2)
    raise TimeoutError("the guide pack was not written")


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
    assert kept(service, hand_in(service, address)) == sound.read_bytes()


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
    assert kept(service, hand_in(service, said["url"])) == sound.read_bytes()


def test_the_interface_keeps_to_its_own_description(service):
    """Bounded: a few examples for each operation, no more than a minute in all."""
    wait_for_pack(service)
    command = [
        str(pathlib.Path(sys.executable).parent / "schemathesis"),
        "run",
        f"{service.base}/api/v1/openapi.json",
        "--url",
        service.base,
        "--header",
        f"Authorization: Bearer {service.token}",
        "--max-examples",
        "5",
        "--phases",
        "examples,coverage,fuzzing",
        "--checks",
        "not_a_server_error,status_code_conformance,content_type_conformance,"
        "response_schema_conformance",
        "--request-timeout",
        "5",
        "--seed",
        "1",
        # A stream of events does not end by itself.
        "--exclude-path-regex",
        "/progress$",
    ]
    done = subprocess.run(command, capture_output=True, text=True, timeout=170, check=False)
    assert done.returncode == 0, done.stdout[-6000:] + done.stderr[-2000:]
