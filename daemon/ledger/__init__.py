"""The durable record of what was done with which content, and how it is made again when lost.

Offers the ledger, its rebuilding from the folders, what lies in them, and what a rejected drop leaves behind.
"""

__all__ = ["ledger", "rebuild", "rejection", "visible"]
