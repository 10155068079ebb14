"""What lies in the incoming folder and when it is complete: watching, scanning, grouping, settling.

Offers the state machine of arrivals and the looks at the folder; opens files only through `decode`.
"""

__all__ = ["arrivals", "grouping", "incoming", "pending", "scan", "settling", "watch"]
