"""Each way of counting is weighed beside all others of the song; the sums are worked out by hand."""

from __future__ import annotations

import numpy as np
import pytest

from analyzers.rhythm import meter
from analyzers.rhythm.meter_evidence import RATIOS, SIZE, Hypotheses
from analyzers.rhythm.other_counts import SteadyRate
from analyzers.rhythm.reading import Reading

Weights = dict[str, np.ndarray]


def network(mean: float, most: float) -> Weights:
    """Scores the first number of a hypothesis, and the second of all with these factors (all >= 0)."""
    second = np.zeros((6, 1))
    second[0], second[3], second[5] = 1.0, mean, most
    return {
        "net0_mean": np.zeros(2), "net0_scale": np.ones(2), "net0_step": np.ones(2),
        "net0_0": np.eye(2, dtype=np.int8), "net0_1": np.zeros(2),
        "net0_2": second, "net0_3": np.zeros(1), "net0_4": np.ones((1, 1)), "net0_5": np.zeros(1),
    }  # fmt: skip


@pytest.mark.parametrize(
    ("mean", "most", "third", "odds"),
    [
        (0.0, 0.0, [0.0, 6.0], 2.0),  # nothing beside: 5 - 3
        (0.0, -0.5, [0.0, 0.0], 2.0),  # the most is 0
        (0.0, -0.5, [0.0, 6.0], 2.0),  # 5 - 3 against 3 - 3
        (0.0, -0.6, [0.0, 6.0], 1.4),  # 5 - 3.6 against nothing: 3 - 3.6 < 0
        (-2.0, 0.0, [0.0, 6.0], 1.0),  # the mean of three is 2: 5 - 4 against nothing
    ],
)
def test_a_hypothesis_is_heard_beside_the_mean_and_the_most_of_all(
    monkeypatch: pytest.MonkeyPatch, mean: float, most: float, third: list[float], odds: float
) -> None:
    monkeypatch.setattr(meter, "stored_weights", lambda _: network(mean, most))
    p = meter.probabilities(np.array([[5.0, 0.0], [3.0, 0.0], third], np.float32))
    assert np.log(p[0] / p[1]) == pytest.approx(odds, abs=1e-6)


def test_the_order_of_the_hypotheses_does_not_matter() -> None:
    """What is pooled over a set knows no order (Zaheer et al., "Deep Sets", 2017)."""
    rng = np.random.default_rng(1)
    evidence = rng.random((12, SIZE)).astype(np.float32)
    order = rng.permutation(12)
    p = meter.probabilities(evidence)
    assert p.sum() == pytest.approx(1.0)
    assert meter.probabilities(evidence[order]) == pytest.approx(p[order], rel=1e-4, abs=1e-7)


def test_other_bar_lines_are_named_in_beats_and_share_the_doubt(monkeypatch: pytest.MonkeyPatch) -> None:
    """Readings at one beat rate: bar lines on pulse 3; on 5, 4.5 and 2; at half the rate on 3 and 4, of which
    the first are among the best one's; and bars of three, which have no place among those of four."""
    ratio = np.array([1.0, 1.0, 1.0, 1.0, 2.0, 2.0, 1.0])
    offset = np.array([3.0, 5.0, 4.5, 2.0, 3.0, 4.04, 4.0])
    beats = np.array([4, 4, 4, 4, 4, 4, 3])
    tempo = np.array([RATIOS.index(r) for r in ratio])
    h = Hypotheses(ratio, offset, beats, tempo, tempo * 0, np.zeros((7, SIZE), np.float32))
    p = np.array([0.4, 0.2, 0.1, 0.06, 0.1, 0.05, 0.09])

    found = meter.other_lines(h, p, 0, 0.75)

    assert found == tuple(
        pytest.approx(place) for place in ((2.0, 0.1), (1.5, 0.05), (-1.0, 0.03), (1.0, 0.025))
    )
    assert meter.other_lines(h, p, 0, 0.3)[0] == pytest.approx((2.0, 0.3 * 0.2 / 0.5))  # less than the best
    monkeypatch.setattr(meter, "probabilities", lambda _: p)
    reading = meter.choose_reading(h, 0.99, played=True)
    assert reading is not None
    assert sum(share for _, share in reading.other_lines) <= 1.0 - reading.bar_probability
    assert reading.other_lines[0][0] == 2.0
    assert reading.other_meters == ((3, pytest.approx(0.09 / 0.85)),)
    assert reading.meter_probability == pytest.approx(0.76 / 0.85)


