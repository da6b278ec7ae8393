"""The script that makes bucket and mapping: on a real InfluxDB 1, and by the API of version 2."""

from __future__ import annotations

import json
import subprocess
import sys
import threading
import urllib.parse
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest

SCRIPT = Path(__file__).parents[2] / "deploy" / "influx" / "setup.py"
TOKEN = "canary-rush-41"


def run(*words: str, status: int = 0) -> str:
    """Run the script; its output, in which the secret must never be."""
    done = subprocess.run(
        [sys.executable, SCRIPT, *words], capture_output=True, text=True, timeout=60, check=False
    )
    assert done.returncode == status, done.stderr
    assert TOKEN not in done.stdout + done.stderr
    return done.stdout + done.stderr


def test_influxdb_1_gets_its_database_once(influxd: Any) -> None:
    """The first run makes it, the second changes nothing; a server that is away is exit 3."""
    assert "made the database gloveboxes" in run(influxd.url, "--bucket", "gloveboxes")
    assert "is there" in run(influxd.url, "--bucket", "gloveboxes")
    influxd.kill()
    assert "cannot be reached" in run(influxd.url, status=3)


class Second:
    """As much of InfluxDB 2 as the script uses.

    No package of it could be had for this machine. The shapes of /orgs, /buckets and
    /dbrps are those of the InfluxDB OSS v2 API, from memory.
    """

    def __init__(self) -> None:
        self.buckets: list[dict[str, Any]] = []
        self.mappings: list[dict[str, Any]] = []
        self.tokens: set[str] = set()
        second = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                where = urllib.parse.urlsplit(self.path)
                query = dict(urllib.parse.parse_qsl(where.query))
                self.say(200, second.get(where.path, query))

            def do_POST(self) -> None:
                body = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
                self.say(201, second.post(self.path, body))

            def say(self, status: int, document: object) -> None:
                second.tokens.add(self.headers.get("Authorization") or "")
                body = json.dumps(document).encode()
                self.send_response(status)
                self.send_header("X-Influxdb-Version", "v2.7.1")
                self.send_header("Content-Length", str(len(body)))
                self.end_headers()
                self.wfile.write(body)

            def log_message(self, *_: object) -> None:
                pass

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.url = f"http://127.0.0.1:{self._server.server_address[1]}"
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.02,))
        self._thread.start()

    def get(self, path: str, query: dict[str, str]) -> object:
        """The answer to a GET."""
        match path:
            case "/api/v2/orgs":
                return {"orgs": [{"id": "0a", "name": query["org"]}]}
            case "/api/v2/buckets":
                return {"buckets": [b for b in self.buckets if b["name"] == query["name"]]}
            case "/api/v2/dbrps":
                return {"content": [m for m in self.mappings if m["database"] == query["db"]]}
        return {}

    def post(self, path: str, body: dict[str, Any]) -> object:
        """Make what is asked for; the answer is what was made."""
        rows = self.buckets if path == "/api/v2/buckets" else self.mappings
        rows.append({**body, "id": f"{len(rows):02x}"})
        return rows[-1]

    def close(self) -> None:
        """Stop serving."""
        self._server.shutdown()
        self._thread.join()
        self._server.server_close()


@pytest.fixture
def second() -> Iterator[Second]:
    """A running one."""
    server = Second()
    yield server
    server.close()


def test_influxdb_2_gets_bucket_and_mapping_once(second: Second, tmp_path: Path) -> None:
    """A bucket that forgets nothing, and InfluxQL finds it by its name; again: no change."""
    (tmp_path / "admin.token").write_text(f"{TOKEN}\n")
    words = [second.url, "--bucket", "gloveboxes", "--org", "saltmarsh"]
    words += ["--token-file", str(tmp_path / "admin.token")]
    assert "made the bucket and the mapping" in run(*words)
    (bucket,) = second.buckets
    assert (bucket["name"], bucket["retentionRules"]) == ("gloveboxes", [])
    (mapping,) = second.mappings
    assert (mapping["database"], mapping["bucketID"]) == ("gloveboxes", bucket["id"])
    assert mapping["default"]
    assert "is there, mapped" in run(*words)
    assert (len(second.buckets), len(second.mappings)) == (1, 1)
    assert second.tokens == {"", f"Token {TOKEN}"}  # /ping needs none
