"""The interface keeps to its own description: schemathesis sends what the OpenAPI document allows,
and what it does not, to every operation, about things that are there and things that are not.

Source: OpenAPI 3.1 (https://spec.openapis.org/oas/v3.1.0) as schemathesis reads it.
"""

import json
import os
import pathlib
import subprocess
import sys

import pytest
import requests
from playing import played
from service import Service

HERE = pathlib.Path(__file__).parent


@pytest.fixture(scope="module")
def service():
    one = Service()
    yield one
    one.stop()


def things_that_are_there(service):
    """A take in the mix, its receipt, a render, a sound for its player, and a begun upload."""
    made = service.hand_in(recording=("take.wav", played(service)))
    take = service.until(f"/api/v1/takes/{made['take_id']}", ["placed", "asks", "unusable"])
    assert take["state"] == "placed", take["findings"]
    asked = requests.post(
        f"{service.base}/api/v1/pieces/tide/renders",
        json={"kind": "preview"}, headers=service.organiser, timeout=10,
    ).json()
    render = service.until(f"/api/v1/renders/{asked['id']}", ["done", "failed"])
    receipt = f"/api/v1/receipts/{made['receipt_token']}"
    louder = requests.post(
        f"{service.base}{receipt}/louder", json={"section": "Flood"}, timeout=10
    ).json()
    service.until(f"{receipt}/louder/{louder['id']}", ["done", "failed"])
    begun = requests.post(
        f"{service.base}/uploads",
        headers={
            "Tus-Resumable": "1.0.0",
            "Upload-Length": "1000",
            "Upload-Metadata": "piece dGlkZQ==,filename YS53YXY=",
        },
        timeout=10,
    )
    return {
        "slug": "tide",
        "take": take["id"],
        "receipt": made["receipt_token"],
        "render": render["id"],
        "render_file": render["files"][0]["name"],
        "louder": louder["id"],
        "upload": begun.headers["location"].rsplit("/", 1)[1],
    }


# Which of them stand for which parameter of which paths.
PLACES = [
    ("^/api/v1/pieces/", {"path.slug": "slug"}),
    ("^/api/v1/takes/", {"path.id": "take"}),
    ("^/api/v1/receipts/.*/louder/", {"path.token": "receipt", "path.id": "louder"}),
    ("^/api/v1/receipts/[^/]*(/[a-z]+)?$", {"path.token": "receipt"}),
    ("^/api/v1/renders/", {"path.id": "render", "path.file": "render_file"}),
    ("^/uploads/", {"path.token": "upload"}),
]


def configuration(there):
    """Two of three requests are about what is there, the third about anything."""
    lines = ["[dictionaries]"]
    lines += [f"{name} = {{ values = {json.dumps([value])} }}" for name, value in there.items()]
    lines += ["[parameters]", '"header.Tus-Resumable" = "1.0.0"']
    for path, parameters in PLACES:
        lines += ["[[operations]]", f"include-path-regex = {json.dumps(path)}"]
        for parameter, name in parameters.items():
            bound = f'{{ dictionary = "{name}", probability = 0.66 }}'
            lines.append(f'parameters."{parameter}" = {bound}')
    return "\n".join(lines) + "\n"


def test_every_operation_answers_as_it_is_described(service, tmp_path):
    file = tmp_path / "schemathesis.toml"
    file.write_text(configuration(things_that_are_there(service)))
    command = [str(pathlib.Path(sys.executable).parent / "schemathesis")]
    command += ["--config-file", str(file), "run", f"{service.base}/api/v1/openapi.json"]
    command += ["--url", service.base]
    command += ["--header", f"Authorization: Bearer {service.token}"]
    command += ["--max-examples", "5", "--phases", "examples,coverage,fuzzing", "--seed", "1"]
    command += ["--request-timeout", "10"]
    command += [
        "--checks",
        "not_a_server_error,status_code_conformance,content_type_conformance,"
        "response_schema_conformance",
    ]
    done = subprocess.run(
        command, capture_output=True, text=True, timeout=170, check=False, cwd=HERE,
        env={**os.environ, "SCHEMATHESIS_HOOKS": "schemathesis_hooks"},
    )
    assert done.returncode == 0, done.stdout[-6000:] + done.stderr[-2000:]
    selected = [line for line in done.stdout.splitlines() if "Tested:" in line]
    operations = requests.get(f"{service.base}/api/v1/openapi.json", timeout=10).json()["paths"]
    assert selected and int(selected[0].split()[-1]) == sum(map(len, operations.values()))
