"""Compiled templates are kept, never trusted when stale or broken, and never in the way of a page."""

from __future__ import annotations

import sys
from pathlib import Path

import jinja2.environment
import pytest
from jinja2 import DictLoader, Environment

from daemon.report import template_cache, templating
from daemon.report.template_cache import TemplateCache


@pytest.fixture(autouse=True)
def as_usual(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "dont_write_bytecode", False)


@pytest.fixture
def generated(monkeypatch: pytest.MonkeyPatch) -> list[object]:
    """Everything that Jinja2 compiles from now on."""
    found: list[object] = []
    plain = jinja2.environment.generate

    def counted(*given: object, **named: object) -> object:
        found.append(given)
        return plain(*given, **named)  # type: ignore[arg-type]

    monkeypatch.setattr(jinja2.environment, "generate", counted)
    return found


def page(folder: Path) -> str:
    cache = TemplateCache(str(folder), "template-%s")
    env = Environment(loader=DictLoader({"page": "{% for bar in bars %}bar {{ bar }};{% endfor %}"}))
    env.bytecode_cache = cache
    return env.get_template("page").render(bars=[1, 2])


def test_a_kept_template_is_not_compiled_again(tmp_path: Path, generated: list[object]) -> None:
    assert page(tmp_path) == page(tmp_path) == "bar 1;bar 2;"
    assert len(generated) == 1


@pytest.mark.parametrize("left", [0, 3, 25, 60, 200], ids=lambda left: f"{left} bytes left")
def test_what_a_power_cut_left_is_compiled_anew_and_mended(
    tmp_path: Path, generated: list[object], left: int
) -> None:
    page(tmp_path)
    (kept,) = tmp_path.iterdir()
    whole = kept.read_bytes()
    assert len(whole) > left
    kept.write_bytes(whole[:left])

    assert page(tmp_path) == "bar 1;bar 2;"
    assert len(generated) == 2
    assert kept.read_bytes() == whole


def test_what_cannot_be_kept_is_no_trouble(tmp_path: Path) -> None:
    blocked = tmp_path / "a file where the folder should be"
    blocked.write_bytes(b"")

    assert page(blocked) == "bar 1;bar 2;"


def test_the_pages_are_kept_beside_the_compiled_modules(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, generated: list[object]
) -> None:
    monkeypatch.setattr(sys, "pycache_prefix", str(tmp_path))
    for _ in range(2):
        templating.templates.cache_clear()
        cache = templating.templates().bytecode_cache
        assert isinstance(cache, TemplateCache)
        Path(cache.directory).mkdir(parents=True, exist_ok=True)
        templating.templates().get_template("rejected.html.j2")
    templating.templates.cache_clear()

    assert Path(cache.directory).is_relative_to(tmp_path)
    assert len(generated) == 1


def test_nothing_is_kept_where_python_keeps_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "dont_write_bytecode", True)
    assert template_cache.template_cache() is None


def test_other_code_behind_the_templates_is_another_place(tmp_path: Path) -> None:
    behind, patterns = tmp_path / "behind.py", set()
    for code in ("a = 1", "a = 2"):
        behind.write_text(code)
        cache = template_cache.template_cache(behind)
        assert cache is not None
        patterns.add(cache.pattern)
    assert len(patterns) == 2
