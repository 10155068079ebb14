"""How likely a voice sounds: speech, rap or song.

Small convolutional networks (weights in `weights/voice.npz`, trained by `tests/training/voice_fit.py` on
recorded, synthesised and sung speech over beats, bands and game music) look at narrow bands of the signal,
each against its own mean, and say twelve times a second how likely somebody is heard. Instruments that glide
as voices do were in the training as what is none.

Bands on the mel scale: 2595 lg(1 + f / 700), O'Shaughnessy, "Speech Communication" (1987).
"""

from __future__ import annotations

from functools import cache

import numpy as np
import numpy.typing as npt
from scipy import fft as sfft
from scipy.special import expit

from analyzers.signal.convolution import line, plane
from analyzers.signal.mono import Samples, framed
from analyzers.signal.samples import blocks_of
from analyzers.signal.weights_file import stored_weights

FloatArray = npt.NDArray[np.float32]
WINDOW, FRAMES_A_SECOND, BANDS = 2048, 50, 64
EDGES_HZ = (80.0, 8000.0)
SILENT = 1e-10  # power that is added: -100 dB
RANGE_DB = 70.0  # below the block's loudest band nothing is seen
BLOCK, EDGE = 1000, 48  # frames that are looked at in one piece, and at its inner ends only for their sake
FOUR = 4  # frames for each answer of the networks
ANSWERS_A_SECOND = FRAMES_A_SECOND / FOUR


def find_voice(x: Samples, rate: int) -> FloatArray:
    """How likely a voice sounds in a mono signal, `ANSWERS_A_SECOND` times a second [shape=(answers,)].

    rate : sampling rate in Hz, 44 100 or 48 000
    """
    return voice_probability(voice_bands(x, rate))


def voice_bands(x: Samples, rate: int) -> FloatArray:
    """Power in narrow bands [shape=(BANDS, frames)], dB; frame k is centred on k / `FRAMES_A_SECOND` s.

    Parameters
    ----------
    x : mono signal [shape=(n,)]
    rate : sampling rate in Hz, 44 100 or 48 000
    """
    weights, first_bin = _band_weights(rate)
    window = np.hanning(WINDOW + 1)[:-1].astype(np.float32)
    hop = rate // FRAMES_A_SECOND
    out = np.empty((BANDS, len(x) // hop + 1), np.float32)
    for first, frames in framed(blocks_of(x), WINDOW, hop):
        bins = sfft.rfft(frames * window, axis=1)[:, first_bin : first_bin + len(weights)]
        out[:, first : first + len(frames)] = ((np.square(bins.real) + np.square(bins.imag)) @ weights).T
    return np.asarray(10 * np.log10(out + SILENT), np.float32)


def band_edges_hz() -> npt.NDArray[np.float64]:
    """Where band k begins, has its middle and ends: edges k, k + 1 and k + 2 [shape=(BANDS + 2,)]."""
    low_mel, high_mel = (2595 * np.log10(1 + edge / 700) for edge in EDGES_HZ)
    edges: npt.NDArray[np.float64] = 700 * (10 ** (np.linspace(low_mel, high_mel, BANDS + 2) / 2595) - 1)
    return edges


@cache
def _band_weights(rate: int) -> tuple[FloatArray, int]:
    """Share of each FFT bin in each band [shape=(bins, BANDS)], and the first bin that has one."""
    edges = band_edges_hz()
    hz = np.arange(WINDOW // 2 + 1)[:, None] * rate / WINDOW
    low, middle, high = edges[:-2], edges[1:-1], edges[2:]
    out = np.clip(np.minimum((hz - low) / (middle - low), (high - hz) / (high - middle)), 0, None)
    out /= np.maximum(out.sum(axis=0), 1e-9) * (WINDOW / 4) ** 2
    used = np.flatnonzero(out.any(axis=1))
    return out[used[0] : used[-1] + 1].astype(np.float32), int(used[0])


def voice_probability(bands: FloatArray) -> FloatArray:
    """How likely a voice sounds, one answer for every `FOUR` frames [shape=(n,)]."""
    frames = bands.shape[1]
    if frames <= BLOCK:
        return _block(bands)
    out = np.zeros(-(-frames // FOUR), np.float32)
    step, last = BLOCK - 2 * EDGE, (frames - BLOCK) // FOUR * FOUR
    for start in [*range(0, last, step), last]:
        inner = EDGE // FOUR if start else 0
        stop = frames if start == last else start + BLOCK
        found = _block(bands[:, start:stop])[inner:]
        out[start // FOUR + inner :][: len(found)] = found[: len(out) - start // FOUR - inner]
    return out


def _block(bands: FloatArray) -> FloatArray:
    """Mean opinion of the networks on one piece [shape=(answers,)]."""
    x = np.maximum(np.round(bands), np.round(bands.max()) - RANGE_DB)
    x = (x - x.mean(axis=1, keepdims=True)) / 10
    w = stored_weights("voice")
    nets = sum(name.endswith("_bias7") for name in w)
    return np.asarray(np.mean([_opinion(x[None], net) for net in range(nets)], axis=0), np.float32)


def _opinion(x: FloatArray, net: int) -> FloatArray:
    """Probability that one network gives; `x` [shape=(1, BANDS, frames)]."""
    for layer, stride in ((1, (2, 2)), (2, (2, 2)), (3, (2, 1))):
        x = plane(x, *_layer(net, layer), stride)
    x = x.reshape(-1, x.shape[2])
    x = np.maximum(line(x, *_layer(net, 4)), 0.0)
    x = x + np.maximum(line(x, *_layer(net, 5)), 0.0)
    x = x + np.maximum(line(x, *_layer(net, 6), apart=3), 0.0)
    return np.asarray(expit(line(x, *_layer(net, 7))[0]), np.float32)


@cache
def _layer(net: int, layer: int) -> tuple[FloatArray, FloatArray]:
    """Weights, from whole numbers of steps (one step a unit), and bias."""
    w = stored_weights("voice")
    steps, weights = w[f"net{net}_step{layer}"], w[f"net{net}_weights{layer}"]
    return weights * steps.reshape(-1, *[1] * (weights.ndim - 1)), w[f"net{net}_bias{layer}"]
