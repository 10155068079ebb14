"""What a worker does before its first drop: pay the imports and compilations while nobody waits."""

from __future__ import annotations


def warm_up() -> None:
    """Import the job's modules and analyse two generated seconds."""
    import numpy as np

    import daemon.decode.decoder
    import daemon.pipeline.render  # noqa: F401
    from analyzers.pipeline import analyse
    from analyzers.signal.samples import Signal

    rate = 44100
    time = np.arange(2 * rate) / rate
    envelope = np.exp(-8 * (time % 0.5))
    tone = np.sin(2 * np.pi * 220 * time) + 0.5 * np.sin(2 * np.pi * 330 * time)
    samples = (0.3 * envelope * tone).astype(np.float32)
    analyse(Signal(np.column_stack([samples, samples]), rate))
