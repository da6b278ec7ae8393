"""Who may import whom: no circles, and every contract of pyproject.toml can fail."""

from __future__ import annotations

import ast
import os
import shutil
import subprocess
import sys
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PACKAGES = {"dewline": ROOT / "daemon", "dewline_sim": ROOT / "simulators"}
PURE = (
    *("readings", "errors", "events", "typed_json", "units", "hours", "watch_plan", "duty"),
    *("formulas", "gas", "watch"),
)
BANNED = ("asyncio", "time", "socket", "sqlite3", "threading", "logging", "random", "os")
_IN_PACKAGES = {"gas": "gas.bed", "formulas": "formulas.grammar"}
GROUND = tuple(_IN_PACKAGES.get(name, name) for name in PURE if name != "watch")
CLOCKS = ("time", "asyncio", "dewline.clock")
# What the watch and the modules it stands on use of the standard library: nothing that tells the
# time, reads or writes, or draws a random number. ``datetime`` and ``zoneinfo`` convert times.
STANDARD = frozenset(
    (
        *("__future__", "abc", "bisect", "collections", "dataclasses", "datetime", "difflib"),
        *(
            "enum",
            "functools",
            "hashlib",
            "itertools",
            "json",
            "math",
            "operator",
            "re",
            "statistics",
        ),
        *("types", "typing", "zoneinfo"),
    )
)


def modules(package: str) -> dict[str, Path]:
    """The modules of a package by their full names."""
    base = PACKAGES[package]
    return {
        ".".join(path.relative_to(base).with_suffix("").parts).removesuffix(".__init__"): path
        for path in (base / package).rglob("*.py")
    }


def imports(path: Path, known: Mapping[str, object]) -> Iterator[str]:
    """The modules that a file imports anywhere, also under TYPE_CHECKING or in a function.

    ``from a import b`` is an import of ``a.b`` where that is one of the ``known`` modules.
    """
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path} has a relative import"
            base = node.module or ""
            inner = [f"{base}.{alias.name}" for alias in node.names]
            yield from (name if name in known else base for name in inner)


def in_circles(graph: Mapping[str, set[str]]) -> set[str]:
    """The modules on circles of imports, and those on ways between circles."""
    left = {name: of - {name} for name, of in graph.items()}
    while True:
        imported = set().union(*left.values())
        free = {name for name, of in left.items() if not of & left.keys() or name not in imported}
        if not free:
            return set(left)
        left = {name: of for name, of in left.items() if name not in free}


@pytest.mark.long
@pytest.mark.parametrize("package", PACKAGES)
def test_there_is_no_circle_of_imports(package: str) -> None:
    """Every module can be read after those it imports, those for the type checker included."""
    known = modules(package)
    assert len(known) > 40
    graph = {name: set(imports(path, known)) for name, path in known.items()}
    assert in_circles(graph) == set()


def test_a_circle_is_found(tmp_path: Path) -> None:
    """Of a circle that only the type checker sees, and of what leads in and out of it."""
    texts = {
        "a": "import b",
        "b": "from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n    from c import x",
        "c": "def f():\n    import b, d",
        "d": "",
    }
    graph = {}
    for name, text in texts.items():
        path = tmp_path / f"{name}.py"
        path.write_text(text)
        graph[name] = set(imports(path, texts))
    assert in_circles(graph) == {"b", "c"}


@pytest.mark.long
def test_the_watch_uses_only_harmless_parts_of_the_standard_library() -> None:
    """A module that is not in the list has to be looked at before it is added."""
    known = modules("dewline")
    for name, path in known.items():
        if name.split(".")[1:2] and name.split(".")[1] in PURE:
            outside = {i.partition(".")[0] for i in imports(path, known)} - {"dewline"}
            assert outside <= STANDARD, name


def checked(folder: Path) -> tuple[int, str]:
    """Exit code and report of import-linter over a copy of the two packages."""
    lint = Path(sys.executable).with_name("lint-imports")
    path = os.pathsep.join((str(folder / "daemon"), str(folder / "simulators")))
    found = subprocess.run(
        [lint, "--no-cache"],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": path},
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    return found.returncode, found.stdout + found.stderr


@pytest.fixture(scope="module")
def copy(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of the two packages and of the contracts."""
    folder = tmp_path_factory.mktemp("house")
    for base in PACKAGES.values():
        shutil.copytree(base, folder / base.name, ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy(ROOT / "pyproject.toml", folder)
    return folder


@pytest.fixture(scope="module")
def report(copy: Path) -> str:
    """What import-linter says of a copy in which every contract is broken.

    A file of the watch imports every module that the watch must not know; what the watch stands
    on imports clocks; the bus and the simulator each import one; and no layer names one module.
    """
    code, text = checked(copy)
    assert code == 0, text
    daemon = copy / "daemon" / "dewline"
    add(daemon / "watch" / "watch.py", *forbidden(), *BANNED)
    for name in GROUND:
        add(daemon / f"{name.replace('.', '/')}.py", *CLOCKS)
    add(daemon / "bus" / "__init__.py", "dewline.watch.watch")
    add(copy / "simulators" / "dewline_sim" / "__init__.py", "dewline.units")
    (daemon / "newcomer.py").touch()
    code, text = checked(copy)
    assert code == 1, text
    return text


def add(path: Path, *names: str) -> None:
    """Append imports to a file."""
    path.write_text(path.read_text() + "".join(f"import {name}\n" for name in names))


def forbidden() -> list[str]:
    """The modules of dewline that the watch must not import."""
    rooms = ((name, name.split(".")) for name in modules("dewline") if name != "dewline")
    return [name for name, parts in rooms if parts[1] not in PURE]


@pytest.mark.long
def test_the_watch_may_import_no_module_of_another_room(report: str) -> None:
    """Each import that was added to the file of the watch is named in the report."""
    added = [*forbidden(), *BANNED]
    assert len(added) > 100
    assert [m for m in added if f"dewline.watch.watch -> {m} (l." not in report] == []


def test_what_the_watch_stands_on_may_not_import_clocks(report: str) -> None:
    """Nor do they reach the watch by a module that it may import."""
    added = [f"dewline.{name} -> {clock} (l." for name in GROUND for clock in CLOCKS]
    assert [line for line in added if line not in report] == []


def test_every_contract_can_fail(report: str) -> None:
    """All contracts of pyproject.toml are broken in the copy."""
    with (ROOT / "pyproject.toml").open("rb") as file:
        contracts = tomllib.load(file)["tool"]["importlinter"]["contracts"]
    assert len(contracts) == 4
    for contract in contracts:
        assert f"{contract['name']} BROKEN" in report


def test_a_new_module_has_to_be_placed(report: str) -> None:
    """A module that stands in no layer fails the contract."""
    assert "- dewline.newcomer\n" in report
