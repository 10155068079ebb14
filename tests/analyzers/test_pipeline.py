"""The whole analysis: what can go beside the rest changes no answer."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np

from analyzers.model import Options
from analyzers.pipeline import DOUBTED, analyse
from analyzers.signal.samples import Signal
from tests.analyzers.harmony_kit import RATE, accompaniment, drums


def test_a_thread_beside_changes_no_answer() -> None:
    wave = accompaniment([(9, "min"), (5, "maj"), (0, "maj"), (7, "maj")] * 2) + drums(8)
    signal = Signal(np.stack([wave, wave], axis=1).astype(np.float32), RATE)
    with ThreadPoolExecutor(1) as thread:
        assert analyse(signal, beside=thread) == analyse(signal)


def test_where_the_start_is_doubted_bar_one_is_for_the_ears() -> None:
    wave = accompaniment([(9, "min"), (5, "maj"), (0, "maj"), (7, "maj")] * 2) + drums(8)
    signal = Signal(np.stack([wave, wave], axis=1).astype(np.float32), RATE)
    plain, doubted = (analyse(signal, Options(start_doubted=doubt)).grid for doubt in (False, True))
    assert plain.bar_one_confidence > DOUBTED
    assert doubted == replace(plain, bar_one_confidence=DOUBTED)
