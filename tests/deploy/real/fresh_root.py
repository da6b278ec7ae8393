"""A Debian in a folder: made, used by ``chroot``, and compared file by file."""

from __future__ import annotations

import contextlib
import hashlib
import os
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

CLONE = Path(__file__).parents[3]
MOUNTED = ("proc", "dev", "sys")


class Root:
    """A Debian in a folder, and commands run in it."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "root"

    def make(self, mirror: str | None, packages: str) -> None:
        """Install Debian bookworm with these packages (by commas), from a mirror of one's own."""
        words = ["--variant=minbase", f"--include={packages}", "bookworm"]
        where = [str(self.path), *([mirror] if mirror else [])]
        subprocess.run(["debootstrap", *words, *where], check=True)
        shutil.copy("/etc/resolv.conf", self.path / "etc/resolv.conf")

    def copy_clone(self) -> None:
        """What git knows of this clone, as a person's clone in their home."""
        home = self.path / "home/pi/dewline"
        home.mkdir(parents=True, exist_ok=True)
        names = subprocess.run(
            ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
            cwd=CLONE,
            capture_output=True,
            check=True,
        )
        there = [n for n in names.stdout.split(b"\0") if n and (CLONE / os.fsdecode(n)).exists()]
        packed = subprocess.run(
            ["tar", "-c", "--null", "-T", "-"],
            cwd=CLONE,
            input=b"\0".join(there),
            capture_output=True,
            check=True,
        )
        subprocess.run(["tar", "-x", "-C", home], input=packed.stdout, check=True)

    @contextlib.contextmanager
    def mounted(self) -> Iterator[None]:
        """With /proc and /dev mounted in it."""
        subprocess.run(["mount", "-t", "proc", "proc", self.path / "proc"], check=True)
        subprocess.run(["mount", "--bind", "/dev", self.path / "dev"], check=True)
        try:
            yield
        finally:
            for name in ("dev", "proc"):
                subprocess.run(["umount", "-l", self.path / name], check=True)

    def words(self, *words: str) -> list[str]:
        """The command line that runs a command in it."""
        return ["chroot", str(self.path), *words]

    def environment(self) -> dict[str, str]:
        """Nothing of the host's but how pip reaches its packages."""
        found = {k: v for k, v in os.environ.items() if k.startswith("PIP_")}
        found.pop("PIP_FIND_LINKS", None)
        if authority := found.get("PIP_CERT"):
            copy = self.path / "opt/pip-authority.pem"
            if not copy.exists():
                shutil.copy(authority, copy)
            found["PIP_CERT"] = "/opt/pip-authority.pem"
        return found | {
            "PATH": "/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin",
            "HOME": "/root",
            "LANG": "C.UTF-8",
        }

    def run(self, *words: str, check: bool = True) -> str:
        """Run a command in it, print and return its output; SystemExit where it fails."""
        done = subprocess.run(
            self.words(*words),
            env=self.environment(),
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            check=False,
        )
        print(f"$ {' '.join(words)}\n{done.stdout}", flush=True)
        if check and done.returncode:
            raise SystemExit(f"{words[0]} ended with {done.returncode}")
        return done.stdout

    def forget(self) -> None:
        """Take away what an earlier try has left."""
        self.install("--remove")
        units = "/etc/systemd/system"
        left = "/etc/dewline /var/lib/dewline /opt/dewline"
        for name in ("try", "lab"):
            left += f" {units}/{name}.service {units}/multi-user.target.wants/{name}.service"
        self.run("sh", "-c", f"rm -rf {left}; userdel pi; userdel dewline", check=False)

    def install(self, *words: str) -> str:
        """Run the installer of the clone; returns its output."""
        return self.run("/home/pi/dewline/deploy/install.sh", *words)

    def listing(self) -> dict[str, tuple[object, ...]]:
        """Every path: mode, owner, size, time of change, and a hash of what is in it."""
        found: dict[str, tuple[object, ...]] = {}
        for folder, folders, files in os.walk(self.path):
            if Path(folder) == self.path:
                folders[:] = [name for name in folders if name not in MOUNTED]
            for path in (Path(folder, name) for name in (*folders, *files)):
                status = path.lstat()
                content = hashlib.sha256(path.read_bytes()).hexdigest() if _is_file(path) else ""
                found[str(path.relative_to(self.path))] = (
                    status.st_mode,
                    (status.st_uid, status.st_gid),
                    status.st_size,
                    status.st_mtime_ns,
                    content,
                )
        return found


def _is_file(path: Path) -> bool:
    return path.is_file() and not path.is_symlink()


def differences(root: Root, *words: str) -> tuple[str, list[str]]:
    """What install.sh said, and the paths that are other than before it."""
    before = root.listing()
    said = root.install(*words)
    after = root.listing()
    return said, sorted(p for p in before.keys() | after if before.get(p) != after.get(p))
