"""Does the producer's claim agree with the measurement? In words where it does not."""

from __future__ import annotations

from analyzers.harmony.key_names import parse_key
from analyzers.harmony.spelling import pitch_class_of, scale_pitch_classes
from analyzers.model import Analysis, Grid, Key
from analyzers.rhythm.note_values import quarters_in_beat
from daemon.decode.tags import ProducerClaim
from daemon.report.parts import Claim, plain

TEMPO_TOLERANCE = 0.005  # a claim is often rounded to a whole BPM: 0.5 % is 0.7 BPM at 140
LEVELS = {0.5: "half of", 2.0: "twice", 1.5: "one and a half times", 2 / 3: "two thirds of"}


def judge_claim(claim: ProducerClaim, analysis: Analysis) -> Claim:
    """The claim as the report holds it, with `agrees` and `relation`."""
    if claim.question == "tempo" and isinstance(claim.value, float):
        agrees, relation = _tempo(claim.value, analysis.grid)
    elif claim.question == "key" and isinstance(claim.value, str):
        agrees, relation = _key(claim.value, analysis.key)
    else:
        agrees, relation = None, None
    return Claim(**plain(claim), agrees=agrees, relation=relation)


def _tempo(claimed: float, grid: Grid) -> tuple[bool | None, str | None]:
    if grid.tempo_bpm is None:
        return None, "no tempo was measured"
    ratio = claimed / grid.tempo_bpm
    if abs(ratio - 1) <= TEMPO_TOLERANCE:
        return True, "as measured"
    if abs(ratio / quarters_in_beat(grid) - 1) <= TEMPO_TOLERANCE:
        return True, "as measured, counted in quarters"
    for level, words in LEVELS.items():
        if abs(ratio / level - 1) <= TEMPO_TOLERANCE:
            return False, f"{words} what was measured"
    return False, "not what was measured"


def _key(claimed: str, key: Key) -> tuple[bool | None, str | None]:
    parsed = parse_key(claimed)
    if parsed is None or key.tonic is None or key.mode is None:
        return None, "no key was measured" if parsed else "not a key that can be compared"
    tonic, mode = parsed
    same_tonic = pitch_class_of(tonic) == pitch_class_of(key.tonic)
    if same_tonic and mode == key.mode:
        return True, "as measured"
    if same_tonic and mode.endswith("minor") and key.mode.endswith("minor"):
        return True, f"measured as {key.mode}"
    if scale_pitch_classes(tonic, mode) == scale_pitch_classes(key.tonic, key.mode):
        return False, f"the same notes as the measured {key.tonic} {key.mode}, another tonic"
    if same_tonic:
        return False, "the same tonic as measured, another scale"
    return False, "not what was measured"
