"""Pure analysis of instrumental tracks: arrays and numbers in, frozen dataclasses out.

Nothing in this package touches files, clocks, logs or configuration objects.
Time is seconds as float64 (or integer samples); zero is the first sample of the
array that was passed in.
"""
