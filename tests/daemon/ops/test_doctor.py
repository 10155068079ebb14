"""What the doctor says of settings that need an optional extra."""

from __future__ import annotations

import importlib.util

from config.settings import Output, Settings
from daemon.ops.doctor import WRONG, extras


def test_a_missing_extra_is_found_before_a_beat_needs_it(monkeypatch):
    asking = Settings(output=Output(session_files=("aaf",)))
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None)

    (found,) = extras(asking)
    assert found.level == WRONG
    assert "pip install 'beatintake[aaf]'" in found.advice
    assert list(extras(Settings())) == []


def test_an_extra_that_is_there_is_no_finding(monkeypatch):
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: object())

    assert list(extras(Settings(output=Output(session_files=("aaf", "dawproject"))))) == []
