"""The unattended service: the loop, dispatching, preemption, schedule, lock, supervision, notification.

Offers the service, and what the commands ask of a running one.
"""

__all__ = ["control", "entry", "heartbeat", "lock", "order", "presence"]
