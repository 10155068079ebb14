"""Many drops once: a back-catalogue through worker processes or a cluster.

Offers `process`, the command.
"""

__all__ = ["process"]
