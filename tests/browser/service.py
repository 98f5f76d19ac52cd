"""The program on a data folder of its own, with the short piece of the browser's journeys."""

import os
import pathlib
import re
import shutil
import signal
import subprocess
import tempfile
import time

import requests

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

    def piece_file(self, name, seconds=60):
        """A file of the guide pack, once it is written."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            answer = requests.get(f"{self.base}/api/v1/pieces/tide/pack/{name}", timeout=10)
            if answer.ok:
                return answer.content
            time.sleep(0.2)
        raise TimeoutError("the guide pack was not written")

    def hand_in(self, **fields):
        """A take by the interface; gives the answer's body."""
        files = {k: v if isinstance(v, tuple) else (None, v) for k, v in {**FORM, **fields}.items()}
        answer = requests.post(f"{self.base}/api/v1/pieces/tide/takes", files=files, timeout=10)
        assert answer.status_code == 201, answer.text
        return answer.json()

    def until(self, path, over, seconds=60):
        """What the organiser reads at `path` once its state is one of `over`."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            body = requests.get(f"{self.base}{path}", headers=self.organiser, timeout=10).json()
            if body["state"] in over:
                return body
            time.sleep(0.2)
        raise TimeoutError(f"{path} stayed {body['state']}")
