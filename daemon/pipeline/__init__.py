"""One drop from file to published folder: the steps, the job, rendering, versions, corrections.

Offers what the service, a batch and the commands run for one drop.
"""

__all__ = ["analyse", "answers", "correct", "job", "publication", "steps", "warm_up"]
