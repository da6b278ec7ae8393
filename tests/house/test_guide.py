"""The contributor guide names files that exist."""

from __future__ import annotations

import re
from pathlib import Path

ROOT = Path(__file__).parents[2]
PLACES = (ROOT, ROOT / "daemon/dewline", ROOT / "tests/bench", ROOT / "daemon/dewline/watch/causes")


def test_every_file_that_the_guide_names_exists() -> None:
    """A name in backquotes that ends in .py, or in a slash, is a file or folder of this tree."""
    text = (ROOT / "DEVELOPERS.md").read_text()
    names = set(re.findall(r"`([\w./]+(?:\.py|/))`", text)) - {"NAME/"}
    assert len(names) > 20
    missing = [n for n in sorted(names) if not any((place / n).exists() for place in PLACES)]
    assert not missing


def test_every_function_that_the_reading_order_names_is_in_its_file() -> None:
    """In the reading order a plain name in backquotes is defined in the file named before it."""
    text = (ROOT / "DEVELOPERS.md").read_text()
    order = text.partition("## Reading order")[2].partition("## Rooms")[0]
    file, found = "", 0
    for name in re.findall(r"`([\w./]+)`", order):
        if name.endswith(".py"):
            file = (ROOT / "daemon/dewline" / name).read_text()
        elif file and "/" not in name and name not in ("Scan", "seq", "active"):
            assert re.search(rf"def {name.rpartition('.')[2]}\b", file), name
            found += 1
    assert found > 15
