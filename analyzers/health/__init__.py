"""What is wrong or peculiar with the channels: each finding with where, how much, what to do.

Offers `faults`.
"""

__all__ = ["faults"]
