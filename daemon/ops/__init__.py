"""What a person asks about the studio machine: status, doctor, service units, the page server, accuracy.

Offers one module for each command.
"""

__all__ = ["accuracy", "doctor", "serve", "standing", "status", "statuswatch", "units"]
