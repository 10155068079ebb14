"""The whole analysis: what can go beside the rest changes no answer."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import numpy as np

from analyzers.pipeline import analyse
from analyzers.signal.samples import Signal
from tests.analyzers.harmony_kit import RATE, accompaniment, drums


def test_a_thread_beside_changes_no_answer() -> None:
    wave = accompaniment([(9, "min"), (5, "maj"), (0, "maj"), (7, "maj")] * 2) + drums(8)
    signal = Signal(np.stack([wave, wave], axis=1).astype(np.float32), RATE)
    with ThreadPoolExecutor(1) as thread:
        assert analyse(signal, beside=thread) == analyse(signal)
