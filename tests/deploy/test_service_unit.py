"""The shipped systemd units and scripts: valid for systemd itself, and hardened."""

from __future__ import annotations

import configparser
import re
import subprocess
from pathlib import Path

import pytest

pytestmark = pytest.mark.service

DEPLOY = Path(__file__).parents[2] / "deploy"
UNITS = sorted((DEPLOY / "systemd").iterdir())
SERVICES = [path for path in UNITS if path.suffix == ".service"]
SCRIPTS = sorted(DEPLOY.rglob("*.sh"))
PROGRAM = "/opt/dewline/venv/bin/dewline"


def name(path: Path) -> str:
    """A unit's name, for the ids of tests."""
    return path.name


def analyze(*words: str | Path) -> subprocess.CompletedProcess[str]:
    """Run systemd-analyze."""
    return subprocess.run(
        ["systemd-analyze", "--no-pager", *words],
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )


def settings(unit: Path) -> configparser.RawConfigParser:
    """A unit's settings; of a key given several times the last."""
    parser = configparser.RawConfigParser(strict=False, interpolation=None)
    parser.optionxform = str  # type: ignore[method-assign,assignment]
    parser.read_string(unit.read_text())
    return parser


def test_systemd_understands_the_units(tmp_path: Path) -> None:
    """systemd-analyze verify has nothing to say, once the program is where they expect it."""
    program = tmp_path / "dewline"
    program.write_text("#!/bin/sh\n")
    program.chmod(0o755)
    (tmp_path / "README.md").touch()
    copies = [tmp_path / unit.name for unit in UNITS]
    for unit, copy in zip(UNITS, copies, strict=True):
        copy.write_text(unit.read_text().replace(PROGRAM, str(program)))
    found = analyze("verify", "--man=no", "--recursive-errors=no", *copies)
    assert (found.returncode, found.stderr.strip()) == (0, "")


@pytest.mark.parametrize("unit", SERVICES, ids=name)
def test_exposure_is_low_and_printed(unit: Path) -> None:
    """systemd's own score of what the service could reach: below 2 of 10."""
    found = analyze("security", "--offline=true", unit)
    line = next(line for line in found.stdout.splitlines() if "exposure level" in line)
    print(line)
    level = re.search(r": ([\d.]+) ", line)  # what follows it depends on the locale
    assert level
    assert float(level[1]) < 2.0


def test_it_restarts_whatever_happens_but_not_for_a_bad_config() -> None:
    """Restart always and without an end; exit status 2 is the config's and waits for a person."""
    unit = settings(DEPLOY / "systemd" / "dewline.service")
    service = unit["Service"]
    assert unit["Unit"]["StartLimitIntervalSec"] == "0"
    assert (service["Restart"], service["RestartPreventExitStatus"]) == ("always", "2")
    assert (service["Type"], service["WatchdogSec"]) == ("notify", "60")


@pytest.mark.parametrize("unit", SERVICES, ids=name)
def test_units_start_only_what_every_debian_has(unit: Path) -> None:
    """Our program and the shell: a Debian made small has no /bin/kill, and a reload would fail."""
    found = re.findall(r"^Exec\w+=[-@:+!]*(\S+)", unit.read_text(), re.MULTILINE)
    assert found
    assert set(found) <= {PROGRAM, "/bin/sh"}


def test_serial_ports_stay_open_to_adapters_that_come_later() -> None:
    """Device classes by number (Linux, Documentation/admin-guide/devices.txt: 4 TTY, 166 ACM,
    188 USB serial, 204 low-density serial); a class by name is known only once its driver is."""
    text = (DEPLOY / "systemd" / "dewline.service").read_text()
    allowed = {line.split("=")[1] for line in text.splitlines() if line.startswith("DeviceAllow=")}
    assert allowed == {f"char-{major} rw" for major in (4, 166, 188, 204)}
    assert "\nProtectClock=" not in text
    assert "\nPrivateDevices=" not in text


@pytest.mark.parametrize("script", SCRIPTS, ids=name)
def test_scripts_are_clean_sh(script: Path) -> None:
    """shellcheck has nothing to say, and a person can start it."""
    found = subprocess.run(
        ["shellcheck", script], capture_output=True, text=True, check=False, timeout=60
    )
    assert found.stdout == ""
    assert script.stat().st_mode & 0o111


def test_a_dry_run_says_all_and_does_nothing() -> None:
    """Not as root, not installed: each change is named and none is made."""
    places = [Path(p) for p in ("/opt", "/etc", "/etc/systemd/system", "/usr/local/bin")]
    before = [place.stat().st_mtime_ns for place in places]
    found = subprocess.run(
        [DEPLOY / "install.sh", "--dry-run"],
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert (found.returncode, found.stderr) == (0, "")
    assert "would write /etc/systemd/system/dewline.service" in found.stdout
    assert [place.stat().st_mtime_ns for place in places] == before
    assert not any(Path(p).exists() for p in ("/opt/dewline", "/etc/dewline"))
