"""Which tests run in one process, one after the other, where several processes run tests.

pytest-xdist's own groups are not used: it adds them to the ids of tests in a way that pytest 9.2
does not see any more.
"""

from __future__ import annotations

import functools
from pathlib import Path

from xdist.scheduler import LoadScopeScheduling

ROOT = Path(__file__).parents[1]


class Scheduling(LoadScopeScheduling):  # type: ignore[misc] # xdist has no types
    """All tests that watch the clock on the wall; the tests of a file that share a fixture.

    Such a fixture is made once then. Every other test goes to whichever process is free.
    """

    def _split_scope(self, nodeid: str) -> str:
        file = nodeid.partition("::")[0]
        if "pytest.mark.clock" in text_of(file):
            return "clock"
        return file if 'scope="module"' in text_of(file) else nodeid


@functools.cache
def text_of(file: str) -> str:
    """The text of a test file."""
    return (ROOT / file).read_text(encoding="utf-8")
