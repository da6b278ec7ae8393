"""The shipped systemd unit: understood by systemd itself, and hardened without losing the port."""

from __future__ import annotations

import configparser
import subprocess
from pathlib import Path

DEPLOY = Path(__file__).parents[2] / "deploy"
UNIT = DEPLOY / "systemd" / "dewline.service"


def test_systemd_understands_the_unit(tmp_path: Path):
    """systemd-analyze verify has nothing to say, once the program is where the unit expects it."""
    program = tmp_path / "dewline"
    program.write_text("#!/bin/sh\n")
    program.chmod(0o755)
    copy = tmp_path / "dewline.service"
    copy.write_text(UNIT.read_text().replace("/opt/dewline/venv/bin/dewline", str(program)))
    found = subprocess.run(
        ["systemd-analyze", "verify", "--recursive-errors=no", str(copy)],
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert (found.returncode, found.stderr.strip()) == (0, "")


def test_exposure_is_low_and_printed():
    """systemd's own score of what the service could reach: below 3 of 10."""
    found = subprocess.run(
        ["systemd-analyze", "security", "--offline=true", "--no-pager", str(UNIT)],
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    line = next(line for line in found.stdout.splitlines() if "exposure level" in line)
    print(line)
    assert float(line.split(":")[-1].split()[0]) < 3.0


def test_the_unit_restarts_but_not_for_a_bad_config_and_keeps_the_serial_port():
    """Restart always, except exit status 2; device classes by name; no ProtectClock."""
    unit = configparser.RawConfigParser(strict=False, interpolation=None)
    unit.optionxform = str  # type: ignore[method-assign,assignment]
    unit.read_string(UNIT.read_text())
    service = unit["Service"]
    assert unit["Unit"]["StartLimitIntervalSec"] == "0"
    assert (service["Restart"], service["RestartPreventExitStatus"]) == ("always", "2")
    assert "ProtectClock" not in service
    text = UNIT.read_text()
    for kind in ("ttyUSB", "ttyACM", "ttyS", "ttyAMA"):
        assert f"DeviceAllow=char-{kind} rw" in text


def test_the_broker_starts_with_the_shipped_rights(tmp_path: Path, make_broker):
    """mosquitto takes the shipped ACL; reader cannot publish, desk can only command."""
    (tmp_path / "pw").write_text("")
    for user in ("dewline", "reader", "desk"):
        subprocess.run(["mosquitto_passwd", "-b", tmp_path / "pw", user, "reed"], check=True)
    acl = DEPLOY / "mosquitto" / "dewline.acl"
    broker = make_broker(f"allow_anonymous false\npassword_file {tmp_path / 'pw'}\nacl_file {acl}")

    def heard(user: str, topic: str) -> bool:
        """Whether what ``user`` publishes on ``topic``, retained, can be read afterwards."""
        to = ["-h", "127.0.0.1", "-p", str(broker.port), "-P", "reed", "-t", topic]
        subprocess.run(
            ["mosquitto_pub", *to, "-u", user, "-m", user, "-r", "-q", "1"], check=True, timeout=20
        )
        back = subprocess.run(
            ["mosquitto_sub", *to, "-u", "dewline", "-C", "1", "-W", "1"],
            capture_output=True,
            text=True,
            check=False,
            timeout=20,
        )
        return back.stdout.strip() == user

    assert heard("dewline", "dewline/saltmarsh/state")
    assert not heard("reader", "dewline/saltmarsh/a")
    assert not heard("desk", "dewline/saltmarsh/b")
    assert heard("desk", "dewline/saltmarsh/command")
