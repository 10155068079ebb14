"""Samples, mixes, onset strength, spectra and peaks: what several questions look at, computed once.

Offers the signal, the shared features and small numeric tools.
"""

__all__ = [
    "beside",
    "blockfilter",
    "channel_stats",
    "convolution",
    "features",
    "mono",
    "onsets",
    "perceptron",
    "samples",
    "spectrum",
    "truepeak",
    "viterbi",
    "voice",
    "weights_file",
]
