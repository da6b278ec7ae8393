"""The machinery of the bench: its sums, its table, and one tiny row on real processes."""

import io
import json
import math
import random
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.bench import measured, printed
from tests.bench.__main__ import laid_over
from tests.bench.again import again
from tests.bench.p1_bus import cycle_ms, minimum_ms
from tests.bench.p4_latency import p99
from tests.bench.p7_scale import missed

BENCH = (sys.executable, "-m", "tests.bench")
ROOT = Path(__file__).parents[2]


def test_a_ratio_is_made_pair_by_pair() -> None:
    """Turn i meets turn i: a machine that was slow for both has no part in the ratio."""
    ours, other = measured.spread(1.0, 30.0, 4.0), measured.spread(2.0, 60.0, 2.0)
    ratio = measured.beside("peer", ours, other).ratio
    assert ratio.values == (0.5, 0.5, 2.0)
    assert (ratio.median, min(ratio.values), max(ratio.values)) == (0.5, 0.5, 2.0)
    with pytest.raises(ValueError, match="pair"):
        measured.beside("peer", ours, measured.spread(1.0, 2.0))


def test_a_computed_figure_meets_every_turn() -> None:
    """The wire's minimum is one figure; each turn is held against it."""
    ratio = measured.beside("minimum", measured.spread(2.0, 3.0), measured.spread(2.0)).ratio
    assert ratio.values == (1.0, 1.5)


def test_sides_take_turns() -> None:
    """A B A B: neither side gets the quiet half of the time."""
    turns: list[str] = []
    sides = {"a": lambda: turns.append("a"), "b": lambda: turns.append("b")}
    measured.in_turn(sides, pairs=3)
    assert turns == list("ababab")


def test_a_row_waits_until_it_is_called(monkeypatch: pytest.MonkeyPatch) -> None:
    """Called once: one pair; when the caller has gone, it ends instead of measuring alone."""
    monkeypatch.setenv(measured.BY_TURNS, "1")
    monkeypatch.setattr(sys, "stdin", io.StringIO("go\n"))
    turns: list[str] = []
    sides = {"a": lambda: turns.append("a"), "b": lambda: turns.append("b")}
    with pytest.raises(RuntimeError, match="gone"):
        measured.in_turn(sides, pairs=3)
    assert turns == list("ab")


@pytest.mark.long
def test_a_second_run_is_held_against_the_range_that_was_printed() -> None:
    """As printed, so 1.017 lies up to 1.02; what was measured once is not compared."""

    def line(what: str, *values: float) -> measured.Line:
        ours, other = measured.spread(*values), measured.spread(*[1.0] * len(values))
        return measured.Line("P2", what, ours, (measured.beside("peer", ours, other),))

    def nine(middle: float, step: float) -> list[float]:
        return [middle + step * n for n in range(-4, 5)]

    before = [line("a", *nine(1.0, 0.002)), line("b", *nine(1.15, 0.01)), line("once", 1.0)]
    low, high = printed.expected(measured.spread(*nine(1.0, 0.002)))
    assert (printed.figure(low), printed.figure(high)) == ("0.984", "1.02")
    found = again(
        before, [line("a", *nine(high + 0.001, 0.1)), line("b", 1.31, 1.31), line("once", 9.0)]
    )
    assert found.ratios == 2
    assert found.outside == ("P2 b to peer: 1.31, was 1.15 [1.07–1.23]",)
    assert str(again(before, before)) == (
        "2 of 2 ratios lie within the spread that the run before printed"
    )


@pytest.mark.long
@pytest.mark.parametrize("law", ["normalvariate", "expovariate"])
def test_a_second_run_lies_where_it_is_expected(law: str) -> None:
    """Of 4 000 made runs of nine pairs, about 999 in 1000 find the median of another within.

    Ratios scatter by 5 % evenly, or by 5 % to one side only, as a machine that is now and then
    slow makes them; the share in the least and most of nine is held beside it.
    """
    draw = random.Random(20)
    scatters: dict[str, Callable[[], float]] = {
        "normalvariate": lambda: draw.normalvariate(0.0, 0.05),
        "expovariate": lambda: draw.expovariate(20.0),
    }
    scatter = scatters[law]
    within = inside = 0
    for _ in range(4000):
        first, second = (measured.spread(*(math.exp(scatter()) for _ in range(9))) for _ in "ab")
        low, high = printed.expected(first)
        within += low <= second.median <= high
        inside += min(first.values) <= second.median <= max(first.values)
    assert within / 4000 > 0.995
    # Outside are, whatever the law, those whose five of one end of all 18 come from the second
    # run: 2 C(9,5)/C(18,5) = 2.9 %.
    assert 0.96 < inside / 4000 < 0.98


