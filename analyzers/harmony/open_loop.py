"""Loops of two chords that leave open which note is home.

D minor and G are the first and fourth degrees of D dorian, the second and fifth of C major, the fifth and
first of G mixolydian; C and D are the seventh and first of D mixolydian, the fourth and fifth of G major, the
sixth and seventh of E minor, the first and second of C lydian. The notes are the same in all of them (any
handbook of modes), and who hears the loop alone cannot know. A chord that lasts twice as long as the other is
home.
"""

from __future__ import annotations

import numpy as np

from analyzers.harmony.key_belief import HOMES, MODES, Belief
from analyzers.harmony.network_inputs import HEARD, Segment
from analyzers.harmony.voicing import QUALITIES

BOTH_SHARE = 0.85  # of what is heard: chords that are taken for another one have the rest
HOME_SHARE = 2 / 3  # of both
MINOR = np.array([3 in steps for steps in QUALITIES.values()])
TO_HOME = {(5, True, False): 10, (2, False, False): 7}  # by steps between them, and which of them are minor


def open_home(segment: Segment) -> int | None:
    """Tonic of the major key in which the two chords are second and fifth, or fourth and fifth degree.

    None where there are more chords or others, or one of them is home.
    """
    heard = segment.chords[segment.none < HEARD].sum(axis=0)
    roots = heard.sum(axis=1)
    one, other = (int(root) for root in np.argsort(roots)[-2:])
    both = float(roots[one] + roots[other])
    if both < BOTH_SHARE * roots.sum() or roots[other] > HOME_SHARE * both or not both:
        return None
    low, high = (one, other) if (other - one) % 12 <= 6 else (other, one)
    minor = [bool(heard[root, MINOR].sum() > heard[root].sum() / 2) for root in (low, high)]
    to_home = TO_HOME.get(((high - low) % 12, minor[0], minor[1]))
    return None if to_home is None else (low + to_home) % 12


def left_open(belief: Belief, mode: str, home: int | None, top: float) -> Belief:
    """The same, the best key no surer than ``top`` where the loop leaves its tonic open.

    What is taken away goes to the major key with its notes, from this one to its relative.

    mode : the scale of the best key; home : `open_home`
    """
    tonic, _ = belief.best
    if home is None or HOMES[tonic, MODES.index(mode)] != home:
        return belief
    other = ((home + 9) % 12, "minor") if (tonic, mode) == (home, "major") else (home, "major")
    return belief.shared(top, *other)
