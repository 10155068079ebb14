"""The frame: top level, import names, dependency direction, no network."""

from __future__ import annotations

import ast
import subprocess
import sys
from importlib import metadata
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PACKAGES = ("analyzers", "config", "daemon", "demo")
ALLOWED = {
    "analyzers": {"analyzers"},
    "config": {"config"},
    "daemon": {"analyzers", "config", "daemon"},
    "demo": {"analyzers", "config", "demo"},
}

FLOORS = {  # lowest first: a module imports only from lower floors, and from its own room
    "analyzers": ("model", "signal", "level", "rhythm", "harmony", "structure", "health", "pipeline"),
    "daemon": (
        "core",
        "ledger",
        "workers",
        "decode",
        "ingest",
        "export",
        "corrections",
        "report",
        "pipeline",
        "batch",
        "service",
        "ops",
        "commands",
        "cli",
    ),
}


def modules(package: str) -> list[Path]:
    return [path for path in (ROOT / package).rglob("*.py") if "__pycache__" not in path.parts]


def imported(path: Path) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            names.add(node.module or "")
    return {name.split(".")[0] for name in names}


def test_top_level_is_exactly_what_it_should_be():
    listed = subprocess.run(
        ["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=False
    ).stdout.split("\0")
    if listed == [""]:
        pytest.skip("not a git checkout")
    top = {name.split("/")[0] for name in listed if name and not name.startswith(".")}

    assert top == {"README.md", "DEVELOPERS.md", "pyproject.toml", "tests", *PACKAGES}


@pytest.mark.parametrize("package", PACKAGES)
def test_dependency_direction(package):
    for path in modules(package):
        used = imported(path) & set(PACKAGES)
        allowed = ALLOWED[package] | ({"demo"} if path.name == "commands.py" else set())
        assert used <= allowed, f"{path.relative_to(ROOT)} imports {sorted(used - allowed)}"


def rooms(package: str) -> list[str]:
    return sorted(path.parent.name for path in (ROOT / package).glob("*/__init__.py"))


def room_of(path: Path) -> str:
    """ "daemon.export" for a module in that room; "daemon.cli" for a module beside the rooms."""
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:2])


def foreign_imports(path: Path) -> list[tuple[str, str]]:
    """(room, module) of every import from another room of `daemon` or `analyzers`."""
    found = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        names = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            names = [f"{node.module}.{alias.name}" for alias in node.names]
        for name in names:
            parts = name.split(".")
            if parts[0] in FLOORS and len(parts) > 1 and ".".join(parts[:2]) != room_of(path):
                found.append((".".join(parts[:2]), parts[2] if len(parts) > 2 else ""))
    return found


@pytest.mark.parametrize("package", FLOORS)
def test_the_house_has_the_floors_that_are_listed(package):
    assert set(rooms(package)) <= set(FLOORS[package])
    assert len(rooms("daemon")) + len(rooms("analyzers")) + 2 <= 20, "a newcomer learns every room"


@pytest.mark.parametrize("package", FLOORS)
def test_imports_go_downward_only(package):
    floors = [f"{package}.{room}" for room in FLOORS[package]]
    for path in modules(package):
        if path.name == "__init__.py":
            continue
        here = floors.index(room_of(path))
        for room, module in foreign_imports(path):
            if room.split(".")[0] == package:
                assert floors.index(room) < here, f"{path.relative_to(ROOT)} imports {room}.{module} above it"


@pytest.mark.parametrize("package", FLOORS)
def test_a_room_is_used_by_what_it_offers(package):
    """`__all__` of a room's `__init__.py` names the modules that others may import, no more and no fewer."""
    offers: dict[str, set[str]] = {}
    for room in rooms(package):
        tree = ast.parse((ROOT / package / room / "__init__.py").read_text(encoding="utf-8"))
        assert len((ast.get_docstring(tree) or "").split("\n\n")) == 2, (
            f"{room}: what it is for, what it offers"
        )
        value = next(node.value for node in tree.body if isinstance(node, ast.Assign))
        offers[f"{package}.{room}"] = set(ast.literal_eval(value))
    for path in [path for top in PACKAGES for path in modules(top)]:
        for room, module in foreign_imports(path):
            if room in offers:
                assert module in offers[room], f"{path.relative_to(ROOT)} uses {room}.{module}: not offered"


def test_the_tests_mirror_the_tree():
    for package in FLOORS:
        for path in (ROOT / "tests" / package).glob("*/test_*.py"):
            module = ROOT / package / path.parent.name / path.name.removeprefix("test_")
            assert module.exists(), f"{path.relative_to(ROOT)} tests no module of that name"


@pytest.mark.parametrize("path", modules("analyzers"), ids=lambda path: path.name)
def test_analyzers_are_pure(path):
    """No files, clocks, logs, processes or global configuration in the analyzers."""
    assert not imported(path) & {
        "os",
        "io",
        "time",
        "datetime",
        "logging",
        "subprocess",
        "soundfile",
        "yaml",
        "sqlite3",
    }


def test_no_network_module_is_imported_at_run_time():
    """Only the read-only page server and the service-manager socket use sockets, and they stay local."""
    clients = {"requests", "urllib3", "aiohttp", "httpx", "ftplib", "smtplib", "telnetlib", "pooch"}
    for package in PACKAGES:
        for path in modules(package):
            assert not imported(path) & clients, path


def test_no_module_is_too_long_to_read_in_one_sitting():
    sizes = {
        path: len(path.read_text(encoding="utf-8").splitlines()) for p in PACKAGES for path in modules(p)
    }

    assert max(sizes.values()) <= 300, max(sizes, key=lambda path: sizes[path])


def test_generic_import_names_belong_to_us():
    """`daemon` and `config` are also names of other distributions; a second owner would overwrite files."""
    owners = metadata.packages_distributions()
    for package in PACKAGES:
        assert set(owners.get(package, ["beatintake"])) == {"beatintake"}, owners.get(package)


def test_the_command_line_starts_without_heavy_imports():
    code = (
        "import sys; from daemon import cli, commands; cli.build_parser();"
        "heavy = {'numpy', 'scipy', 'librosa', 'numba', 'sklearn', 'soundfile'} & set(sys.modules);"
        "sys.exit(', '.join(sorted(heavy)) if heavy else 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False)

    assert done.returncode == 0, done.stderr