def test_the_minimum_of_a_line_is_that_of_the_serial_guide() -> None:
    """(8 + 5 + 2N) characters of 11 bits and two silences: worked by hand from V1.02, 2.5.1."""
    assert math.isclose(minimum_ms(9600, 10), 3 * 45.8333, rel_tol=1e-5)
    assert math.isclose(minimum_ms(19200, 32), 3 * 48.125, rel_tol=1e-5)
    assert math.isclose(minimum_ms(115200, 10), 9 * 6.6510, rel_tol=1e-4)


def test_a_cycle_is_cut_at_the_first_unit() -> None:
    """Only whole cycles count; one that lacks a request is no measurement."""
    asked = [(0.02 * n, 1 + n % 3) for n in range(20)]
    assert math.isclose(cycle_ms(asked, 3), 60.0)
    with pytest.raises(RuntimeError):
        cycle_ms([*asked[:7], *asked[8:]], 3)


def test_a_poll_is_missed_where_its_second_passes_without_it() -> None:
    """A gap of three seconds at 1 Hz has lost two polls; a late one has lost none."""
    assert missed([0.5, 1.5, 2.9, 3.5], 0.0, 4.0) == 0
    assert missed([0.5, 3.5], 0.0, 4.0) == 2
    assert missed([], 0.0, 4.0) == 3


def test_the_99th_percentile_leaves_one_of_a_hundred_out() -> None:
    """Nearest rank: of 200 crossings the two slowest may pass it."""
    assert p99([float(n) for n in range(1, 201)]) == 198.0


@pytest.mark.long
def test_a_row_on_real_processes_ends_as_table_and_as_json(tmp_path: Path) -> None:
    """One small row: figures, the table from them and a line of the history agree."""
    readme, figures = tmp_path / "README.md", tmp_path / "bench.json"
    history = tmp_path / "history.jsonl"
    history.write_text('{"date": "2026-03-01"}\n')
    readme.write_text("before\n<!-- bench: begin -->\nyesterday\n<!-- bench: end -->\nafter\n")
    words = ["--small", "--rows", "P6", "--json", str(figures), "--into", str(readme)]
    words += ["--history", str(history)]
    ran = subprocess.run([*BENCH, *words], cwd=ROOT, capture_output=True, text=True)
    assert ran.returncode in (0, 1), ran.stderr
    lines = json.loads(figures.read_text())["lines"]
    assert [line["row"] for line in lines] == ["P6"] * 3
    assert all(0 < line["dewline"]["median"] < line["beside"][0]["median"] for line in lines)
    before, now = map(json.loads, history.read_text().splitlines())
    assert before == {"date": "2026-03-01"}
    assert set(now) == {"date", "commit", "machine", "rows"}
    assert [line["what"] for line in now["rows"]["P6"]] == [line["what"] for line in lines]
    text = readme.read_text()
    assert text.startswith("before\n<!-- bench: begin -->\nMeasured ")
    assert text.endswith("<!-- bench: end -->\nafter\n")
    assert "yesterday" not in text
    assert text.count("| P6 |") == 3
    for line in lines:
        assert line["what"] in text


def test_rows_measured_again_take_the_place_of_their_own_only() -> None:
    """A row is repeated alone; the others keep their figures and their dates."""
    before = {
        "dates": {"P1": "2026-03-01", "P6": "2026-03-01"},
        "minutes": {"P1": 2.0, "P6": 1.0},
        "lines": [{"row": "P1", "what": "old"}, {"row": "P6", "what": "kept"}],
    }
    now = {
        "dates": {"P1": "2026-03-02"},
        "minutes": {"P1": 3.0},
        "lines": [{"row": "P1", "what": "new"}],
    }
    found = laid_over(before, now)
    assert [line["what"] for line in found["lines"]] == ["new", "kept"]
    assert found["dates"] == {"P1": "2026-03-02", "P6": "2026-03-01"}
    assert found["minutes"] == {"P1": 3.0, "P6": 1.0}


@pytest.mark.long
def test_a_row_that_cannot_be_measured_says_so(tmp_path: Path) -> None:
    """Without a broker to start, the row names the reason and the command fails."""
    figures = tmp_path / "bench.json"
    words = ["--small", "--rows", "P4", "--json", str(figures)]
    ran = subprocess.run(
        [*BENCH, *words], cwd=ROOT, capture_output=True, text=True, env={"PATH": str(tmp_path)}
    )
    assert ran.returncode == 1
    assert "not measured" in ran.stdout
    (line,) = json.loads(figures.read_text())["lines"]
    assert line["dewline"] is None
    assert "mosquitto" in line["note"]
