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

    assert max(sizes.values()) <= 400, max(sizes, key=lambda path: sizes[path])


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
