"""Worker processes that can be blamed, limited and replaced.

Offers the pool, its tasks and what comes back from them; knows nothing of audio.
"""

__all__ = ["pool", "process"]
