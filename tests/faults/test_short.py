"""A short part of each fault command, so that every change meets them."""

from __future__ import annotations

import os
import random
import sys
from pathlib import Path

import pytest

from tests.faults.disk import full_disk
from tests.faults.flood import flood
from tests.faults.kill_every_step import kill_at
from tests.faults.kill_random import one_round
from tests.faults.kit import STAND_IN
from tests.faults.ledger_damage import STOPPED, one_case

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="kills by signal")


def test_kills_at_random_moments(tmp_path: Path) -> None:
    counts = one_round(tmp_path, 6, STAND_IN, random.Random(3), 1)

    assert counts["service killed"] + counts["worker killed"] == 6


@pytest.mark.parametrize("damage", ["0 bytes", "an older copy put back", "the state folder is gone"])
def test_damage_to_the_ledger(tmp_path: Path, damage: str) -> None:
    assert one_case(tmp_path, STOPPED[damage], running=False) == 13


@pytest.mark.parametrize("step", [20, 45, 60])
def test_kills_at_chosen_steps(tmp_path: Path, step: int) -> None:
    assert kill_at(tmp_path, step)


@pytest.mark.skipif(sys.platform != "linux" or os.geteuid() != 0, reason="mounts a small disk")
def test_full_disk(tmp_path: Path) -> None:
    try:
        assert full_disk(tmp_path) == 18
    except OSError as error:
        pytest.skip(f"no mount here: {error}")


def test_flood(tmp_path: Path) -> None:
    figures = flood(tmp_path, 100, waiting=False, seed=1)

    assert figures["files"] == 107
