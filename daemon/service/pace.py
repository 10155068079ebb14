"""How long a drop takes, learned from those that are done: for "seconds left", never for a decision.

An estimate of the seconds a byte takes is kept for each kind of file (compressed ones hold more music a
byte) and moved towards each result, so that it follows the machine and what else it has to do.
"""

from __future__ import annotations

from os.path import splitext

from daemon.ingest.grouping import Candidate, Kind

LEAST_S = 0.5  # of any drop: what does not depend on its length
PLAIN_S_PER_BYTE = 3e-8  # 210 s of 24-bit stereo in 1.6 s: a first guess (2020s desktop processor)
TIGHT_S_PER_BYTE = 2e-7  # the same as an MP3 of 320 kbit/s
PLAIN = (".wav", ".aif", ".aiff", ".aifc", ".rf64", ".bw64", ".flac", ".w64")
WEIGHT = 0.3  # of the newest result


class Pace:
    def __init__(self) -> None:
        self._s_per_byte: dict[str, float] = {}

    def expected_s(self, candidate: Candidate) -> float:
        """Seconds from its start to its result."""
        return LEAST_S + self._rate(_kind(candidate)) * candidate.size

    def learn(self, candidate: Candidate, seconds: float) -> None:
        """One has taken so long, without having been halted."""
        if candidate.size > 0:
            kind = _kind(candidate)
            rate = max(seconds - LEAST_S, 0.0) / candidate.size
            self._s_per_byte[kind] = (1 - WEIGHT) * self._rate(kind) + WEIGHT * rate

    def _rate(self, kind: str) -> float:
        return self._s_per_byte.get(kind, PLAIN_S_PER_BYTE if kind in (*PLAIN, "") else TIGHT_S_PER_BYTE)


def _kind(candidate: Candidate) -> str:
    """The ending; of a folder none."""
    return splitext(candidate.key)[1].lower() if candidate.kind is Kind.FILE else ""
