"""The installer in a fresh Debian, and the service under a real systemd. By hand, as root:

    sudo .venv/bin/python tests/deploy/real/system.py FOLDER

Makes a Debian 12 in FOLDER with debootstrap, runs deploy/install.sh there until there is nothing to
change (and looks at every file whether that is so), watches the simulated lab there. Then it starts
that Debian's own systemd in namespaces of this kernel (container.sh), where guest.sh tries the
service: a first alarm, devices that it may open and may not, a killed and a hung daemon, a config
with mistakes. At last all is removed again. Needs debootstrap; five minutes, 1 GB. Ends with 1 when
anything it looks for is not so; what it saw is left in FOLDER/saw.json.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import re
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

from tests.deploy.real.fresh_root import CLONE, Root, differences

HERE = Path(__file__).parent
PACKAGES = "systemd-sysv,dbus,mosquitto,mosquitto-clients"
TCP_PORT = 15020
AT_MOST_MS = {  # beside whatever else the host does
    "ready_ms": 15_000,
    "panel_good_ms": 15_000,
    "kill_back_ms": 25_000,  # RestartSec=5
    "hung_back_ms": 95_000,  # WatchdogSec=60, TimeoutAbortSec=5, RestartSec=5
    "stop_ms": 15_000,
}

RIGHT = {
    "dry_run_changed": "",
    "second_run_changed": "",
    "first_example_runs": "True",
    "watches_the_lab": "True",
    "first_alarm_state": "unacknowledged",
    "acknowledged": "1",
    "verify": "0",
    "backups": "1",
    "adapter_passes": "1",
    "tunnel_refused": "1",
    "bad_reload_runs_on": "1",
    "bad_config_status": "2",
    "bad_config_restarts": "0",
    "bad_config_stays_down": "1",
    "mended_active": "active",
    "stop_result": "success",
    "record_sound": "1",
    "removed": "True",
    "end": "1",
}


@contextlib.contextmanager
def lab(folder: Path) -> Iterator[None]:
    """The simulated lab of one night, on this host: a panel on the network, two serial lines."""
    words = ["simulate", "night", "--quiet", "--tcp", f"127.0.0.1:{TCP_PORT}"]
    words += ["--rtu", f"{folder}/analyzers", "--ascii", f"{folder}/frost"]
    command = [sys.executable, "-m", "dewline", *words, "--config", str(folder)]
    paths = {"PYTHONPATH": f"{CLONE}/daemon:{CLONE}/simulators"}
    for name in ("dewline.yaml", "analyzers", "frost"):
        (folder / name).unlink(missing_ok=True)
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, env=os.environ | paths) as process:
        try:
            while not (folder / "dewline.yaml").exists() or not (folder / "frost").exists():
                time.sleep(0.1)
            yield
        finally:
            process.terminate()


def put_config(root: Root, folder: Path, analyzers: str, frost: str) -> None:
    """The lab's own config as a person would write it for that machine."""
    text = (folder / "dewline.yaml").read_text()
    text = text.replace("path: night.db", "path: /var/lib/dewline/lab.db")
    text = re.sub(r"(?m)^mqtt:.*\n", "", text)
    text = text.replace(f"{folder}/analyzers", analyzers).replace(f"{folder}/frost", frost)
    broker = "{host: 127.0.0.1, username: dewline, password_file: mqtt.pass}"
    (root.path / "etc/dewline/dewline.yaml").write_text(f"{text}\nmqtt: {broker}\n")


def try_installer(root: Root, folder: Path, saw: dict[str, str]) -> None:
    """Install until nothing changes; check and run there as the service's own user."""
    root.environment()  # puts down, before anything is listed, what pip needs of the host
    said, changed = differences(root, "--dry-run")
    saw["dry_run_changed"] = " ".join(changed)
    assert "would write /etc/systemd/system/dewline.service" in said
    root.install()
    said, changed = differences(root)
    assert said.endswith("nothing to change\n")
    saw["second_run_changed"] = " ".join(changed)
    config = "/etc/dewline/dewline.yaml"
    root.run("dewline", "check", config)
    first = root.run("sh", "-c", f"{as_service(f'timeout -s INT 4 dewline run {config}')}; echo $?")
    saw["first_example_runs"] = str("watching saltmarsh" in first)
    with lab(folder):
        put_config(root, folder, "/dev/none-a", "/dev/none-b")
        root.run("dewline", "check", config)
        root.run("sh", "-c", f"{as_service(f'timeout -s INT 8 dewline run {config}')} || true")
    info = json.loads(root.run("dewline", "journal", "info", "--config", config, "--json"))
    saw["watches_the_lab"] = str(info["last_item"] > 10)
    shutil.rmtree(root.path / "var/lib/dewline")


def as_service(command: str) -> str:
    """A shell line that runs a command as the service's user, its folder made."""
    return (
        "install -d -o dewline -g dewline -m 0750 /var/lib/dewline && "
        f"setpriv --reuid dewline --regid dewline --init-groups {command}"
    )


