"""The durable record of what was done with which content, and how it is made again when lost.

Offers the ledger, its rebuilding from the folders, what lies in them, what a rejected drop leaves behind, and
taking over what an earlier version left.
"""

__all__ = ["adopt", "ledger", "othernames", "rebuild", "rejection", "visible"]
