"""Print the versions, in this venv, of all that dewline and the named extras stand on.

``python .ci/constraints.py EXTRA,EXTRA...``: one ``name==version`` a line, as ``pip install -c``
reads them.
"""

from __future__ import annotations

import re
import sys
from importlib.metadata import PackageNotFoundError, distribution


def normal(name: str) -> str:
    """The name as package indexes compare it."""
    return re.sub(r"[-_.]+", "-", name).lower()


def needs(name: str, extras: frozenset[str]) -> list[tuple[str, frozenset[str]]]:
    """What a package asks for: names, with their extras. Markers other than extras are ignored:
    what is not needed here is not installed here."""
    found = []
    for text in distribution(name).requires or []:
        wanted, _, marker = text.partition(";")
        asked = re.findall(r"extra\s*==\s*[\"']([^\"']+)[\"']", marker)
        if asked and not extras & {normal(extra) for extra in asked}:
            continue
        match = re.match(r"([A-Za-z0-9._-]+)\s*(?:\[([^]]*)\])?", wanted.strip())
        assert match is not None, text
        more = frozenset(normal(e.strip()) for e in (match[2] or "").split(",") if e.strip())
        found.append((normal(match[1]), more))
    return found


def main() -> None:
    versions: dict[str, str] = {}
    extras = frozenset(normal(extra) for extra in sys.argv[1].split(","))
    waiting, seen = [("dewline", extras)], set()
    while waiting:
        name, more = waiting.pop()
        if (name, more) in seen:
            continue
        seen.add((name, more))
        try:
            versions[name] = distribution(name).version
        except PackageNotFoundError:  # for another system or another Python
            continue
        waiting += needs(name, more)
    del versions["dewline"]
    print("# The versions that dewline was tested with; `make constraints` renews them.")
    for name in sorted(versions):
        print(f"{name}=={versions[name]}")


if __name__ == "__main__":
    main()