LAB_UNIT = f"""[Unit]
Before=dewline.service
[Service]
ExecStart=/opt/dewline/venv/bin/dewline simulate night --quiet --tcp 127.0.0.1:{TCP_PORT} \\
    --rtu /run/analyzers --ascii /run/frost --config /run
[Install]
WantedBy=multi-user.target
"""
TRY_UNIT = """[Unit]
After=multi-user.target
[Service]
Type=oneshot
TimeoutStartSec=15min
ExecStart=/bin/sh /root/guest.sh
[Install]
WantedBy=multi-user.target
"""


def prepare(root: Root, folder: Path) -> None:
    """As the page says: broker, secret, config, the installer once more; and what tries it."""
    put_config(root, folder, "/dev/dewline-analyzers", "/dev/dewline-frost")
    rules = (root.path / "home/pi/dewline/deploy/udev/99-dewline.rules").read_text()
    rule = next(line for line in rules.splitlines() if line.startswith("SUBSYSTEM"))
    (root.path / "etc/udev/rules.d").mkdir(parents=True, exist_ok=True)
    (root.path / "etc/udev/rules.d/99-dewline.rules").write_text(
        "".join(
            rule.replace("WRITE_YOUR_ADAPTERS_SERIAL_HERE", f"QEMU_QEMU_USB_SERIAL_{name}").replace(
                "analyzers", name
            )
            + "\n"
            for name in ("analyzers", "frost")
        )
    )
    root.run("/home/pi/dewline/deploy/mosquitto/setup.sh", "broker.lab.example")
    secret = "/etc/mosquitto/dewline-passwords/dewline"
    root.run("install", "-m", "0600", secret, "/etc/dewline/secrets/mqtt.pass")
    root.run("useradd", "--groups", "dewline", "pi")
    root.install()
    said, changed = differences(root)
    assert said.endswith("nothing to change\n"), said
    assert changed == [], changed
    shutil.copy(HERE / "guest.sh", root.path / "root/guest.sh")
    units = root.path / "etc/systemd/system"
    (units / "try.service").write_text(TRY_UNIT)
    (units / "lab.service").write_text(LAB_UNIT)
    root.run("systemctl", "-q", "enable", "try.service", "lab.service")


def contain(root: Root, folder: Path) -> str:
    """Its systemd in namespaces of this kernel; gives what guest.sh said."""
    subprocess.run([HERE / "container.sh", root.path, folder], check=False, timeout=500)
    return (folder / "guest.txt").read_text(errors="replace")


def judge(saw: dict[str, str], text: str, secret: str) -> list[str]:
    """What is not as it should be."""
    wrong = [f"{k}: {saw.get(k)!r}, not {v!r}" for k, v in RIGHT.items() if saw.get(k) != v]
    for key, most in AT_MOST_MS.items():
        value = saw.get(key, "missing")
        if not value.isdecimal() or int(value) > most:
            wrong.append(f"{key}: {value}, not {most} at most")
    if secret in text:
        wrong.append("a secret stands in what the machine said")
    return wrong


def remove(root: Root) -> bool:
    """Take it away: config, secrets and record stay, nothing else of it does."""
    (root.path / "var/lib/dewline").mkdir(exist_ok=True)
    (root.path / "var/lib/dewline/lab.db").write_text("a record")
    root.install("--remove")
    said, changed = differences(root, "--remove")
    left = [p for p in root.listing() if "dewline" in p and not p.startswith("home/pi/dewline")]
    print("\n".join(left))
    kept = ("etc/dewline", "var/lib/dewline", "etc/mosquitto")  # the broker is not ours
    mine = ("etc/udev/rules.d/99-dewline.rules",)  # of prepare_boot
    return (
        not changed
        and said.endswith("nothing to change\n")
        and {"etc/dewline/dewline.yaml", "var/lib/dewline/lab.db"} <= set(left)
        and all(p.startswith(kept) or p in mine for p in left)
    )


def main() -> int:
    """Exit status 0 where everything was as it should be."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("folder", type=Path)
    parser.add_argument("--mirror", help="debootstrap's, if not its own choice")
    asked = parser.parse_args()
    folder: Path = asked.folder.resolve()
    root, saw = Root(folder), dict[str, str]()
    folder.mkdir(exist_ok=True)
    fresh = not root.path.exists()
    if fresh:
        root.make(asked.mirror, PACKAGES)
    root.copy_clone()
    with root.mounted():
        if not fresh:
            root.forget()
        try_installer(root, folder, saw)
        with lab(folder):
            prepare(root, folder)
        text = contain(root, folder)
        secret = (root.path / "etc/dewline/secrets/mqtt.pass").read_text().strip()
        print(text)
        saw |= dict(re.findall(r"^SAW (\w+) (.*?)\r?$", text, re.MULTILINE))
        saw["removed"] = str(remove(root))
    (folder / "saw.json").write_text(json.dumps(saw, indent=2) + "\n")
    print(json.dumps(saw, indent=2))
    wrong = judge(saw, text, secret)
    print("\n".join(wrong) or "all as it should be")
    return bool(wrong)


if __name__ == "__main__":
    sys.exit(main())
