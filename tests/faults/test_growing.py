"""A small form of the growing files, and proof that it would notice."""

from __future__ import annotations

import pytest

from daemon.ingest import settling
from tests.faults import growing
from tests.faults.growing import campaign

HARD = ("FLAC", "MP3, no length", "ZIP", "WAV")  # what was published in part before, and the usual one
WAYS = ("append, close", "reserve, close", "zeros, close", "held open")


def test_no_part_is_published() -> None:
    verdicts = campaign(HARD, WAYS, settle_s=0.2, patience_s=3.0)

    assert sorted(verdicts) == [False, True]
    for table in verdicts.values():
        assert {case: verdict for case, verdict in table.items() if verdict != "right"} == {}


def test_it_would_notice(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without the looks at the bytes, every way but the held file shows parts."""
    careless = "from daemon.ingest import completeness\nfrom daemon.decode.endings import Ending\n"
    careless += "completeness.ending_of = lambda file: Ending.WHOLE\n"
    monkeypatch.setattr(growing, "PATIENCE", growing.PATIENCE + careless)
    table = campaign(["FLAC"], ["append, close"], settle_s=0.2, patience_s=0.5)[True]

    assert table["FLAC", "append, close"].startswith(("partial", "WRONG"))
    assert settling.PATIENCE_S == 30.0  # of this process