def test_pulses_that_read_as_one_beat_rate_are_a_beat(monkeypatch: pytest.MonkeyPatch) -> None:
    """Followed pulses that alone are no proof: the reading decides, and only a clear one is for a beat."""
    tempo = np.arange(len(RATIOS))
    h = Hypotheses(
        np.array(RATIOS), np.zeros(len(tempo)), np.full(len(tempo), 4), tempo, tempo * 0,
        np.zeros((len(tempo), SIZE), np.float32),
    )  # fmt: skip
    clear = np.where(tempo == RATIOS.index(1.0), 0.95, 0.05 / (len(tempo) - 1))

    def beat(p: np.ndarray) -> float:
        monkeypatch.setattr(meter, "probabilities", lambda _: p)
        reading = meter.choose_reading(h, 0.4, played=True)
        assert reading is not None
        return reading.beat_probability

    assert beat(clear) > 0.8
    assert beat(np.full(len(tempo), 1 / len(tempo))) < 0.3


def test_beat_rates_of_too_few_beats_are_a_doubt(monkeypatch: pytest.MonkeyPatch) -> None:
    """A file of seven beats and fourteen half beats: the beat has too few to be chosen, not to be likely."""

    def ways(*ratios: float) -> Hypotheses:
        tempo = np.array([RATIOS.index(ratio) for ratio in ratios])
        n = len(tempo)
        return Hypotheses(np.array(ratios), np.zeros(n), np.full(n, 4), tempo, tempo * 0, np.zeros((n, SIZE)))

    def read(shares: list[float]) -> Reading:
        monkeypatch.setattr(
            meter, "probabilities", lambda x: np.array(shares[: len(x)]) / sum(shares[: len(x)])
        )
        reading = meter.choose_reading(ways(0.5, 0.75), 0.99, played=True)
        assert reading is not None
        return meter.beside_fewer(reading, ways(0.5, 0.75), ways(0.5, 0.75, 1.0))

    sure, doubtful = read([0.9, 0.1, 0.0]), read([0.36, 0.04, 0.6])
    assert doubtful.tempo_probability == pytest.approx(0.4 * sure.tempo_probability)
    assert doubtful.bar_probability == pytest.approx(0.4 * sure.bar_probability)
    assert doubtful.tempi[0] == (1.0, pytest.approx(0.6))
    assert sum(share for _, share in doubtful.tempi) == pytest.approx(1.0)
    assert sure.tempi[0] == (0.5, pytest.approx(0.9))


def test_only_steady_songs_are_asked_for_bars_of_6_8(monkeypatch: pytest.MonkeyPatch) -> None:
    tempo = np.full(2, RATIOS.index(1.0))
    h = Hypotheses(np.ones(2), np.zeros(2), np.full(2, 4), tempo, tempo * 0, np.zeros((2, SIZE), np.float32))
    monkeypatch.setattr(meter, "probabilities", lambda x: np.full(len(x), 1 / len(x)))
    monkeypatch.setattr(meter, "counted_in_two", lambda _: 0.8)
    steady, moving = (meter.choose_reading(h, 0.99, rate=r) for r in (SteadyRate(111.0, 1e-4), None))
    assert steady is not None
    assert moving is not None
    assert (steady.beats, moving.beats) == (2, 4)
