#!/usr/bin/env python3
"""Make the database or bucket that dewline writes to and Grafana reads. Safe to run again.

  deploy/influx/setup.py http://127.0.0.1:8086 --bucket gloveboxes
  deploy/influx/setup.py http://127.0.0.1:8086 --bucket gloveboxes --org saltmarsh \\
      --token-file admin.token

InfluxDB 1: a database. InfluxDB 2: a bucket without end, and the mapping by which InfluxQL finds
it under the same name. InfluxDB 3 makes its database with the first line: nothing to do. The
token file holds USER:PASSWORD for 1, a token that may make buckets for 2; it is read here only,
dewline and Grafana want tokens of their own. Python's own library is all it needs.
"""

from __future__ import annotations

import argparse
import base64
import json
import sys
import urllib.error
import urllib.parse
import urllib.request
from pathlib import Path
from typing import TypedDict

RETENTION_POLICY = "autogen"  # the name under which InfluxDB 1 keeps things for ever


class Entry(TypedDict, total=False):
    """An organisation, a bucket or a mapping of version 2."""

    id: str
    bucketID: str
    default: bool


class Series(TypedDict, total=False):
    """Rows of an answer of version 1."""

    values: list[list[str]]


class Result(TypedDict, total=False):
    """Answer of version 1 to one statement."""

    series: list[Series]
    error: str


class Answer(TypedDict, total=False):
    """A JSON document of either version; each request fills one of the keys."""

    results: list[Result]
    orgs: list[Entry]
    buckets: list[Entry]
    content: list[Entry] | None


class Server:
    """An InfluxDB over HTTP, reached with one secret.

    A refusal raises ``urllib.error.HTTPError``, a server that cannot be reached
    ``OSError``.
    """

    def __init__(self, url: str, secret: str) -> None:
        self._url = url.rstrip("/")
        self._secret = secret

    def _authorization(self, version: str) -> dict[str, str]:
        if not self._secret:
            return {}
        if version == "1":
            return {"Authorization": f"Basic {base64.b64encode(self._secret.encode()).decode()}"}
        return {"Authorization": f"Token {self._secret}"}

    def version(self) -> str:
        """Its version as in ``1.6.7``; empty where the server does not give one."""
        with urllib.request.urlopen(f"{self._url}/ping", timeout=10) as answer:
            return str(answer.headers.get("X-Influxdb-Version") or "").removeprefix("v")

    def get(self, path: str, **query: str) -> Answer:
        """GET a JSON document of version 2's API."""
        url = f"{path}?{urllib.parse.urlencode(query)}"
        answer: Answer = json.loads(self._send("2", url, None, {}))
        return answer

    def post(self, path: str, document: dict[str, object]) -> Entry:
        """POST a JSON document to version 2's API; returns what was made."""
        body = json.dumps(document).encode()
        headers = {"Content-Type": "application/json"}
        made: Entry = json.loads(self._send("2", path, body, headers))
        return made

    def query(self, statement: str) -> Result:
        """Run one InfluxQL statement on version 1."""
        body = urllib.parse.urlencode({"q": statement}).encode()
        answer: Answer = json.loads(self._send("1", "/query", body, {}))
        (result,) = answer["results"]
        return result

    def _send(self, version: str, path: str, body: bytes | None, headers: dict[str, str]) -> bytes:
        headers = {**headers, **self._authorization(version)}
        request = urllib.request.Request(self._url + path, body, headers)
        with urllib.request.urlopen(request, timeout=10) as answer:
            return bytes(answer.read())


def set_up_1(server: Server, name: str) -> str:
    """InfluxDB 1: a database, unless it is there."""
    found = server.query("SHOW DATABASES")
    if [name] in found["series"][0].get("values", []):
        return f"database {name} is there"
    made = server.query(f'CREATE DATABASE "{name}"')
    if "error" in made:
        raise SystemExit(f"not made: {made['error']}")
    return f"made the database {name}"


def set_up_2(server: Server, name: str, org: str) -> str:
    """InfluxDB 2: a bucket that keeps all, and a mapping of its name; each unless it is there."""
    (found, *_) = server.get("/api/v2/orgs", org=org)["orgs"]
    org_id = found["id"]
    done = []
    buckets = server.get("/api/v2/buckets", orgID=org_id, name=name).get("buckets", [])
    if not buckets:
        wanted: dict[str, object] = {"orgID": org_id, "name": name, "retentionRules": []}
        buckets = [server.post("/api/v2/buckets", wanted)]
        done.append("bucket")
    # A mapping that the server made up by itself is marked virtual, and good enough.
    mappings = server.get("/api/v2/dbrps", orgID=org_id, db=name).get("content") or []
    if not any(m["bucketID"] == buckets[0]["id"] and m["default"] for m in mappings):
        mapping: dict[str, object] = {
            "orgID": org_id,
            "bucketID": buckets[0]["id"],
            "database": name,
            "retention_policy": RETENTION_POLICY,
            "default": True,
        }
        server.post("/api/v2/dbrps", mapping)
        done.append("mapping for InfluxQL")
    return f"made the {' and the '.join(done)} of {name}" if done else f"{name} is there, mapped"


def set_up(url: str, name: str, org: str, secret: str) -> str:
    """Do what this server's version needs; returns a sentence that says what was done."""
    server = Server(url, secret)
    version = server.version()
    if version.startswith("1."):
        return set_up_1(server, name)
    if version.startswith("2."):
        return set_up_2(server, name, org)
    if version.startswith("3."):
        return f"InfluxDB {version} makes {name} with the first line: nothing to do"
    raise SystemExit(f"{url} does not say which InfluxDB it is; nothing was done")


def main() -> None:
    """The command; exit status 1 where the server refuses, 3 where it cannot be reached."""
    words = argparse.ArgumentParser(description="Make the place dewline writes to. Safe to repeat.")
    words.add_argument("url")
    words.add_argument("--bucket", default="dewline", help="as in influx: of the config")
    words.add_argument("--org", default="", help="InfluxDB 2 only")
    words.add_argument("--token-file", type=Path, help="a secret that may make buckets")
    given = words.parse_args()
    secret = given.token_file.read_text().strip() if given.token_file else ""
    try:
        print(set_up(given.url, given.bucket, given.org, secret))
    except urllib.error.HTTPError as error:
        detail = error.read(300).decode(errors="replace").strip()
        error.close()
        print(f"{given.url} answers {error.code}: {detail}", file=sys.stderr)
        sys.exit(1)
    except OSError as error:
        print(f"{given.url} cannot be reached: {error}", file=sys.stderr)
        sys.exit(3)


if __name__ == "__main__":
    main()
