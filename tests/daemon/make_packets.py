"""Files that PyAV writes: AAC, ALAC and Opus, as phones and browsers send them, for tests of reading."""

from __future__ import annotations

import io
from fractions import Fraction

import av
import numpy as np

from tests.daemon.make_audio import Samples, file_bytes

CODINGS = {  # name -> container, encoder, sample format
    "AAC": ("adts", "aac", "fltp"),
    "M4A AAC": ("ipod", "aac", "fltp"),
    "M4A ALAC": ("ipod", "alac", "s16p"),
    "M4A ALAC 24": ("ipod", "alac", "s32p"),
    "MP4 AAC": ("mp4", "aac", "fltp"),
    "Opus": ("ogg", "libopus", "flt"),
}
EXTENSIONS = {"adts": "aac", "ipod": "m4a", "mp4": "mp4", "ogg": "opus"}


def packets(samples: Samples, rate: int, coding: str, **options: str) -> bytes:
    """A whole file. ``options`` go to the muxer."""
    container, codec, kind = CODINGS[coding]
    layout = "stereo" if samples.shape[1] == 2 else "mono"
    out = io.BytesIO()
    with av.open(out, "w", format=container, options=options) as file:
        stream = file.add_stream(codec, rate=rate, layout=layout, format=kind)
        resampler = av.AudioResampler(format=kind, layout=layout, rate=rate)
        for at in range(0, len(samples), 4096):
            planes = np.ascontiguousarray(samples[at : at + 4096].T, dtype=np.float32)
            frame = av.AudioFrame.from_ndarray(planes, format="fltp", layout=layout)
            frame.sample_rate, frame.pts, frame.time_base = rate, at, Fraction(1, rate)
            for converted in resampler.resample(frame):
                file.mux(stream.encode(converted))
        file.mux(stream.encode(None))
    return out.getvalue()


def matrix(samples: Samples, rate: int) -> dict[str, tuple[str, bytes]]:
    """name -> (extension, bytes) of one beat in every format that producers send, the original first."""
    wav = {"format": "WAV"}
    rf64 = file_bytes(samples, rate, format="RF64", subtype="PCM_24")
    found = {
        "WAV 24": ("wav", file_bytes(samples, rate, **wav, subtype="PCM_24")),
        "WAV 16": ("wav", file_bytes(samples, rate, **wav, subtype="PCM_16")),
        "WAV float": ("wav", file_bytes(samples, rate, **wav, subtype="FLOAT")),
        "AIFF": ("aiff", file_bytes(samples, rate, format="AIFF", subtype="PCM_24")),
        "FLAC": ("flac", file_bytes(samples, rate, format="FLAC", subtype="PCM_24")),
        "RF64": ("wav", rf64),
        "BW64": ("wav", b"BW64" + rf64[4:]),
        "OGG": ("ogg", file_bytes(samples, rate, format="OGG", subtype="VORBIS")),
        "MP3": ("mp3", file_bytes(samples, rate, format="MP3", subtype="MPEG_LAYER_III")),
    }
    for name, (container, _, _) in CODINGS.items():
        found[name] = EXTENSIONS[container], packets(samples, rate, name)
    return found
