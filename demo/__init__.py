"""Demo beats made by synthesis, with the exact truth of what was made, and the demo run of the service."""
