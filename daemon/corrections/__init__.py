"""What the engineer says about a drop: how it is read, applied to an analysis, and kept.

Offers the correction, its file format and its store; makes no outputs.
"""

__all__ = ["apply", "files", "reading", "refusals", "store", "words"]
